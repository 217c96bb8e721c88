"""Who must stay out stays out, what must not be sent is not taken, nothing of it is written, and the server lives."""

import asyncio
import contextlib
import io
import json
import re
import signal
import socket
import ssl
import subprocess
import sys
import time
from types import SimpleNamespace

import aiohttp
import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.phones import HERE, START, frame, join, joined, new_client, plan, run, serving
from tests.test_imports import ROOT
from vibekit.capture.phone.address import bound
from vibekit.capture.phone.frame import MOST_BYTES, Frame
from vibekit.capture.phone.limits import MOST_CONNECTIONS, MOST_TEXT, MOST_UPLOAD, Pace
from vibekit.capture.phone.take import MotionTake
from vibekit.errors import UnreadableError, UsageError

POLICY_VIOLATION, TOO_BIG = 1008, 1009  # RFC 6455, section 7.4.1
SOUND = np.random.default_rng(0).normal(0, 0.1, 2048).astype(np.float32)


@pytest.fixture
def bench(tmp_path):
    with serving(tmp_path) as bench:
        yield bench


def port_of(bench):
    return int(bench.base.rpartition(":")[2])


async def still_serves(bench, client=None):
    """The page still comes, and nothing was written."""
    async with client or new_client(bench) as phone, phone.get("/") as answer:
        assert answer.status == 200
    until = time.monotonic() + 5
    while bench.written and time.monotonic() < until:  # an empty take is being taken away
        await asyncio.sleep(0.02)
    assert bench.written == []


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


async def hang_up(writer):
    writer.transport.abort()
    with contextlib.suppress(OSError):
        await writer.wait_closed()


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


async def closed_with(line):
    """Read until the server hangs up; give its code."""
    async with asyncio.timeout(10):
        while (message := await line.receive()).type not in (aiohttp.WSMsgType.CLOSE, aiohttp.WSMsgType.CLOSED, aiohttp.WSMsgType.CLOSING):
            pass
    return message.data


async def say(line, message):
    await (line.send_bytes(message) if isinstance(message, bytes) else line.send_str(message))


async def refused(phone, *messages):
    """Say these in a conversation of their own; give the code with which it is ended."""
    line = await phone.ws_connect("/talk")
    for message in messages:
        await say(line, message)
    return await closed_with(line)


GO = json.dumps(START)
MALFORMED = {
    "no object": ("7",),
    "no json": ("{",),
    "deep": ("[" * 4000,),
    "long": ('"' + "x" * MOST_TEXT + '"',),
    "unknown": ('{"type": "shell"}',),
    "no type": ("{}",),
    "a frame too early": (frame(0, 0, SOUND),),
    "an empty frame": (GO, b""),
    "half a frame": (GO, frame(0, 0, SOUND)[:20]),
    "another magic": (GO, b"RIFF" + frame(0, 0, SOUND)[4:]),
    "odd bytes": (GO, frame(0, 0, SOUND)[:-1]),
    "not a number": (GO, frame(0, 0, SOUND * np.float32("nan"))),
    "louder than can be": (GO, frame(0, 0, SOUND * np.float32(1e9))),
    "far ahead": (GO, frame(0, 1 << 63, SOUND)),
    "a take in a take": (GO, GO),
    "no rotor": (GO.replace('"position": 0', '"position": 99'),),
    "an end without a number": (GO, '{"type": "end", "frames": "all"}'),
    "an end of negative": (GO, '{"type": "end", "frames": -1}'),
    "sound as motion": (GO.replace("sound", "motion"), frame(0, 0, SOUND[:3])),
}


def test_what_is_malformed_is_refused(bench):
    async def main():
        async with await joined(bench) as phone:
            for name, messages in MALFORMED.items():
                assert await refused(phone, *messages) == POLICY_VIOLATION, name
            await still_serves(bench, phone)

    run(main())
    assert bench.deliveries == []


