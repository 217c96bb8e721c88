"""`vibekit record CRAFT --round`: all rotors in one take, hands free, split by what is heard."""

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from vibekit.capture.reader import Reader
from vibekit.commands.asking import EndedError, ask, print_table, say
from vibekit.commands.keeping import Shelf, completed
from vibekit.commands.measuring import progress
from vibekit.commands.options import parse_length
from vibekit.commands.reader import reader_from
from vibekit.errors import UsageError
from vibekit.round_plan import ROUNDS, longest_s, steps
from vibekit.settings import Settings

if TYPE_CHECKING:
    from vibekit.capture.recorder import Recorder
    from vibekit.kept import NewReading
    from vibekit.recording import Recording
    from vibekit.round_split import Split

RUN_S = 8.0
AROUND_S = 0.5  # that a motor flicked by hand is given on both sides: all of it is a coast-down
TESTS = ("hand-spin", "bare", "prop")
LEFT_OUT = "-"


@dataclass(frozen=True, slots=True)
class _Round:
    """A take to be split: its file, what is stated about it, and what it is a take of."""

    path: Path
    reader: Reader
    shelf: Shelf
    given: Settings
    folder: Path


def record_round(args: argparse.Namespace, shelf: Shelf, given: Settings, folder: Path) -> int:
    """Record or read a round, split, judge and keep it; 1 when its order stays unclear or nothing can be judged."""
    from vibekit.round_check import check_order, check_round
    from vibekit.round_split import split_round

    positions = shelf.craft.positions
    if len(positions) < 2:
        raise UsageError(f"the description of {shelf.craft.name} names {len(positions)} rotors; a round needs two or more")
    if given.test not in TESTS:
        raise UsageError(f"--test is {given.test or 'not given'}; in a round the motors turn by hand-spin, bare or prop")
    made = _made(args, shelf, given, folder)
    if made is None:
        print("nothing was recorded")
        return 1
    split = split_round(made.reader.read(made.path), ROUNDS * len(positions))
    if not split.runs:
        print(f"no run is heard in it, so nothing was kept; the take is here: {made.path}")
        return 1
    doubts = check_order(split, positions, ROUNDS, by_hand=given.test == "hand-spin")
    order: list[str] | None = list(positions) * ROUNDS
    _show(split, order if order and len(order) == len(split.runs) else ["?"] * len(split.runs))
    for doubt in doubts:
        say(f"- {doubt}", sys.stdout)
    if doubts:
        order = None if args.yes else _ask_order(split, positions)
    if order is None:
        print(f"nothing was kept; the take is here: {made.path}; to name its runs: vibekit record ... --round --file {made.path}")
        return 1
    split = replace(split, runs=tuple(run for run, position in zip(split.runs, order, strict=True) if position != LEFT_OUT))
    new = _measured(made, split, [position for position in order if position != LEFT_OUT])
    for remark in check_round(split, [each.position for each in new], [each.reading for each in new]):
        say(f"- {remark}", sys.stdout)
    return _judged(made, new)


def _made(args: argparse.Namespace, shelf: Shelf, given: Settings, folder: Path) -> _Round | None:
    """The take, recorded now or named with --file; None when the bench was not ready."""
    from vibekit.commands.sources import choose_source
    from vibekit.commands.taking import is_ready, take, warn
    from vibekit.round_split import END_S, is_over

    if args.file:
        return _Round(Path(args.file), reader_from(args), shelf, given, folder)
    craft = shelf.craft
    run_s = parse_length(args.length, "--for") if args.length else RUN_S
    warn(craft, given)
    for number, step in enumerate(steps(craft.turned, craft.positions, given.test, run_s), 1):
        say(f"{number}. {step}", sys.stdout)
    length_s = longest_s(craft.turned, len(craft.positions), run_s)
    print(f"The take ends {END_S:g} s after the last run, at the latest after {length_s / 60:.0f} min; Ctrl-C ends it sooner.")
    chosen = choose_source(args, given.sensor)
    print(f"from {chosen.words}")
    if not (args.yes or is_ready()):
        return None
    about = {"craft": craft.name or "", "position": "round", "test": given.test or "", "setup": shelf.setup}
    given = replace(given, sensor=given.sensor or chosen.source.form.sensor)
    taken = take(
        chosen.source,
        folder,
        about,
        length_s=length_s,
        countdown=args.countdown,
        is_over=lambda recorder: is_over(_heard(recorder), ROUNDS * len(craft.positions)),
    )
    return _Round(taken.path, chosen.reader, shelf, given, folder)


