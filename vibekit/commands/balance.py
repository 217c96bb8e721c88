"""`vibekit balance`: balance a rotor step by step, by questions or from files; each recording is kept at once."""

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from vibekit.commands.asking import EndedError, ask, find_craft, say
from vibekit.commands.options import add_settings_options, parse_speed, settings_each
from vibekit.commands.reader import add_reader_options, reader_from
from vibekit.craft import Craft
from vibekit.errors import UsageError, VibekitError
from vibekit.moment import local
from vibekit.normal import Z95
from vibekit.unbalance import USUAL_GRADE

if TYPE_CHECKING:
    from vibekit.archive import Archive
    from vibekit.balance_bench import BalanceBench
    from vibekit.balance_job import BalanceJob, Stage
    from vibekit.balance_step import Step
    from vibekit.spots import Stock, Weight

ENDED = "ended by the user"
METHODS = ("phase", "amplitude")
HOW = (
    "Type the recordings of this state, or: mounted PLACE=g ..., back (takes the last one back), refitted, overrule, end TEXT, "
    "q to stop (it goes on where it stood)."
)


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of `balance`."""
    parser.add_argument("craft", metavar="CRAFT", help="the craft's TOML file, or its name in the archive")
    parser.add_argument("position", metavar="POSITION", help="the rotor's name")
    parser.add_argument("files", metavar="FILE", nargs="*", help="right after POSITION: recordings of the rotor as it is; else it asks")
    begin = parser.add_argument_group("to begin a job", "places, masses and grade may be changed later, too, by giving them again")
    begin.add_argument("--method", metavar="|".join(METHODS), help="phase wants a tacho channel; amplitude a weight at three places")
    begin.add_argument("--places", metavar="PLACE", nargs="+",
                       help="where weights may go, with the radius in mm: blades@45, flanks@20, hub@6 (propeller), "
                            "holes6@9, rim@14 (bell), 30+150@12 (degrees); a - behind it: material comes off there")  # fmt: skip
    begin.add_argument("--planes", metavar="propeller,bell", help="where weights go (default: propeller)")
    begin.add_argument("--tape", metavar="mg/mm2,mm", help="mass of an area of the tape at hand, and its width, such as 0.11,6")
    begin.add_argument("--pieces", metavar="g,g", help="weights at hand, such as 0.02,0.05,0.1")
    begin.add_argument("--step", metavar="g", type=float, help="what is weighed, or taken off, in steps of this mass")
    begin.add_argument("--propeller-mass", metavar="g", type=float, help="where the craft's description does not say")
    begin.add_argument("--rotor-mass", metavar="g", type=float, help="of all that turns, propeller, bell and shaft, for the grade")
    begin.add_argument("--grade", metavar="G", type=float,
                       help=f"balance quality by ISO 21940-11 (default: {USUAL_GRADE:g}, that of fans)")  # fmt: skip
    begin.add_argument("--repeats", metavar="N", type=int, help="recordings of each state and speed (default: 3)")
    begin.add_argument("--setup", metavar="TEXT", help="sensor, its place and fixing; leave it as it is for the whole job")
    begin.add_argument("--trim", action="store_true", help="use what an earlier job in this set-up has learnt; no trial weight then")
    begin.add_argument("--new", action="store_true", help="begin a new job though one is open")
    onward = parser.add_argument_group("to go on")
    onward.add_argument("--mounted", metavar="PLACE=g", nargs="*", help="all that is on the rotor now, where it is not what was asked for")
    onward.add_argument("--back", action="store_true", help="take back the last recording, or the weights where none was made with them")
    onward.add_argument("--refitted", action="store_true", help="the propeller was taken off and put back: begins again")
    onward.add_argument("--keep-trials", action="store_true", help="trial weights stay on under the correction")
    onward.add_argument("--overrule", action="store_true", help="go on though balancing is refused")
    onward.add_argument("--end", metavar="TEXT", help="end the job, and why")
    parser.add_argument("--json", action="store_true", help="print the next step as one object")
    add_settings_options(parser)
    add_reader_options(parser)


def run(args: argparse.Namespace) -> int:
    """Go on with the job that is open, or begin one; 1 when balancing is refused."""
    from vibekit.archive import Archive
    from vibekit.place import find_place

    if args.test not in (None, "prop"):
        raise UsageError(f"--test is {args.test!r}; a rotor is balanced run steadily with its propeller, so leave it out or say prop")
    description, craft = find_craft(args.craft)
    craft.rotor(args.position)
    out = sys.stderr if args.json else sys.stdout
    with Archive(find_place()) as archive:
        if description is not None:
            archive.put_craft(description, craft)
        bench = _open(args, craft, archive, out)
        _apply(args, craft, bench, out)
        if not (args.files or args.end is not None or args.json):
            _converse(args, craft, bench, out)
        elif args.json:
            print(json.dumps(_object(bench), indent=1, ensure_ascii=False, allow_nan=False))
        else:
            _tell(bench.step, out)
        return 1 if bench.step.kind == "refused" else 0


def _open(args: argparse.Namespace, craft: Craft, archive: "Archive", out: TextIO) -> "BalanceBench":
    from vibekit.balance_bench import BalanceBench, coefficients_from, open_job
    from vibekit.balance_job import COUNTED, MARK

    name = craft.name or ""
    modes = settings_each(argparse.Namespace(**{**vars(args), "speed": []}), 1)[0].modes
    kept = None if args.new else open_job(archive, name, args.position)
    takes = sum(len(r.takes) for part in (kept.job.rounds, kept.job.void) for r in part) if kept else 0
    if kept and (takes or not (args.method and args.places)):
        say(f"Going on with the job begun {local(kept.began_at)}: {takes} recordings kept.", out)
        bench = BalanceBench(archive, kept.job, kept.id, modes)
        if (job := _changed(args, craft, kept.job)) != kept.job:
            bench.keep(job)
            say("Changed as given.", out)
        return bench
    job = _begun(args, craft, out)
    bench = BalanceBench(archive, coefficients_from(archive, job) if args.trim else job, kept.id if kept else None, modes)
    bench.keep(bench.job)
    say(MARK, out)
    say(COUNTED, out)
    return bench


def _begun(args: argparse.Namespace, craft: Craft, out: TextIO) -> "BalanceJob":
    from vibekit.balance_job import BalanceJob
    from vibekit.spots import PROPELLER, spots_from

    method: Any = args.method or _wanted("Is a tacho on a second channel? [phase] yes, [amplitude] no", "--method", out)
    places = args.places or _wanted("Where may weights go, such as blades@45 hub@6 (radius in mm)?", "--places", out).split()
    propeller = craft.rotor(args.position).propeller
    return BalanceJob(
        craft=craft.name or "",
        position=args.position,
        method=method,
        spots=spots_from(places, args.blades or propeller.blades),
        stock=_stock(args),
        planes=_planes(args) or (PROPELLER,),
        setup=args.setup or "",
        propeller_g=propeller.mass_g if args.propeller_mass is None else args.propeller_mass,
        rotor_g=args.rotor_mass,
        grade=USUAL_GRADE if args.grade is None else args.grade,
        speeds_rpm=_speeds(args),
        repeats=3 if args.repeats is None else args.repeats,
    )


def _changed(args: argparse.Namespace, craft: Craft, job: "BalanceJob") -> "BalanceJob":
    """The job with what was given anew. Raises UsageError for what recordings already rest on."""
    from vibekit.spots import spots_from

    fixed = (
        ("--method", args.method, job.method),
        ("--planes", _planes(args), job.planes),
        ("--speed", _speeds(args), job.speeds_rpm),
        ("--repeats", args.repeats, job.repeats),
        ("--setup", args.setup, job.setup),
    )
    for option, given, stands in fixed:
        if given not in (None, (), stands):
            told = [", ".join(f"{v:g} rpm" if isinstance(v, float) else str(v) for v in (x if isinstance(x, tuple) else [x])) or "none"
                    for x in (given, stands)]  # fmt: skip
            raise UsageError(f"{option} is {told[0]}, and the job that is open was begun with {told[1]}; leave it out, or add --new")
    return replace(
        job,
        spots=spots_from(args.places, args.blades or craft.rotor(args.position).propeller.blades) if args.places else job.spots,
        stock=_stock(args) if args.tape or args.pieces or args.step else job.stock,
        propeller_g=job.propeller_g if args.propeller_mass is None else args.propeller_mass,
        rotor_g=job.rotor_g if args.rotor_mass is None else args.rotor_mass,
        grade=job.grade if args.grade is None else args.grade,
    )


def _planes(args: argparse.Namespace) -> tuple[str, ...]:
    return tuple(args.planes.split(",")) if args.planes else ()


def _speeds(args: argparse.Namespace) -> tuple[float, ...]:
    return tuple(sorted(parse_speed(text) for given in args.speed for text in given.split(",")))


def _stock(args: argparse.Namespace) -> "Stock":
    from vibekit.spots import Stock

    tape = _numbers(args.tape, "--tape")
    if len(tape) not in (0, 2):
        raise UsageError(f"--tape is {args.tape!r}; write its mass in mg/mm2 and its width in mm, such as 0.11,6")
    density, width = tape or (None, None)
    return Stock(_numbers(args.pieces, "--pieces"), density, width, step_g=args.step)


def _wanted(question: str, option: str, out: TextIO) -> str:
    try:
        return ask(f"{question} ", out)
    except EndedError:
        raise UsageError(f"{option} is not given; a new balancing job needs it: {question}") from None


def _numbers(text: str | None, option: str) -> tuple[float, ...]:
    try:
        return tuple(float(word) for word in (text or "").split(",") if word)
    except ValueError:
        raise UsageError(f"{option} is {text!r}; write numbers with commas between them") from None


def _apply(args: argparse.Namespace, craft: Craft, bench: "BalanceBench", out: TextIO) -> None:
    """Do what the options say, then add the files."""
    if args.overrule:
        bench.overrule()
    if args.back:
        say(f"Taken back: {bench.back()}.", out)
    if args.refitted:
        bench.refitted()
    if args.keep_trials:
        bench.keep_trials()
    if args.mounted is not None:
        _mount(args.mounted, bench)
    _add(args.files, args, craft, bench, out)
    if args.end is not None:
        bench.end(args.end or ENDED)


def _add(files: Sequence[str], args: argparse.Namespace, craft: Craft, bench: "BalanceBench", out: TextIO) -> None:
    """Add recordings; the first after a step that mounts weights says that it was done."""
    from vibekit.commands.keeping import completed
    from vibekit.wording import with_interval

    reader = reader_from(args)
    stated = settings_each(argparse.Namespace(**{**vars(args), "speed": []}), 1)[0]  # --speed names the speeds of the job
    settings = completed(replace(stated, test="prop"), craft, args.position)
    for name in files:
        path = Path(name).expanduser()
        recording = reader.read(path)
        step = bench.step
        if step.kind in ("finished", "refused"):
            state = "the job is finished" if step.kind == "finished" else "balancing is refused"
            raise UsageError(f"{name}: not added, {state}: {step.text}")
        if step.kind in ("trial", "correct"):
            bench.do(step)
        vector = bench.add(path, recording, settings, _packed(reader)).vector
        shown = ", ".join(
            f"{with_interval(abs(v), Z95 * e / 2**0.5, vector.unit)}{f' at {_degrees(v):.0f}°' if vector.has_phase else ''}"
            for v, e in zip(vector.values, vector.errors, strict=True)
        )
        say(f"{path.name}: 1x {shown}, {with_interval(vector.rpm, vector.rpm_u95, 'rpm')}", out)


def _packed(reader: object) -> dict[str, Any]:
    from vibekit.packing import pack

    packed: dict[str, Any] = pack(reader)
    return packed


def _degrees(value: complex) -> float:
    import cmath
    import math

    return math.degrees(cmath.phase(value)) % 360


def _mount(words: Sequence[str], bench: "BalanceBench") -> None:
    step = bench.step
    stage: Stage = "check" if step.kind == "correct" or bench.job.now.stage == "check" else "trial"
    bench.mount(stage, tuple(_weight(word, bench.job) for word in words))


def _weight(word: str, job: "BalanceJob") -> "Weight":
    """A weight from "blade 1=0.0123", the place by its name."""
    from vibekit.spots import Weight

    name, _, mass = word.rpartition("=")
    spot = next((spot for spot in job.spots if spot.name == name.strip()), None)
    try:
        grams = float(mass.strip().removesuffix("g"))
    except ValueError:
        spot = None
    if spot is None:
        known = ", ".join(spot.name for spot in job.spots)
        raise UsageError(f"weight is {word!r}; write such as '{job.spots[0].name}=0.012', the place one of {known}")
    return Weight(spot, grams)


def _converse(args: argparse.Namespace, craft: Craft, bench: "BalanceBench", out: TextIO) -> None:
    say(HOW, out)
    words: dict[str, Callable[[str], None]] = {
        "mounted": lambda rest: _mount(_pairs(rest), bench),
        "back": lambda rest: say(f"Taken back: {bench.back()}.", out),
        "refitted": lambda rest: bench.refitted(),
        "overrule": lambda rest: bench.overrule(),
        "end": lambda rest: bench.end(rest or ENDED),
    }
    while True:
        step = bench.step
        print(file=out)
        _tell(step, out)
        if step.kind == "finished":
            return
        try:
            line = ask("> ", out)
        except EndedError:
            return
        head, _, rest = line.partition(" ")
        if head in ("q", "quit"):
            return
        try:
            if head in words:
                words[head](rest.strip())
            elif line:
                import shlex

                _add(shlex.split(line), args, craft, bench, out)
        except (VibekitError, ValueError) as error:
            say(str(error), out, 2)


def _pairs(text: str) -> list[str]:
    """Words of "blade 1=0.01 blade 2=0.02": each ends with its number."""
    import re

    return [match.strip() for match in re.findall(r"[^=]+=\s*-?[\d.]+g?", text)]


def _tell(step: "Step", out: TextIO) -> None:
    for line in step.why:
        say(f"- {line}", out)
    say({"refused": "Balancing cannot help here: ", "finished": ""}.get(step.kind, "Next: ") + step.text, out)
    for line in step.cautions:
        say(f"! {line}", out, 2)


def _object(bench: "BalanceBench") -> dict[str, Any]:
    from vibekit.balance_solution import solve

    step, job = bench.step, bench.job
    found = solve(job) if job.whole else None
    return {
        "schema": "vibekit.balance/1",
        "id": bench.id,
        "craft": job.craft,
        "position": job.position,
        "step": {name: getattr(step, name) for name in ("kind", "text", "why", "missing", "cautions")},
        "weights": [
            {"place": w.spot.name, "angle_deg": w.spot.angle_deg, "radius_mm": w.spot.radius_mm, "mass_g": w.mass_g} for w in step.weights
        ],
        "left": [
            {"plane": answer.plane, "g_mm": answer.left.size, "low_g_mm": answer.left.low, "high_g_mm": answer.left.high}
            for answer in (found.planes if found else ())
        ],
    }