def test_a_message_that_is_too_big_is_refused(bench):
    async def main():
        async with await joined(bench) as phone:
            line = await phone.ws_connect("/talk")
            await line.send_str(GO)
            await line.send_bytes(bytes(MOST_BYTES + 1))
            assert await closed_with(line) == TOO_BIG
            await still_serves(bench, phone)

    run(main())


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_whatever_comes_the_server_lives(sturdy_talk, data):
    """Random messages, and a good conversation with bits turned over."""
    good = [GO.encode(), frame(0, 0, SOUND[:64]), frame(1, 64, SOUND[:64]), b'{"type": "end", "frames": 2}']
    messages = []
    for whole in good:
        broken = bytearray(whole)
        for at in data.draw(st.lists(st.integers(0, len(whole) - 1), max_size=2)):
            broken[at] ^= data.draw(st.integers(1, 255))
        messages.append(bytes(broken))
    messages += data.draw(st.lists(st.one_of(st.binary(max_size=80), st.text(max_size=80)), max_size=3))
    sturdy_talk(messages, data.draw(st.integers(0, len(messages))))


@pytest.fixture(scope="module")
def sturdy_talk(tmp_path_factory):
    """Says messages in a conversation of their own, then sees that page and folder are as they should be."""
    with serving(tmp_path_factory.mktemp("fuzz")) as bench, asyncio.Runner() as runner:
        bench.server._pace = Pace(1e6, 1e6)
        phone = runner.run(joined(bench))

        async def talk(messages, first):
            line = await phone.ws_connect("/talk")
            for message in messages[first:] + messages[:first]:
                binary = isinstance(message, bytes) and message[:1] != b"{"
                try:
                    await say(line, message if binary or isinstance(message, str) else message.decode("utf-8", "replace"))
                except (ConnectionError, aiohttp.ClientConnectionError):
                    break
            await line.close()
            async with phone.get("/") as answer:
                assert answer.status == 200
            assert {name.rpartition(".")[2] for name in bench.written} <= {"flac", "wav", "json", "csv", "journal", "part"}

        yield lambda messages, first: runner.run(talk(messages, first))
        runner.run(phone.close())
    assert not [name for name in bench.written if name.endswith(("journal", "part"))]


def test_too_many_messages_are_refused(bench, monkeypatch):
    monkeypatch.setattr("vibekit.capture.phone.talk.MESSAGES", (1.0, 50))

    async def main():
        async with await joined(bench) as phone:
            assert await refused(phone, GO, *(frame(i, i, SOUND[:1]) for i in range(200))) == POLICY_VIOLATION

    run(main())


def test_more_than_one_phone_may_send_is_refused(bench, monkeypatch):
    monkeypatch.setattr("vibekit.capture.phone.desk.MOST_TOTAL", 100_000)

    async def main():
        async with await joined(bench) as phone:
            frames = [frame(i, i * 2048, SOUND) for i in range(20)]
            assert await refused(phone, GO, *frames) == POLICY_VIOLATION

    run(main())


def test_a_cut_connection_keeps_what_came(bench):
    async def main():
        async with await joined(bench) as phone:
            line = await phone.ws_connect("/talk")
            await line.send_str(GO)
            assert (await line.receive_json())["type"] == "go"
            for i in range(20):
                await line.send_bytes(frame(i, i * 2048, SOUND))
            await asyncio.sleep(0.2)
            line._writer.transport.abort()

    run(main())
    bench.wait_for(1)
    (delivery,) = bench.deliveries
    assert delivery.position == "north-east"
    assert [name for name in bench.written if name.endswith((".wav", ".flac"))] == [delivery.path.name]
    assert len(soundfile.read(delivery.path)[0]) == 20 * 2048


