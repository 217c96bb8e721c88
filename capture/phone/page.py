"""The page: its files, all our own, and the headers that keep a browser from loading or sending anything elsewhere."""

from importlib.resources import files

from aiohttp import web

from vibekit import marks

KINDS = {
    "index.html": "text/html",
    "phone.css": "text/css",
    "phone.js": "text/javascript",
    "file.js": "text/javascript",
    "frames.js": "text/javascript",
    "level.js": "text/javascript",
    "line.js": "text/javascript",
    "sending.js": "text/javascript",
    "sound.js": "text/javascript",
    "motion.js": "text/javascript",
    "tap.js": "text/javascript",
}
SENSORS = ("microphone", "accelerometer", "gyroscope", "screen-wake-lock")


def security_headers(host: str) -> dict[str, str]:
    """Give the headers of every answer. host: address and port under which the page is served."""
    policy = (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src data:; "
        f"connect-src 'self' wss://{host}; "  # older Safari does not count wss: as 'self'
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
    return {
        "Content-Security-Policy": policy,
        "Permissions-Policy": f"{', '.join(f'{sensor}=(self)' for sensor in SENSORS)}, camera=(), geolocation=()",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cross-Origin-Resource-Policy": "same-origin",
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "no-referrer",
        "Cache-Control": "no-store",
        "Server": "vibekit",
    }


def page_routes() -> list[web.RouteDef]:
    """Routes of the page's files, read once; nothing else is served."""
    folder = files("vibekit.capture.phone.web")
    content = {name: (folder / name).read_text(encoding="utf-8") for name in KINDS}
    content["phone.css"] = _palette() + content["phone.css"]

    def route(path: str, name: str) -> web.RouteDef:
        async def serve(request: web.Request) -> web.Response:
            return web.Response(text=content[name], content_type=KINDS[name], charset="utf-8")

        return web.get(path, serve)

    return [route("/", "index.html"), *(route(f"/{name}", name) for name in KINDS if name != "index.html")]


def _palette() -> str:
    """The kit's colours as CSS variables, on light and on dark paper."""
    light, dark = ("".join(f"--{name}:{value};" for name, value in marks.colours(theme).items()) for theme in ("light", "dark"))
    return f":root{{{light}}}\n@media (prefers-color-scheme: dark){{:root{{{dark}}}}}\n"
