"""`vibekit analyze`: judge recordings."""

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING

from vibekit.commands.options import add_settings_options, settings_each, speeds_each
from vibekit.commands.reader import add_reader_options, reader_from
from vibekit.settings import TESTS, Settings

if TYPE_CHECKING:
    from vibekit.capture.reader import Reader
    from vibekit.reading import Reading
    from vibekit.second_opinion import SecondOpinion


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of `analyze`."""
    parser.add_argument("files", metavar="FILE", nargs="+", help="a recording; several are the motors of one craft under the same test")
    parser.add_argument("--same-motor", action="store_true", help="the files are one motor at several speeds or repeats, judged together")
    parser.add_argument("--baseline", metavar="FILE", action="extend", nargs="+", default=[],
                        help="healthy recordings of the same set-up; each file is compared with those nearest in speed")  # fmt: skip
    parser.add_argument("--baseline-speed", metavar="SPEED", action="append", default=[],
                        help="shaft speed of the baselines, as for --speed; estimated when not given, and where that finds none "
                        "taken from --speed")  # fmt: skip
    parser.add_argument("--second-opinion", action="store_true",
                        help="where the shaft speed is left open, say what pYIN hears too (needs librosa)")  # fmt: skip
    parser.add_argument("--json", action="store_true", help="print one machine-readable object instead of words")
    add_settings_options(parser)
    add_reader_options(parser)


def run(args: argparse.Namespace) -> int:
    """Analyse and print; 1 when nothing could be judged."""
    from vibekit.commands.measuring import check_each_once, measure, motor_names
    from vibekit.commands.spins import show_spins, spins_side_by_side
    from vibekit.frame_evidence import frame_hints
    from vibekit.judging import judge_craft, judge_motor
    from vibekit.result import reading_json, set_json

    settings = settings_each(args, len(args.files))
    healthy = [replace(settings[0], speed_rpm=rpm) for rpm in speeds_each(args.baseline_speed, len(args.baseline))]
    reader = reader_from(args)
    readings = measure(args.files, settings, reader)
    references = [_near_speed(r, args, settings, reader) for r in measure(args.baseline, healthy, reader)]
    check_each_once([*readings, *references])
    names = motor_names(args.files)
    opinions = _opinions(args.files, settings, readings, reader) if args.second_opinion else {}
    if args.same_motor or len(readings) == 1:
        judgement = judge_motor(readings, references=references, hints=frame_hints(readings))
    else:
        judgement = judge_craft(readings, names, references=references)
    motors = {} if args.same_motor else {name: (reading,) for name, reading in zip(names, readings, strict=True)}
    if args.json:
        (first, _), *more = judgement.each
        found = set_json(judgement.each, judgement.together) if more else reading_json(first, judgement.together)
        heard = {"second_opinion": {name: asdict(each) for name, each in opinions.items()}} if args.second_opinion else {}
        print(json.dumps(found | heard | spins_side_by_side(motors), indent=1, allow_nan=False, ensure_ascii=False))
    else:
        from vibekit.commands.show import show
        from vibekit.commands.tap import mode_lines

        if settings[0].test is None:
            print(f"Say with --test how the motor was turned ({', '.join(TESTS)}), and more can be told.\n")
        if settings[0].modes:
            print("\n".join([*mode_lines(settings[0].modes), ""]))
        for name, opinion in opinions.items():
            print(f"{name}, second opinion on the speed: {opinion.words}")
        show_spins(motors)
        show(judgement, positions=names if len(readings) > 1 and not args.same_motor else ())
    return 0 if judgement.usable else 1


def _near_speed(reference: "Reading", args: argparse.Namespace, settings: Sequence[Settings], reader: "Reader") -> "Reading":
    """A baseline whose speed was not given and not found, sought again at the one speed that was given for what is judged."""
    from vibekit.analysis import analyze

    given = {each.speed_rpm for each in settings}
    if reference.speed.rpm or args.baseline_speed or len(given) > 1 or given == {None}:
        return reference
    again = analyze(reader.read(reference.file), settings[0])
    turns = any(line.order == 1 and line.amplitude > line.u95 for line in again.orders)
    found = (
        f"taken as {again.speed.rpm:.0f} rpm, where it shows a line, as given for the others" if turns else "state it with --baseline-speed"
    )
    print(f"{reference.file}: no shaft speed found; {found}", file=sys.stderr)
    return again if turns else reference


def _opinions(
    files: Sequence[str], settings: Sequence[Settings], readings: Sequence["Reading"], reader: "Reader"
) -> dict[str, "SecondOpinion"]:
    """Ask about each file whose speed was estimated, or not found, and is not plain. Raises UsageError without librosa."""
    from vibekit.commands.measuring import motor_names
    from vibekit.screening import steady_part
    from vibekit.second_opinion import second_opinion
    from vibekit.speed import seek_speed

    opinions = {}
    for name, file, given, reading in zip(motor_names(files), files, settings, readings, strict=True):
        speed = reading.speed
        if speed.method in ("none", "estimated") and (speed.rpm is None or len(speed.candidates) > 1):
            recording = reader.read(file)
            part = steady_part(recording, given)
            opinions[name] = second_opinion(recording, given, seek_speed(recording, given, part), part)
    return opinions
