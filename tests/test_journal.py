"""Takes survive what stops the program: kill -9, power loss, a full disk."""

import errno
import os
import random
import resource
import struct
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.streams import RATE, Stream, first_of, form, numbered, steady
from vibekit.capture import journal as journals
from vibekit.capture.finishing import CUT_OFF, finish_journal
from vibekit.capture.journal import BLOCK, Journal, records, unfinished
from vibekit.capture.recorder import Recorder
from vibekit.errors import UnreadableError

ROOT = Path(__file__).resolve().parent.parent
KILLS = int(os.environ.get("VIBEKIT_KILLS", "20"))  # 200 were run by hand; in a row of ten at a time
LEAST_LOSS_S = 1.0


def frames_of(path: Path) -> np.ndarray:
    return soundfile.read(path, dtype="int16")[0]


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL here")
def test_after_kill_9_every_take_is_recovered_but_its_last_moment(tmp_path):
    chance = random.Random(6)
    for batch in range(0, KILLS, 10):
        running = []
        for number in range(batch, min(batch + 10, KILLS)):
            folder, counter = tmp_path / f"takes-{number}", tmp_path / f"count-{number}"
            counter.write_bytes(bytes(8))
            running.append((folder, counter, subprocess.Popen([sys.executable, "-m", "tests.killed_recorder", folder, counter], cwd=ROOT)))
        for folder, counter, process in running:
            until = time.monotonic() + 60
            while struct.unpack("<q", counter.read_bytes())[0] == 0:
                assert time.monotonic() < until, "the recorder did not start"
                time.sleep(0.02)
            time.sleep(chance.uniform(0.0, 0.3))  # of takes of 0.7 s: also while one is finished and the next begins
            process.kill()
            process.wait()
            _check_recovered(folder, struct.unpack("<q", counter.read_bytes())[0])


def _check_recovered(folder: Path, pushed: int) -> None:
    """All takes, finished or recovered now, are whole, and nothing more than LEAST_LOSS_S of what was pushed lacks at the end."""
    left = unfinished(folder)
    assert len(left) <= 1
    for cut_off in left:
        if cut_off.seconds:
            take = finish_journal(cut_off.path)
            assert take.account.ended == CUT_OFF or take.account.frames == round(0.7 * RATE)
            assert dict(take.account.about) == {"craft": "Wren-4"}
    files = sorted(path for path in folder.iterdir() if path.suffix == ".flac")
    ends = [first_of(found) + len(found) for found in map(frames_of, files)]
    assert pushed - max(ends, default=0) <= LEAST_LOSS_S * RATE


def test_a_journal_that_is_being_written_is_not_offered(tmp_path):
    journal = Journal(tmp_path, form(), {}, datetime.now().astimezone())
    journal.block(0, 0, numbered(0, 100).astype(np.float32))
    assert unfinished(tmp_path) == []
    with pytest.raises(UnreadableError, match="another vibekit"):
        finish_journal(journal.path)
    journal.close()
    assert [found.seconds for found in unfinished(tmp_path)] == [100 / RATE]


def test_what_is_on_disk_is_never_older_than_a_second(tmp_path, monkeypatch):
    """The file as it was at the last forced write is all that a power loss is sure to leave; more may be there, and may be rubbish."""
    forced = []
    real = journals.force

    def force(file: int) -> None:
        real(file)
        forced.append((time.monotonic(), os.fstat(file).st_size))

    monkeypatch.setattr(journals, "force", force)
    stream = Stream(steady(2.6))
    recorder = Recorder(stream, tmp_path / "takes")
    pushed = []
    stream.between = lambda number: pushed.append((time.monotonic(), stream.pushed))
    recorder.start()
    began = time.monotonic()
    recorder.done.wait(20)
    whole = next((tmp_path / "takes").glob("*.journal")).read_bytes()
    gaps = np.diff([at for at, _ in forced if at > began])
    assert max(gaps) < 1.0, "seconds between forced writes"
    chance = random.Random(1)
    for k in range(12):
        moment = began + chance.uniform(0.3, 2.5)
        sure = [size for at, size in forced if at <= moment][-1]
        folder = tmp_path / f"after-{k}"
        folder.mkdir()
        rubbish = bytes(chance.randrange(0, 60_000)) if k % 2 else chance.randbytes(chance.randrange(0, 60_000))
        (folder / f"20260301-143000-{k:08x}.journal").write_bytes(whole[:sure] + rubbish)
        (found,) = unfinished(folder)
        have = found.seconds * RATE
        assert [count for at, count in pushed if at <= moment][-1] - have <= RATE
        if have:
            assert first_of(frames_of(finish_journal(found.path).path)) == 0
    recorder.finish()


