"""Records take after take until it is killed; writes to a file how many frames were pushed in all. Run by test_journal."""

import mmap
import struct
import sys
from pathlib import Path

from tests.streams import Stream, numbered
from vibekit.capture.recorder import Recorder

LENGTH_S = 0.7
BLOCK = 480


def main(folder: Path, counter: Path) -> None:
    with counter.open("r+b") as file:
        shared = mmap.mmap(file.fileno(), 8)
        pushed = 0

        def pieces():
            nonlocal pushed
            for number in range(10_000):
                yield (number + 1) * BLOCK / 48_000, numbered(pushed, BLOCK), 0, ""
                pushed += BLOCK
                shared[:] = struct.pack("<q", pushed)

        while True:
            recorder = Recorder(Stream(pieces()), folder, about={"craft": "Wren-4"}, length_s=LENGTH_S)
            recorder.start()
            recorder.done.wait()
            recorder.finish()


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
