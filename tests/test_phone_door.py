"""Who must stay out stays out, under whatever address, name or token, and nothing listens that need not."""

import asyncio
import socket
import ssl
import time

import pytest

from tests.phones import HERE, closed_with, hang_up, join, joined, new_client, plan, port_of, run, serving, still_serves
from vibekit.capture.phone.address import bound
from vibekit.capture.phone.limits import MOST_CONNECTIONS, MOST_TEXT
from vibekit.errors import UsageError


@pytest.fixture
def bench(tmp_path):
    with serving(tmp_path) as bench:
        yield bench


def raw(bench, data, tls=True):
    """What the server answers to these bytes, until it hangs up."""
    plain = socket.create_connection((HERE, port_of(bench)), timeout=5)
    anyone = ssl.create_default_context()
    anyone.check_hostname, anyone.verify_mode = False, ssl.CERT_NONE
    with anyone.wrap_socket(plain) if tls else plain as line:
        line.sendall(data)
        answer = b""
        try:
            while block := line.recv(65536):
                answer += block
        except OSError:  # it hung up hard
            pass
        return answer


def test_without_the_token_nobody_enters(bench):
    bodies = (b"", b"[]", b"{}", b'"token"', b"{", b"\xff\xfe", b"[" * 4000, b'{"token": "' + b"x" * MOST_TEXT + b'"}')

    async def main():
        async with new_client(bench) as phone:
            for token in ("", "x" * 22, bench.token[:-1], "\udce4", None, 7, ["a"], {"a": 1}):
                assert await join(phone, token) in (400, 403), token
            for body in bodies:
                async with phone.post("/join", data=body) as answer:
                    assert answer.status in (400, 413), body
            assert (await phone.get("/talk")).status == 403
            assert (await phone.post("/file", data=b"x")).status == 403
        await still_serves(bench)

    run(main())
    assert "someone came with a wrong token and was refused" in bench.told


def test_a_token_opens_once_and_for_one_phone(bench):
    async def main():
        async with await joined(bench) as first, new_client(bench) as second:
            assert await join(second, bench.token) == 409
            assert (await second.get("/talk")).status == 403
            assert (await second.post("/file", data=b"x", headers={"X-Extension": ".wav", "X-Position": "0"})).status == 403
            assert await join(first, "") == 200  # the same page, loaded again
            (cookie,) = first.cookie_jar
            assert cookie["secure"]
            assert cookie["httponly"]
            assert (cookie["samesite"], cookie["path"], cookie["domain"]) == ("Strict", "/", HERE)
            second.cookie_jar.update_cookies({cookie.key: cookie.value[:-1]})
            assert (await second.get("/talk")).status == 403

    run(main())
    assert "a second phone came and was refused; start again to use another" in bench.told


def test_another_server_has_another_token(tmp_path):
    with serving(tmp_path) as before:
        old = before.token
    with serving(tmp_path) as after:

        async def main():
            async with new_client(after) as phone:
                assert await join(phone, old) == 403

        run(main())


def test_other_pages_cannot_use_the_phones_pass(bench):
    async def main():
        async with await joined(bench) as phone:
            for origin in ("", "null", "https://evil.example", "http://127.0.0.1"):
                for path, ask in (("/talk", phone.get), ("/file", phone.post), ("/join", phone.post)):
                    async with ask(path, headers={"Origin": origin}) as answer:
                        assert answer.status == 403

    run(main())


def test_another_host_name_is_refused(bench):
    """A name that an attacker's name server points here (DNS rebinding)."""
    answer = raw(bench, b"GET / HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n")
    assert answer.startswith(b"HTTP/1.1 421")