def test_the_newest_conversation_counts(bench):
    async def main():
        async with await joined(bench) as phone:
            first = await phone.ws_connect("/talk")
            await first.send_str(GO)
            assert (await first.receive_json())["type"] == "go"
            await first.send_bytes(frame(0, 0, SOUND))
            second = await phone.ws_connect("/talk")
            assert await closed_with(first) == 1001
            await second.send_str(GO)
            assert (await second.receive_json())["type"] == "go"
            await second.close()

    run(main())
    bench.wait_for(1)


async def upload(bench, phone, body=b"RIFF", **headers):
    """Send a file; give status and answer."""
    told = {"X-Extension": ".wav", "X-Position": "1"} | {f"X-{name}": value for name, value in headers.items()}
    async with phone.post("/file", data=body, headers=told) as answer:
        return answer.status, await answer.json()


async def endless():
    for _ in range(100):
        yield bytes(1 << 16)


def test_a_file_is_taken_under_a_name_of_ours(bench):
    content = bytes(range(256)) * 5000

    async def main():
        async with await joined(bench) as phone:
            return await upload(bench, phone, io.BytesIO(content), Extension=".M4A", Name="../../evil.m4a")

    status, told = run(main())
    assert (status, told["state"]) == (200, "watch")
    (delivery,) = bench.deliveries
    assert delivery.path.parent == bench.folder
    assert delivery.path.name.endswith("-Wren-4-south-east-phone.m4a")
    assert (delivery.path.read_bytes(), delivery.position, delivery.sensor) == (content, "south-east", None)


def test_files_of_other_kinds_and_for_no_rotor_are_refused(bench):
    async def main():
        async with await joined(bench) as phone:
            for extension in ("", ".exe", "wav", ".wav/../../x", "/etc/passwd", "..", ".py", ".toml", ".sqlite", "x" * 2000):
                assert (await upload(bench, phone, Extension=extension))[0] == 415
            for position in ("", "-1", "2", "99999999", "\u00b2", "0x1", "1.0", "../1"):
                assert (await upload(bench, phone, Position=position))[0] == 400
            assert (await upload(bench, phone, b""))[0] == 411
            assert (await upload(bench, phone, endless()))[0] == 411

    run(main())
    assert bench.written == []


def test_a_file_for_which_there_is_no_room_is_refused(bench, monkeypatch):
    monkeypatch.setattr("vibekit.capture.phone.upload.SPARE_DISK", 1 << 60)

    async def main():
        async with await joined(bench) as phone:
            return await upload(bench, phone)

    status, told = run(main())
    assert status == 507
    assert "space" in told["text"]
    assert bench.written == []


async def half_sent(bench, size):
    """A file of which half a page is sent, on an open line."""
    async with await joined(bench) as phone:
        (cookie,) = phone.cookie_jar
        anyone = ssl.create_default_context()
        anyone.check_hostname, anyone.verify_mode = False, ssl.CERT_NONE
        reader, writer = await asyncio.open_connection(HERE, port_of(bench), ssl=anyone)
        writer.write(
            f"POST /file HTTP/1.1\r\nHost: {bench.base[8:]}\r\nOrigin: {bench.base}\r\nCookie: {cookie.key}={cookie.value}\r\n"
            f"X-Extension: .wav\r\nX-Position: 0\r\nContent-Length: {size}\r\n\r\n".encode()
        )
        writer.write(bytes(2048))
        await writer.drain()
        await asyncio.sleep(0.3)
        return reader, writer


def test_a_file_that_is_too_large_is_refused_before_it_comes(bench):
    async def main():
        reader, writer = await half_sent(bench, MOST_UPLOAD + 1)
        assert (await asyncio.wait_for(reader.readline(), 5)).startswith(b"HTTP/1.1 413")
        await hang_up(writer)

    run(main())
    assert bench.written == []


def test_a_file_that_stops_coming_leaves_nothing(bench, monkeypatch):
    monkeypatch.setattr("vibekit.capture.phone.upload.STALL_S", 0.5)

    async def main():
        reader, writer = await half_sent(bench, 10_000)
        assert len(bench.written) == 1
        assert (await asyncio.wait_for(reader.readline(), 5)).startswith(b"HTTP/1.1 507")
        await hang_up(writer)

    run(main())
    assert bench.written == []


