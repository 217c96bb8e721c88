"""`vibekit phone`: a phone's browser records; this computer judges and keeps."""

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from vibekit.capture.reader import Reader
from vibekit.commands.asking import find_craft, say
from vibekit.commands.keeping import Judged, Shelf, judge_file, keep_file
from vibekit.commands.options import add_settings_options, parse_length, settings_from
from vibekit.commands.reader import add_reader_options, reader_from
from vibekit.commands.record import tell_unfinished
from vibekit.commands.taking import check_way
from vibekit.craft import Craft
from vibekit.errors import UsageError
from vibekit.settings import Settings
from vibekit.turning import ADVICE, BLADES, HANDS, POWER

if TYPE_CHECKING:
    from vibekit.capture.phone.address import Link
    from vibekit.capture.phone.plan import Answer, Delivery, Plan

SLOW_RPM = 900.0  # 15 Hz: a quarter of what a browser's motion sensor gives, so that 2x still lies below half of it
NOT_IN_HAND = "Phone on a stand, out of the propeller's plane, never in the hand while a motor runs under power."
HOW = "Phone on a stand a hand's breadth from the motor, its microphone towards it, at the same place for each motor."
BY_HAND = "Battery out. Start the recording, flick the motor, and stop the recording once the motor stands still."
WARNING = (
    "The phone will say that the connection is not private: this computer made its certificate itself, just now. "
    "Choose Details or Advanced, then go on to the page. What the phone shows as SHA-256 of the certificate begins with"
)
REACH = "Both must be in the same network. If the page does not load, a firewall on this computer may stand in between."


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of `phone`."""
    parser.add_argument("craft", metavar="CRAFT", nargs="?", help="the craft's TOML file, or its name in the archive; recordings are kept")
    parser.add_argument("position", metavar="POSITION", nargs="?", help="the rotor's name; left out, it is chosen on the phone")
    parser.add_argument("--for", dest="length", metavar="20s|1min", help="how long a recording is; until stopped, when spun by hand")
    parser.add_argument("--setup", default="", metavar="TEXT", help="where the phone stands; levels are compared only within one set-up")
    parser.add_argument("-o", "--output", metavar="FOLDER", default=".", help="where recordings are put when no craft is named")
    parser.add_argument("--address", metavar="IP", help="address of this computer that the phone can reach, where the kit's guess is wrong")
    parser.add_argument("--port", metavar="N", type=int, default=0, help="port to listen on (default: any that is free)")
    parser.add_argument("--wait", metavar="10min", default="10min", help="stop listening when a phone does nothing for so long")
    add_settings_options(parser)
    add_reader_options(parser)


def run(args: argparse.Namespace) -> int:
    """Serve one phone until it is done; 1 when it sent nothing that could be judged."""
    try:
        from vibekit.capture.phone.server import PhoneServer
    except ImportError as error:
        raise UsageError(f"{error.name} is missing; `pip install 'vibekit[capture]'` installs what a phone needs") from None
    import asyncio

    from vibekit.capture.phone.address import own_address
    from vibekit.capture.phone.desk import Desk
    from vibekit.place import find_place

    given, reader = settings_from(args), reader_from(args)
    description, craft = find_craft(args.craft) if args.craft else (None, None)
    if craft:
        check_way(craft, given)
        if args.position:
            craft.rotor(args.position)
    shelf = Shelf(craft, description, args.setup) if craft else None
    address = args.address or own_address()
    if address is None:
        raise UsageError("this computer is in no network that a phone could reach; join one, or name an address with --address")
    judge = _Judge(shelf, given, reader)
    about = {"craft": (craft.name or "") if craft else "", "test": given.test or "", "setup": args.setup}
    folder = find_place().takes if craft else Path(args.output)
    tell_unfinished(folder)
    desk = Desk(_plan(args, craft, given), folder, {name: word for name, word in about.items() if word}, judge, _tell)
    wait_s = parse_length(args.wait, "--wait")
    server = PhoneServer(desk, address, args.port)
    _show_link(server.link)
    asyncio.run(server.serve(wait_s))
    return 0 if judge.judged else 1


class _Judge:
    """Judges what the phone delivers, prints it in full, and gives the short answer for the page. judged: how many could be."""

    def __init__(self, shelf: Shelf | None, given: Settings, reader: Reader) -> None:
        self.judged = 0
        self._shelf, self._given, self._reader = shelf, given, reader
        self._ids: dict[Path, str] = {}

    def __call__(self, delivery: "Delivery") -> "Answer":
        given, reader, path, position = self._given, self._reader, delivery.path, delivery.position
        if delivery.sensor:  # recorded here: its file says by itself what it holds
            reader = Reader()
        if delivery.sensor == "phone-motion" or (delivery.sensor and not given.sensor):
            given = replace(given, sensor=delivery.sensor)
        beginnings = [id for each in delivery.beginnings if (id := self._ids.pop(each, None))]
        if self._shelf and position:
            found = keep_file(path, position, given, reader, self._shelf, instead_of=beginnings)
        else:
            found = judge_file(path, given, reader)
        if found.id:
            self._ids[path] = found.id
        self.judged += found.reading.screening.usable
        kept = self._kept(found, path, position)
        whole = "this is the whole of what was kept in part before: it stands in its place"
        notes = [*delivery.notes, *([whole] if beginnings and found.reading.screening.usable else [])]
        _print(found, position, [*notes, f"the recording is {path}" if path.exists() else kept])
        return _answer(found, position, delivery.notes, kept)

    def _kept(self, found: Judged, path: Path, position: str | None) -> str:
        """What became of the file; one that the archive has is not kept twice."""
        if not (self._shelf and found.reading.screening.usable):
            return f"The recording is on the computer: {path.name}."
        for file in (path, path.with_suffix(".json")):
            file.unlink(missing_ok=True)
        where = f"{self._shelf.craft.name}, {position}"
        return f"Kept for {where}." if found.id else f"This recording is kept for {where} already; nothing was changed."


def _plan(args: argparse.Namespace, craft: Craft | None, given: Settings) -> "Plan":
    from vibekit.capture.files import EXTENSIONS
    from vibekit.capture.phone.plan import Plan
    from vibekit.wording import TEST_WORDS, sentence

    way = craft.way if craft else None
    by_hand = given.test == "hand-spin"
    cautions = HANDS if by_hand else (*(way.cautions if way else (*HANDS, *POWER, *BLADES)), NOT_IN_HAND)
    chosen = (args.position,) if args.position else craft.positions if craft else ()
    if craft and not chosen:
        raise UsageError(f"the description of {craft.name} names no rotors; add them to it, or name a POSITION")
    seconds = parse_length(args.length, "--for") if args.length else None if by_hand else 20.0
    step = next((step.how_for(seconds) for step in way.plan if step.test == given.test), "") if way else ""
    task = sentence(TEST_WORDS[given.test])
    return Plan(
        title=(craft.name or "") if craft else "",
        positions=tuple(chosen),
        task=f"{args.position}: {task}" if args.position else task,
        how=" ".join(filter(None, (step, BY_HAND if by_hand else HOW))),
        cautions=(*cautions, ADVICE),
        seconds=seconds,
        motion=by_hand or (given.speed_rpm is not None and given.speed_rpm <= SLOW_RPM),
        extensions=EXTENSIONS,
    )


def _answer(found: Judged, position: str | None, notes: tuple[str, ...], kept: str) -> "Answer":
    from vibekit import marks, wording
    from vibekit.capture.phone.plan import Answer

    end = found.diagnosis.conclusion
    state = marks.state_of(end)
    open_end = not end.claims
    problems = [p.detail for p in found.reading.screening.problems if p.severity != "note"]
    return Answer(
        state=state.code,
        mark=state.glyph,
        words=f"{position}: {state.words}" if position else wording.sentence(state.words),
        verdict=wording.verdict(end, wording.not_recorded([found.reading.settings.test])),
        act=" ".join(filter(None, (end.reason, end.next_step if open_end else wording.act_words(end)))),
        caution=wording.caution_words(end),
        remarks=(*problems, *notes),
        kept=kept,
    )


def _print(found: Judged, position: str | None, notes: list[str]) -> None:
    from vibekit.commands.show import show, show_craft
    from vibekit.judging import Judgement

    if position:
        show_craft({position: found.diagnosis}, {position: [found.reading]}, found.verdict)
    else:
        show(Judgement(((found.reading, found.diagnosis),), found.diagnosis))
    for note in notes:
        _tell(note)


def _show_link(link: "Link") -> None:
    """Print the address, as a QR code too where the terminal can show one."""
    if sys.stdout.isatty() and "utf" in sys.stdout.encoding.lower():
        import segno

        segno.make_qr(link.url, error="m").terminal(sys.stdout, border=2, compact=True)
    print(f"Open on the phone: {link.url}")
    print("It works once, for one phone.")
    say(f"{WARNING} {link.fingerprint[:23]}.", sys.stdout)
    say(REACH, sys.stdout)
    print("Waiting for a phone; Ctrl-C ends.", flush=True)


def _tell(text: str) -> None:
    print(f"phone: {text}", flush=True)
