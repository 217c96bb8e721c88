"""`vibekit tap`: modes of the frame from knocks on it."""

import argparse
import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from vibekit.commands.reader import add_reader_options, reader_from

if TYPE_CHECKING:
    from vibekit.mode import FrameMode
    from vibekit.modes import TapTest

HOW = (
    "Battery out, motors standing still. Hold or clamp the craft as in the recordings that are to be judged, sensor in its place.",
    "Knock on each arm five times with a finger or something soft, a second apart, each knock once.",
)


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of `tap`."""
    parser.description = f"{parser.description}. {' '.join(HOW)}"
    parser.add_argument("files", metavar="FILE", nargs="+", help="a recording of knocks, of one arm or of all")
    parser.add_argument("--json", action="store_true", help="print one machine-readable object instead of words")
    parser.add_argument("--roles", metavar="vibration,tacho", help="what each channel holds, or ignore to leave it out")
    parser.add_argument("--unit", metavar="g|m/s2", help="unit of the channels, where the file does not say")
    add_reader_options(parser)


def run(args: argparse.Namespace) -> int:
    """Find the modes and print them; 1 when there is none."""
    from vibekit.mode import merged
    from vibekit.modes import tap_modes

    reader = reader_from(args)
    tests = [(path, tap_modes(reader.read(path))) for path in args.files]
    modes = merged(mode for _, test in tests for mode in test.modes)
    if args.json:
        print(json.dumps(_object(tests, modes), indent=1, allow_nan=False, ensure_ascii=False))
    else:
        for path, test in tests:
            print(f"{path}: {test.knocks} clean knocks, modes sought up to {test.top_hz:.0f} Hz")
            for refused in test.refused:
                print(f"  left out: {refused}")
        for line in mode_lines(modes):
            print(line)
    return 0 if modes else 1


def mode_lines(modes: "Sequence[FrameMode]") -> list[str]:
    """Give a line a mode, and what they mean."""
    from vibekit.screen.near_mode import mode_words

    if not modes:
        return ["No mode stands out. Knock harder, or nearer to the end of an arm."]
    lines = [f"  {mode_words(mode)}; 1x meets it at {60 * mode.frequency_hz:.0f} rpm" for mode in modes]
    return ["Modes of the frame:", *lines, "A run at such a speed shakes the frame however good the propeller is: measure away from it."]


def _object(tests: "Sequence[tuple[str, TapTest]]", modes: "Sequence[FrameMode]") -> dict[str, Any]:
    from vibekit.result import mode_json

    files = [{"file": path, "knocks": test.knocks, "refused": list(test.refused), "top_hz": test.top_hz} for path, test in tests]
    return {"schema": "vibekit.tap/1", "files": files, "modes": [mode_json(mode) for mode in modes]}