def test_plain_http_is_refused(bench):
    answer = raw(bench, b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", tls=False)
    assert b"HTTP" not in answer
    run(still_serves(bench))


def test_old_tls_is_refused(bench):
    old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    old.check_hostname, old.verify_mode = False, ssl.CERT_NONE
    with pytest.warns(DeprecationWarning, match="TLS"):
        old.minimum_version, old.maximum_version = ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1
    with socket.create_connection((HERE, port_of(bench)), timeout=5) as line, pytest.raises(ssl.SSLError):
        old.wrap_socket(line)


def test_only_this_address_is_listened_at(bench):
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.2", port_of(bench)), timeout=5)


@pytest.mark.parametrize("address", ["256.1.1.1", "evil.example", "", "198.51.100.1"])
def test_an_address_that_is_not_ours_is_a_usage_error(address):
    with pytest.raises(UsageError, match="address"):
        bound(address, 0)


PATHS = (
    "/../../../etc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "/..%2f..%2fetc/passwd", "/phone.css/../server.py", "/server.py",
    "/web/phone.js", "/phone.css%00.html", "//etc/passwd", "/.git/config", "/file", "/join", "/web/__init__.py",
)  # fmt: skip


def test_nothing_but_the_page_is_served(bench):
    for path in PATHS:
        answer = raw(bench, f"GET {path} HTTP/1.1\r\nHost: {bench.base[8:]}\r\nConnection: close\r\n\r\n".encode())
        assert answer.split()[1] in (b"400", b"403", b"404", b"405"), path
        assert b"root:" not in answer
        assert b"import" not in answer


def test_every_answer_carries_the_headers(bench):
    """As the OWASP Secure Headers Project lists them (from memory)."""

    async def main():
        async with await joined(bench) as phone:
            for path in ("/", "/phone.js", "/tap.js", "/nothing", "/talk"):
                async with phone.get(path) as answer:
                    told = answer.headers
                    policy = told["Content-Security-Policy"]
                    assert "default-src 'none'" in policy
                    assert "frame-ancestors 'none'" in policy
                    assert "unsafe" not in policy
                    assert "*" not in policy
                    assert told["X-Content-Type-Options"] == "nosniff"
                    assert told["Referrer-Policy"] == "no-referrer"
                    assert told["Cache-Control"] == "no-store"
                    assert "camera=()" in told["Permissions-Policy"]
                    assert told["Server"] == "vibekit"

    run(main())


def test_a_flood_is_turned_away(tmp_path, monkeypatch):
    """With a pace that a busy computer reaches too."""
    monkeypatch.setattr("vibekit.capture.phone.server.QUESTIONS", (2.0, 30))
    with serving(tmp_path) as bench:

        async def main():
            async with new_client(bench) as phone:
                began = time.monotonic()
                seen = [(await phone.get("/nothing")).status for _ in range(60)]
                assert 30 <= seen.count(404) <= 30 + 2 * (time.monotonic() - began) + 1
                assert seen.count(404) + seen.count(429) == 60
                await asyncio.sleep(1)
            await still_serves(bench)

        run(main())


def test_more_connections_than_allowed_are_hung_up(bench):
    async def main():
        anyone = ssl.create_default_context()
        anyone.check_hostname, anyone.verify_mode = False, ssl.CERT_NONE
        ask = [asyncio.open_connection(HERE, port_of(bench), ssl=anyone) for _ in range(2 * MOST_CONNECTIONS)]
        lines = await asyncio.gather(*ask, return_exceptions=True)
        let_in = [line[1] for line in lines if not isinstance(line, OSError)]
        assert MOST_CONNECTIONS // 2 < len(let_in) <= MOST_CONNECTIONS
        for line in let_in:
            await hang_up(line)
        await asyncio.sleep(0.1)
        await still_serves(bench)

    run(main())


def gone(bench, seconds=5):
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        try:
            socket.create_connection((HERE, port_of(bench)), timeout=1).close()
        except ConnectionRefusedError:
            return True
        time.sleep(0.05)
    return False


def test_nothing_listens_after_use(bench):
    async def main():
        async with await joined(bench) as phone:
            line = await phone.ws_connect("/talk")
            await line.send_str('{"type": "bye"}')
            assert await closed_with(line) == 1001

    run(main())
    assert gone(bench)
    assert bench.told[-1] == "the phone is done"


def test_nothing_listens_when_no_phone_comes(tmp_path):
    with serving(tmp_path, plan(), wait_s=0.2) as bench:
        assert gone(bench)
