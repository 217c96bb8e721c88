"""Files of the phone's own: taken under a name of ours and where there is room, else refused, and nothing of them is left."""

import asyncio
import io
import ssl

import pytest

from tests.phones import HERE, hang_up, joined, port_of, run, serving
from vibekit.capture.phone.limits import MOST_UPLOAD
from vibekit.errors import UnreadableError


@pytest.fixture
def bench(tmp_path):
    with serving(tmp_path) as bench:
        yield bench


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


def test_a_file_that_cannot_be_judged_stays(bench, monkeypatch):
    """The archive is full, or the judge fails: the recording is there all the same, and said to be."""

    def full(delivery):
        raise UnreadableError("the archive takes no more (No space left on device)")

    monkeypatch.setattr(bench.desk, "_judge", full)

    async def main():
        async with await joined(bench) as phone:
            return await upload(bench, phone)

    status, told = run(main())
    assert (status, len(bench.written)) == (422, 1)
    assert "takes no more" in told["text"]
    assert f"the file stays: {bench.folder / bench.written[0]}" in bench.told[-1]


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