def _heard(recorder: "Recorder") -> "Recording":
    from vibekit.recording import Recording

    return Recording(recorder.so_far().T, recorder.form.rate_hz, recorder.form.channels)


def _show(split: "Split", order: Sequence[str]) -> None:
    """What is heard, a line a run."""
    rows = [
        (
            number,
            position,
            f"{run.start_s:.1f} to {run.stop_s:.1f}",
            f"{run.steady_s[1] - run.steady_s[0]:.1f}",
            f"{run.levels_db.mean():.0f}",
        )
        for number, (run, position) in enumerate(zip(split.runs, order, strict=True), 1)
    ]
    print_table(("run", "rotor", "heard, s", "steady, s", "dB over background"), rows)


def _ask_order(split: "Split", positions: Sequence[str]) -> list[str] | None:
    """Ask which rotor each run was; None when nobody answers."""
    while True:
        try:
            answer = ask(f"Which rotors, in the order heard? {', '.join(positions)}; {LEFT_OUT} leaves a run out: ", sys.stdout)
        except EndedError:
            return None
        order = [word.strip() for word in answer.split(",")]
        if len(order) == len(split.runs) and set(order) <= {*positions, LEFT_OUT} and set(order) != {LEFT_OUT}:
            return order
        print(f"name a rotor or {LEFT_OUT} for each of the {len(split.runs)} runs, with commas between")


def _measured(made: _Round, split: "Split", order: Sequence[str]) -> "list[NewReading]":
    """Cut the steady part out of each run and analyse it."""
    from vibekit.analysis import analyze
    from vibekit.capture.cutting import cut
    from vibekit.kept import NewReading
    from vibekit.packing import pack

    raw = replace(made.reader, unit=None, sensitivity=None)
    calibration = Reader(unit=made.reader.unit, sensitivity=made.reader.sensitivity)
    recording = raw.read(made.path)
    began = recording.start or datetime.fromtimestamp(made.path.stat().st_mtime, UTC)
    made.folder.mkdir(parents=True, exist_ok=True)
    craft = made.shelf.craft
    new = []
    for number, (run, position) in progress(list(enumerate(zip(split.runs, order, strict=True), 1)), "analysing"):
        about = {"craft": craft.name or "", "position": position, "test": made.given.test or "", "setup": made.shelf.setup}
        span_s = (run.start_s - AROUND_S, run.stop_s + AROUND_S) if made.given.test == "hand-spin" else run.steady_s
        part = cut(recording, span_s, made.folder / f"{made.path.stem}-{number}", about, began)
        reading = analyze(calibration.read(part.path), completed(made.given, craft, position))
        new.append(NewReading(position, part.path, reading, made.shelf.setup, pack(calibration), part.account.started))
    return new


def _judged(made: _Round, new: "list[NewReading]") -> int:
    """Keep what can be judged, judge the craft, and remove the parts that the archive now holds."""
    from vibekit.archive import Archive
    from vibekit.casefile import open_case
    from vibekit.commands.show import show_craft
    from vibekit.commands.spins import show_spins
    from vibekit.place import find_place
    from vibekit.verdict_keeping import add_readings

    fit = [each for each in new if each.reading.screening.usable]
    for each in new:
        if each not in fit:
            print(f"{each.position}: cannot be judged: {each.reading.screening.problems[0].detail} The part stays here: {each.file}")
    if not fit:
        return 1
    craft = made.shelf.craft
    with Archive(find_place()) as archive:
        if made.shelf.description is not None:
            archive.put_craft(made.shelf.description, craft)
        add_readings(archive, craft, fit)
        case = open_case(archive, craft.name or "")
    for each in fit:
        for file in (each.file, each.file.with_suffix(".json")):
            file.unlink(missing_ok=True)
    verdicts = case.judge()
    print(f"{len(fit)} runs kept for {craft.name}; the whole take stays here: {made.path}")
    readings = {motor.position: motor.readings for motor in case.motors}
    show_spins(readings)
    show_craft(verdicts, readings, numbers=False)
    return 0