def test_a_damaged_record_in_the_middle_costs_itself_only_and_is_placed(tmp_path):
    journal = Journal(tmp_path, form(), {}, datetime.now().astimezone())
    for first in range(0, 4800, 480):
        journal.block(first, first, numbered(first, 480).astype(np.float32) / 32768)
    journal.close()
    data = bytearray(journal.path.read_bytes())
    data[len(data) // 2] ^= 0x10
    journal.path.write_bytes(data)
    assert sum(record.kind == BLOCK for record in records(journal.path)) == 9
    take = finish_journal(journal.path)
    (gap,) = take.account.gaps
    assert (gap.missing, gap.filled, gap.why) == (480, 480, "damaged on the disk")
    found = frames_of(take.path)
    assert len(found) == 4800
    assert not found[gap.frame : gap.frame + 480].any()
    assert first_of(found[: gap.frame]) == 0
    assert first_of(found[gap.frame + 480 :]) == gap.frame + 480


def test_finishing_again_after_a_crash_gives_the_same_file(tmp_path):
    journal = Journal(tmp_path, form(), {}, datetime.now().astimezone())
    journal.block(0, 0, numbered(0, 4800).astype(np.float32) / 32768)
    journal.close()
    kept = journal.path.read_bytes()
    first = finish_journal(journal.path)
    data = first.path.read_bytes()
    journal.path.write_bytes(kept)  # as if it had been cut off before the journal was removed
    second = finish_journal(journal.path)
    assert second == first
    assert second.path.read_bytes() == data


@pytest.mark.skipif(sys.platform == "win32", reason="no limit on the size of files here")
def test_when_the_disk_is_full_the_take_is_kept_up_to_then(tmp_path):
    """The operating system's own limit on the size of a file stands for the end of the disk: write() then fails as it does there."""
    recorder = Recorder(Stream(steady(30), of=form()), tmp_path)
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    limit = 8 * RATE  # one second of two channels of four bytes
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, before[1]))
    try:
        recorder.start()
        assert recorder.done.wait(20)
        assert "the disk takes no more" in recorder.ended
        resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, before[1]))
        with pytest.raises(UnreadableError, match="make room"):
            recorder.finish()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    (left,) = unfinished(tmp_path)
    take = finish_journal(left.path)
    assert 0.9 < take.account.frames / RATE <= 1.0
    assert first_of(frames_of(take.path)) == 0


def test_where_nothing_can_be_written_the_take_does_not_begin(tmp_path):
    (tmp_path / "takes").write_text("a file, no folder")
    with pytest.raises(UnreadableError, match="nothing can be written there"):
        Recorder(Stream(steady(1)), tmp_path / "takes").start()


def test_a_disk_that_fails_when_forced_ends_the_take(tmp_path, monkeypatch):
    recorder = Recorder(Stream(steady(5)), tmp_path)
    recorder.start()
    monkeypatch.setattr(journals, "force", _fail)
    assert recorder.done.wait(10)
    assert recorder.ended == "the disk takes no more (Input/output error)"
    monkeypatch.undo()
    take = recorder.finish()
    assert take.account.ended == recorder.ended
    assert first_of(frames_of(take.path)) == 0


def _fail(file: int) -> None:
    raise OSError(errno.EIO, os.strerror(errno.EIO))
