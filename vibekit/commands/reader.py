"""The options that state what a file does not say."""

import argparse

from vibekit.capture.reader import Reader
from vibekit.errors import UsageError


def add_reader_options(parser: argparse.ArgumentParser) -> None:
    """Add --sensitivity, --columns, --time-unit and --rate; --roles and --unit are with the settings."""
    about = parser.add_argument_group("what the file does not say")
    about.add_argument("--sensitivity", metavar="NUMBER", type=float, help="how many of --unit one stored 1 is")
    about.add_argument("--columns", metavar="X,Y", help="columns of a text log to read, by name or by number from 1")
    about.add_argument("--time-unit", metavar="s|ms|us|ns", help="unit of a text log's time column")
    about.add_argument("--rate", metavar="48000Hz", help="samples a second of a text log without a time column")


def reader_from(args: argparse.Namespace) -> Reader:
    """Give what is stated about the files. Raises UsageError."""
    return Reader(_listed(args.roles), args.unit, args.sensitivity, _listed(args.columns), args.time_unit, _rate(args.rate))


def _listed(text: str | None) -> tuple[str, ...] | None:
    return None if text is None else tuple(word.strip() for word in text.split(","))


def _rate(text: str | None) -> float | None:
    if text is None:
        return None
    number = text.strip().lower().removesuffix("hz")
    try:
        if 0 < (rate := float(number)) < 1e9:
            return rate
    except ValueError:
        pass
    raise UsageError(f"--rate is {text!r}; write it in Hz, such as 6667Hz, above 0")
