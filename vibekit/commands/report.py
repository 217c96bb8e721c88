"""`vibekit report`: write the report of a craft, of recordings, or of what changed between two days, as HTML or PDF."""

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from vibekit.commands.options import add_settings_options, settings_each
from vibekit.commands.reader import add_reader_options, reader_from
from vibekit.errors import UsageError, check_choice

if TYPE_CHECKING:
    from vibekit.report import ReportContents


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of `report`."""
    parser.add_argument("what", metavar="CRAFT|FILE", nargs="+", help="a craft of the archive, or recordings, one a motor in running order")
    parser.add_argument("-o", "--output", metavar="REPORT.html|.pdf", required=True, help="where to write it")
    parser.add_argument(
        "--title", metavar="TEXT", help="heading of a report of recordings; the recording's name, of several the report's, when not given"
    )
    proof = parser.add_argument_group("before and after, of a craft in the archive")
    proof.add_argument("--before", metavar="DATE", help="day of the readings before, 2026-03-01; or a moment, 2026-03-01T14:30")
    proof.add_argument("--after", metavar="DATE", help="day of the readings after; on one day the first visit is before, the last after")
    proof.add_argument("--photo", metavar="FILE[=TEXT]", action="append", default=[], help="a picture for the document, and what it shows")
    proof.add_argument("--note", metavar="TEXT", action="append", default=[], help="a line for its first sheet")
    parser.add_argument("--paper", metavar="A4|letter", default="A4", help="sheet of a PDF (default: %(default)s)")
    parser.add_argument("--same-motor", action="store_true", help="the recordings are one motor at several speeds or repeats")
    parser.add_argument("--baseline", metavar="FILE", action="extend", nargs="+", default=[],
                        help="healthy recordings of the same set-up, to compare with")  # fmt: skip
    add_settings_options(parser)
    add_reader_options(parser)


def run(args: argparse.Namespace) -> int:
    """Gather, write and say where; 1 when no recording could be judged."""
    from vibekit.report import check_name, write_report

    check_name(args.output)
    check_choice("--paper", args.paper, ("A4", "letter"))
    if (args.before is None) != (args.after is None):
        raise UsageError("--before and --after belong together; give both days")
    if args.before is not None:
        return _proof(args)
    if args.photo or args.note:
        raise UsageError("--photo and --note are for before and after; give --before and --after")
    files = [word for word in args.what if Path(word).is_file() and not word.lower().endswith(".toml")]
    contents = _from_files(args) if files or len(args.what) > 1 else _from_archive(args.what[0])
    write_report(contents, args.output, args.paper)
    print(f"report of {contents.title}: {Path(args.output).absolute()}")
    return 0 if any(r.screening.usable for motor in contents.motors for r in motor.readings) else 1


def _proof(args: argparse.Namespace) -> int:
    from vibekit.archive import Archive
    from vibekit.commands.asking import find_craft
    from vibekit.picture import read_picture
    from vibekit.place import find_place
    from vibekit.proof_gathering import proof_from_archive
    from vibekit.proof_page import render_proof
    from vibekit.report import write_page

    if len(args.what) > 1:
        raise UsageError(f"before and after are of one craft of the archive; {len(args.what)} words are given")
    _, craft = find_craft(args.what[0])
    given = [word.partition("=") for word in args.photo]
    photos = [read_picture(path, caption or Path(path).stem) for path, _, caption in given]
    with Archive(find_place(), create=False) as archive:
        proof = proof_from_archive(archive, craft.name or args.what[0], args.before, args.after, args.note, photos)
    write_page(render_proof(proof), args.output, args.paper)
    print(f"before and after of {proof.title}: {Path(args.output).absolute()}")
    return 0


def _from_archive(word: str) -> "ReportContents":
    from vibekit.archive import Archive
    from vibekit.commands.asking import find_craft
    from vibekit.gathering import contents_from_archive
    from vibekit.place import find_place

    _, craft = find_craft(word)
    with Archive(find_place(), create=False) as archive:
        return contents_from_archive(archive, craft.name or word)


def _from_files(args: argparse.Namespace) -> "ReportContents":
    from vibekit.commands.measuring import check_each_once, measure, motor_names
    from vibekit.frame_evidence import frame_hints
    from vibekit.gathering import contents_from_files
    from vibekit.judging import judge_craft, judge_motor

    settings = settings_each(args, len(args.what))
    reader = reader_from(args)
    readings = measure(args.what, settings, reader)
    references = measure(args.baseline, [replace(settings[0], speed_rpm=None)] * len(args.baseline), reader)
    check_each_once([*readings, *references])
    names = motor_names(args.what)
    title = args.title or (names[0] if len(readings) == 1 else Path(args.output).stem)
    if args.same_motor or len(readings) == 1:
        judged = [(title, readings, judge_motor(readings, references=references, hints=frame_hints(readings)).together)]
    else:
        each = judge_craft(readings, names, references=references).each
        judged = [(name, [reading], diagnosis) for name, (reading, diagnosis) in zip(names, each, strict=True)]
    return contents_from_files(title, judged, references)
