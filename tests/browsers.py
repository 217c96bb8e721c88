"""A real Chromium whose fake microphone plays a file, and the phone's page in it."""

import contextlib
import re
import shutil

import numpy as np
import soundfile

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
RATE = 44100  # at which Chromium's fake microphone runs; other files it would resample
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update",
    "--disable-sync", "--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream", "--autoplay-policy=no-user-gesture-required",
    "--ignore-certificate-errors",
]  # fmt: skip


@contextlib.contextmanager
def browser_playing(playwright, folder, sound):
    """Chromium whose microphone hears this, again and again."""
    path = folder / "heard.wav"
    soundfile.write(path, np.stack([sound, sound], 1), RATE, subtype="PCM_16")
    browser = playwright.chromium.launch(
        executable_path=CHROMIUM, headless=True, args=[*FLAGS, f"--use-file-for-fake-audio-capture={path}"]
    )
    yield browser
    browser.close()


@contextlib.contextmanager
def page_of(browser, url, *scripts, allowed=("data:",), size=(360, 640), **options):
    """The page on a small phone; nothing may go wrong in it but what is allowed, and nothing be fetched from elsewhere."""
    width, height = size
    context = browser.new_context(ignore_https_errors=True, viewport={"width": width, "height": height}, has_touch=True, **options)
    context.set_default_timeout(120_000)  # of a busy computer
    page = context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda message: wrong.append(message.text) if message.type == "error" else None)
    page.on("request", lambda request: None if request.url.startswith(url.partition("/#")[0]) else wrong.append(request.url))
    for script in scripts:
        page.add_init_script(script)
    page.goto(url)
    yield page
    assert sideways(page) == []
    context.close()
    assert [line for line in wrong if not line.startswith(allowed)] == []


def sideways(page):
    """What reaches beyond the right edge, so that the page must be pushed aside to be read (WCAG 2.2, 1.4.10: not down to 320 px)."""
    return page.evaluate(
        """() => {
            const { scrollWidth, clientWidth } = document.documentElement;
            const beyond = [...document.querySelectorAll("body *")].filter((e) => e.getBoundingClientRect().right > clientWidth + 0.5);
            const named = beyond.map((e) => `${e.localName} ${e.className}: ${e.textContent.trim().slice(0, 60)}`);
            return scrollWidth > clientWidth ? named : [];
        }"""
    )


def to_record(page):
    """Through the cautions, however long."""
    button = page.locator("#understood")
    button.wait_for()
    while not page.locator("#record").is_visible():
        button.click()
    assert sideways(page) == []


def take(page, seconds, button="Record sound"):
    """Record so long, then wait for the answer."""
    page.get_by_role("button", name=button).click()
    page.get_by_text(re.compile("^Recording:")).wait_for()
    page.wait_for_timeout(1000 * seconds)
    page.get_by_role("button", name="Stop").click()
    page.get_by_role("button", name="Record another").wait_for()