def test_a_file_whose_connection_is_cut_leaves_nothing(bench):
    async def main():
        _, writer = await half_sent(bench, 10_000)
        await hang_up(writer)
        await asyncio.sleep(0.3)

    run(main())
    assert bench.written == []


def test_one_recording_at_a_time(bench):
    async def main():
        async with await joined(bench) as phone:
            line = await phone.ws_connect("/talk")
            await line.send_str(GO)
            assert (await line.receive_json())["type"] == "go"
            async with phone.post("/file", data=b"RIFF", headers={"X-Extension": ".wav", "X-Position": "0"}) as answer:
                assert answer.status == 409
            await line.send_str('{"type": "end", "frames": 0}')
            assert (await line.receive_json())["type"] == "judging"
            said = await line.receive_json()
            assert said["type"] == "problem"
            assert "nothing was recorded" in said["text"]
            await line.send_str('{"type": "bye"}')

    run(main())
    assert bench.written == []


def test_a_judge_that_fails_leaves_the_recording_and_the_server(bench, monkeypatch, caplog):
    monkeypatch.setattr(bench.desk, "_judge", lambda delivery: 1 / 0)

    async def main():
        async with await joined(bench) as phone:
            line = await phone.ws_connect("/talk")
            await line.send_str(GO)
            assert (await line.receive_json())["type"] == "go"
            await line.send_bytes(frame(0, 0, SOUND))
            await line.send_str('{"type": "end", "frames": 1}')
            assert (await line.receive_json())["type"] == "judging"
            said = await line.receive_json()
            assert "ZeroDivisionError" in said["text"]
            await line.send_str(GO)
            assert (await line.receive_json())["type"] == "go"

    run(main())
    assert "judging what the phone sent failed" in caplog.text
    assert len([name for name in bench.written if name.endswith(".wav")]) == 1


def test_a_full_disk_is_said(tmp_path):
    """Writing to /dev/full fails as on a full disk."""
    take = MotionTake(tmp_path, "wren", None)
    take.begin()
    take._log._file.close()
    with contextlib.suppress(OSError), open("/dev/full", "w") as full:
        take._log._file = full
        take.add(Frame(0, 0, 0.0, np.array([[0.0, 1.0, 2.0, 3.0]])))
        with pytest.raises(UnreadableError, match="No space left"):
            take.finish(1)


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


def test_a_take_is_not_longer_than_allowed():
    with pytest.raises(UsageError, match="length"):
        plan(seconds=10_000.0)


def test_ctrl_c_keeps_what_came(tmp_path):
    """The command itself, a phone that is recording, and a user who stops it."""
    words = ["phone", "--test", "bare", "--address", HERE, "-o", str(tmp_path / "takes")]
    code = "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler)\nfrom vibekit.cli import main; sys.exit(main())"
    command = [sys.executable, "-u", "-c", code, *words]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as running:
        shown = ""
        while "Ctrl-C" not in shown:
            shown += running.stdout.readline()
        base, _, token = re.search(r"https://\S+", shown)[0].partition("/#")

        async def main():
            async with await joined(SimpleNamespace(base=base, token=token)) as phone:
                line = await phone.ws_connect("/talk")
                await line.send_str(GO)
                assert (await line.receive_json())["type"] == "go"
                for i in range(30):
                    await line.send_bytes(frame(i, i * 2048, SOUND))
                await asyncio.sleep(0.3)
                running.send_signal(signal.SIGINT)
                await closed_with(line)

        run(main())
        printed = running.stdout.read()
        assert running.wait(30) == 130
    (path,) = [path for path in (tmp_path / "takes").iterdir() if path.suffix in (".wav", ".flac")]
    assert path.name in printed
    assert len(soundfile.read(path)[0]) == 30 * 2048
