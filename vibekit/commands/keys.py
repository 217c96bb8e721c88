"""Keys pressed on the terminal while something runs, one by one, without Enter."""

import contextlib
import os
import sys
from collections.abc import Callable, Iterator


@contextlib.contextmanager
def keys() -> Iterator[Callable[[], str] | None]:
    """Give a function that gives the next key pressed, "" while there is none; None where no keys can come."""
    if not sys.stdin.isatty():
        yield None
    elif sys.platform == "win32":
        import msvcrt

        yield lambda: msvcrt.getwch() if msvcrt.kbhit() else ""
    elif not _in_front(sys.stdin.fileno()):
        yield None
    else:
        import select
        import termios
        import tty

        terminal = sys.stdin.fileno()
        before = termios.tcgetattr(terminal)
        tty.setcbreak(terminal)  # Ctrl-C interrupts as ever
        try:
            yield lambda: os.read(terminal, 1).decode(errors="replace") if select.select([terminal], [], [], 0)[0] else ""
        finally:
            termios.tcsetattr(terminal, termios.TCSAFLUSH, before)


def _in_front(terminal: int) -> bool:
    """Whether this program may set up its terminal: one in the background is stopped by that."""
    try:
        return os.tcgetpgrp(terminal) == os.getpgrp()
    except OSError:  # not the terminal that controls us
        return True
