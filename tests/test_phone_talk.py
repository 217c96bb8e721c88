"""What must not be said is refused, nothing of it is written, the server lives, and what came before a break is kept."""

import asyncio
import contextlib
import json
import re
import signal
import subprocess
import sys
from types import SimpleNamespace

import aiohttp
import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.phones import HERE, START, closed_with, frame, joined, plan, run, say, serving, still_serves
from tests.test_imports import ROOT
from vibekit.capture.phone.frame import MOST_BYTES, Frame
from vibekit.capture.phone.limits import MOST_TEXT, Pace
from vibekit.capture.phone.take import BROKE, MotionTake
from vibekit.errors import UnreadableError, UsageError

POLICY_VIOLATION, TOO_BIG = 1008, 1009  # RFC 6455, section 7.4.1
SOUND = np.random.default_rng(0).normal(0, 0.1, 2048).astype(np.float32)


@pytest.fixture
def bench(tmp_path):
    with serving(tmp_path) as bench:
        yield bench


async def let_in(line):
    """Start a take; the take of the conversation before may still be put away, and then no other can start."""
    async with asyncio.timeout(10):
        while True:
            await say(line, GO)
            if (await line.receive_json())["type"] == "go":
                return
            await asyncio.sleep(0.02)


async def refused(phone, *messages):
    """Say these in a conversation of their own; give the code with which it is ended."""
    line = await phone.ws_connect("/talk")
    if messages[0] == GO:
        await let_in(line)
        messages = messages[1:]
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


def test_a_cut_connection_keeps_what_came(bench, monkeypatch):
    """From a phone that does not come back."""
    monkeypatch.setattr("vibekit.capture.phone.ongoing.RETURN_S", 0.5)

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
    assert delivery.notes[0] == BROKE


async def begun(phone, first, last, name="one"):
    """Start a take of that name and send frames first to last; give the line."""
    line = await phone.ws_connect("/talk")
    await line.send_str(json.dumps(START | {"take": name, "first": "one"}))
    assert (await line.receive_json())["type"] == "go"
    for i in range(first, last):
        await line.send_bytes(frame(i, i * 2048, SOUND))
    return line


async def answered(line, *kinds):
    """The next word that is of these kinds."""
    while (said := await line.receive_json(timeout=10))["type"] not in kinds:
        pass
    return said


RESUME = json.dumps({"type": "resume", "take": "one"})


def test_a_phone_that_comes_back_goes_on(bench):
    """The connection is cut without a word after 12 frames of 20: the computer says what it has, the rest follows, and it is one take."""

    async def main():
        async with await joined(bench) as phone:
            line = await begun(phone, 0, 12)
            await asyncio.sleep(0.3)
            line._writer.transport.abort()
            again = await phone.ws_connect("/talk")
            await again.send_str(RESUME)
            assert await answered(again, "have") == {"type": "have", "frames": 12}
            for i in range(12, 20):
                await again.send_bytes(frame(i, i * 2048, SOUND))
            await again.send_str('{"type": "end", "frames": 20}')
            assert (await answered(again, "answer"))["kept"] == "Kept."

    run(main())
    (delivery,) = bench.deliveries
    assert np.array_equal(soundfile.read(delivery.path, dtype="float32")[0], np.tile(SOUND, 20))
    assert delivery.notes == ()


def test_an_answer_that_did_not_arrive_is_given_again(bench):
    async def main():
        async with await joined(bench) as phone:
            line = await begun(phone, 0, 4)
            await line.send_str('{"type": "end", "frames": 4}')
            await answered(line, "judging")
            line._writer.transport.abort()
            again = await phone.ws_connect("/talk")
            await again.send_str(RESUME)
            assert (await answered(again, "answer"))["kept"] == "Kept."

    run(main())
    assert len(bench.deliveries) == 1


@pytest.mark.parametrize("closed", ["page closed", "back too late"])
def test_what_was_ended_without_the_phone_may_come_anew(bench, monkeypatch, closed):
    monkeypatch.setattr("vibekit.capture.phone.ongoing.RETURN_S", 0.2)

    async def main():
        async with await joined(bench) as phone:
            line = await begun(phone, 0, 4)
            await asyncio.sleep(0.3)
            if closed == "page closed":
                await line.close(code=1001)
            else:
                line._writer.transport.abort()
            await asyncio.sleep(0.6)
            again = await phone.ws_connect("/talk")
            await again.send_str(RESUME)
            assert await answered(again, "gone", "have", "answer") == {"type": "gone"}
            anew = await begun(phone, 0, 6, "two")
            await anew.send_str('{"type": "end", "frames": 6}')
            await answered(anew, "answer")

    run(main())
    assert [len(soundfile.read(delivery.path)[0]) // 2048 for delivery in bench.deliveries] == [4, 6]
    beginning, whole = bench.deliveries
    assert (beginning.beginnings, whole.beginnings) == ((), (beginning.path,))


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
