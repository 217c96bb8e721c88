"""An archive whose program is killed, whose disk is full, or that may only be read."""

import signal
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import pytest
import sqlalchemy as sa

from tests.test_archive import CRAFT, WREN, new_reading, recording
from vibekit.archive import Archive
from vibekit.checking import check
from vibekit.errors import UnreadableError
from vibekit.place import find_place

ADDING = """
import sys
from pathlib import Path
from tests.test_archive import CRAFT, WREN, new_reading, recording
from vibekit.archive import Archive
from vibekit.place import find_place
folder = Path(sys.argv[1])
with Archive(find_place(folder / "archive")) as archive:
    archive.put_craft(WREN, CRAFT)
    for n in range(10_000):
        path = folder / f"{n}.wav"
        path.write_bytes(str(n).encode() * 200_000)
        archive.put_readings(CRAFT, [new_reading(path)])
        path.unlink()
        print(n, flush=True)
"""


@pytest.mark.parametrize("after_ms", [2, 9, 23])
def test_killed_while_adding_it_opens_and_checks_clean(tmp_path, after_ms):
    root = Path(__file__).resolve().parent.parent
    worker = subprocess.Popen([sys.executable, "-c", ADDING, str(tmp_path)], stdout=subprocess.PIPE, text=True, cwd=root)
    with worker:
        done = [worker.stdout.readline() for _ in range(3)]
        assert done == ["0\n", "1\n", "2\n"]
        time.sleep(after_ms / 1000)
        worker.send_signal(signal.SIGKILL)
        done += worker.stdout.readlines()
    with Archive(find_place(tmp_path / "archive"), create=False) as archive:
        found = check(archive)
        assert found.problems == ()
        assert len(found.leftovers) <= 1
        assert len(archive.readings("Wren-4")) >= len(done)  # what was said to be kept is kept
        archive.put_readings(CRAFT, [new_reading(recording(tmp_path))])
        assert check(archive).problems == ()


def test_an_archive_that_may_only_be_read_says_so_and_is_still_read(tmp_path):
    """Its file opened as SQLite opens one on a disk that is mounted to be read only; a full disk is not blamed."""
    place = find_place(tmp_path / "archive")
    with Archive(place):
        pass

    def only_read(connection, _):
        connection.execute("PRAGMA query_only = 1")

    with Archive(place) as archive:
        sa.event.listen(archive.database.engine, "connect", only_read)
        assert archive.crafts() == []
        with pytest.raises(UnreadableError, match="readonly database; make its folder one that you may write to") as caught:
            archive.put_craft(WREN, CRAFT)
    assert "full" not in str(caught.value)


def test_a_full_disk_is_named(tmp_path, monkeypatch):
    """What the database says by itself, "disk I/O error", does not tell what to do."""
    with Archive(find_place(tmp_path / "archive")) as archive:
        for free, said in ((0, True), (1 << 30, False)):
            monkeypatch.setattr("shutil.disk_usage", lambda _, free=free: SimpleNamespace(free=free))
            with pytest.raises(UnreadableError) as caught, archive.looking() as session:
                session.execute(sa.text("SELECT nothing FROM nowhere"))
            assert ("its disk is full: make room" in str(caught.value)) is said
