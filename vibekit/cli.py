"""The command line: a table of commands; a command's module is imported when it is chosen."""

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module

import vibekit
from vibekit.errors import VibekitError

COMMANDS = {
    "analyze": "judge recordings: one motor, the motors of one craft, or one motor at several speeds",
    "add": "analyse a recording of one motor of a craft and keep it in the archive",
    "record": "record a motor from a microphone, an interface or a serial sensor; judge and keep it",
    "phone": "record with a phone: its browser sends sound or files, this computer judges",
    "tap": "modes of the frame from knocks on it, motors standing still",
    "craft": "describe a craft: ask for what is known and write it as TOML",
    "inspect": "the eye-and-hand check, question by question; its answers are kept",
    "balance": "balance a propeller or bell, with phase or by amplitude alone, step by step",
    "part": "note what was done to a part: cleaned, tightened, refitted, replaced",
    "refit": "what taking a propeller off and putting it back does by itself, measured before any change is believed",
    "swap": "swap the propellers of two rotors: does the fault go with the propeller or stay with the motor",
    "compare": "motors of a craft with each other and with their own past",
    "report": "write the report of a craft, or of recordings, as HTML or PDF",
    "archive": "list, show, remove, check, remake, export or import what is kept",
    "gui": "the window: the whole job on the screen, live and from files",
    "demo": "the whole job on an invented craft",
}


ALLOWED = {"invalid int value:": "must be a whole number, not", "invalid float value:": "must be a number, not"}  # for argparse's words


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> None:  # type: ignore[override]
        for theirs, ours in ALLOWED.items():
            message = message.replace(theirs, ours)
        self.exit(2, f"vibekit: {message}; see `{self.prog} --help`\n")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; give its exit status: 0 done, 1 the recording could not be judged, 2 wrong usage or unreadable file."""
    words = list(sys.argv[1:] if argv is None else argv)
    parser = _Parser(prog="vibekit", description=vibekit.__doc__)
    parser.add_argument("--version", action="version", version=f"vibekit {vibekit.__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    chosen = next((word for word in words if not word.startswith("-")), None)
    for name, text in COMMANDS.items():
        command = commands.add_parser(name, help=text, description=text)
        if name == chosen:
            import_module(f"vibekit.commands.{name}").configure(command)
    args = parser.parse_args(words)
    try:
        status: int = import_module(f"vibekit.commands.{args.command}").run(args)
        sys.stdout.flush()
    except VibekitError as error:
        print(f"vibekit: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("vibekit: stopped", file=sys.stderr)
        return 130
    except BrokenPipeError:  # who reads our output, such as `| head`, has enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # so that closing it does not complain again
        return 0
    return status
