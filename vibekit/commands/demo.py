"""`vibekit demo`: the whole job on an invented craft, each step by the command that a user would type."""

import argparse
import os
import shlex
from pathlib import Path

from vibekit.errors import UsageError

RULE = "-" * 78


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of `demo`."""
    parser.add_argument("files", metavar="FILE", nargs="*", help="recordings of your own instead of the invented craft's")
    parser.add_argument("-o", "--output", metavar="FOLDER", default="demo-output", help="where everything is put (default: %(default)s)")


def run(args: argparse.Namespace) -> int:
    """Do the job and say where the report is; 1 when nothing could be judged."""
    folder = Path(args.output)
    folder.mkdir(parents=True, exist_ok=True)
    if args.files:
        return _own(args.files, folder)
    kept = os.environ.get("VIBEKIT_ARCHIVE")
    os.environ["VIBEKIT_ARCHIVE"] = str((folder / "archive").absolute())  # the user's own archive is not touched
    try:
        return _invented(folder)
    finally:
        os.environ.pop("VIBEKIT_ARCHIVE")
        if kept is not None:
            os.environ["VIBEKIT_ARCHIVE"] = kept


def _own(files: list[str], folder: Path) -> int:
    report = folder / "report.html"
    status = _do("analyze", *files)
    return max(status, _do("report", *files, "-o", str(report), "--title", "Your recordings"))


def _invented(folder: Path) -> int:
    import shutil

    from vibekit.commands.measuring import progress
    from vibekit.craft_file import craft_text
    from vibekit.scene import ANSWERS, PLAN, POSITIONS, described, make_recordings, speed_rpm

    craft, answers, archive = folder / "wren-4.toml", folder / "eye-and-hand.toml", folder / "archive"
    if archive.exists() and not answers.exists():
        raise UsageError(f"{archive} is there and no demo made it; name another folder with -o")
    shutil.rmtree(archive, ignore_errors=True)
    print("The Wren-4 of the Lerchenfeld Rotor Bench in Amsel, invented: recorded when it was sound, and again after a hard landing.")
    print("Its recordings are made by the kit's own simulation of motor, propeller, bearing, frame and sensor.\n")
    craft.write_text(craft_text(described()), encoding="utf-8")
    answers.write_text(ANSWERS, encoding="utf-8")
    takes = list(progress(list(make_recordings(folder / "recordings")), "recording"))
    shown = 0
    for visit in dict.fromkeys(take.taken_at for take in takes):
        for position in POSITIONS:
            for test, _ in PLAN:
                files = [str(t.path) for t in takes if (t.taken_at, t.position, t.test) == (visit, position, test)]
                stated = ("--test", test, "--speed", f"{speed_rpm()}rpm", "--sensor", "contact", "--when", f"{visit:%Y-%m-%dT%H:%M}")
                _do("add", str(craft), position, *files, *stated, "--setup", "contact pick-up on the arm", quiet=True, silent=shown > 1)
                shown += 1
    print(f"  ... and {shown - 2} more like these, one a rotor, test and visit")
    _do("inspect", str(craft), "--answers", str(answers))
    status = _do("compare", "Wren-4")
    return max(status, _do("report", "Wren-4", "-o", str(folder / "report.html")))


def _do(*words: str, quiet: bool = False, silent: bool = False) -> int:
    """Show a command unless `silent`, then run it; its output is left out when `quiet` and it went well."""
    import contextlib
    import io

    from vibekit.cli import main

    if not silent:
        print(f"$ vibekit {shlex.join(words)}")
    held = io.StringIO()
    with contextlib.redirect_stdout(held) if quiet else contextlib.nullcontext():
        status = main(words)
    if status and quiet:
        print(held.getvalue())
    if not quiet:
        print(RULE)
    return status
