"""`vibekit inspect`: the eye-and-hand check, question by question."""

import argparse
import json
import sys
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from vibekit.commands.asking import EndedError, ask, find_craft, say
from vibekit.craft import Craft
from vibekit.errors import VibekitError
from vibekit.fact import one_of
from vibekit.inspection import GivenAnswer, Inspection, Photo
from vibekit.inspection_evidence import advice_from, answers_as_evidence, check_answer
from vibekit.inspection_file import load_answers, photo_at
from vibekit.questions import BENCH_CAUTION, CAUTIONS, HEADS, Asked, hint_for, questions_for

HOW = "Type a number or a word; Enter skips, b goes back, q ends; `note TEXT` and `photo PATH` go with the answer that follows."


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of `inspect`."""
    parser.add_argument("craft", metavar="CRAFT", help="the craft's TOML file, or its name in the archive")
    parser.add_argument("--answers", metavar="FILE.toml", help="take the answers from a file and ask nothing")
    parser.add_argument("--json", action="store_true", help="print answers and evidence as one object; questions go to standard error")


def run(args: argparse.Namespace) -> int:
    """Ask, or read the answers; keep them, also those of a check that was broken off."""
    from vibekit.archive import Archive
    from vibekit.place import find_place

    description, craft = find_craft(args.craft)
    out = sys.stderr if args.json else sys.stdout
    inspection = load_answers(args.answers, craft) if args.answers else _converse(craft, out)
    if inspection.answers:
        with Archive(find_place()) as archive:
            if description is not None:
                archive.put_craft(description, craft)
            archive.put_inspection(inspection)
    _tell(inspection, craft, out)
    if args.json:
        print(json.dumps(_as_json(inspection, craft), indent=1, ensure_ascii=False))
    return 0


def _converse(craft: Craft, out: TextIO) -> Inspection:
    say("Before anything is touched:", out)
    for line in CAUTIONS:
        say(f"! {line}", out, 2)
    print(file=out)
    say(HOW, out)
    asked = questions_for(craft)
    given: dict[int, GivenAnswer] = {}
    number = 0
    try:
        while number < len(asked):
            if number == 0 or _head(asked[number]) != _head(asked[number - 1]):
                print(f"\n{_head(asked[number])}", file=out)
                if asked[number].question.stage == "bench":
                    say(f"! {BENCH_CAUTION}", out, 2)
            number = _one(asked, number, given, craft, out)
    except (EndedError, KeyboardInterrupt):
        print(f"Stopped at question {number + 1} of {len(asked)}.", file=out)
    return Inspection(craft.name or "", datetime.now(UTC), tuple(given[n] for n in sorted(given)))


def _one(asked: tuple[Asked, ...], number: int, given: dict[int, GivenAnswer], craft: Craft, out: TextIO) -> int:
    """Ask one question until it is answered, skipped or left; give the number of the next."""
    question = asked[number].question
    note, photos = "", tuple[Photo, ...]()
    say(f"{question.text}{_hint(asked[number], craft)}", out, 2)
    print(f"    {_choices(asked[number])}", file=out)
    while True:
        word = ask(f"    {f'[{given[number].answer}] ' if number in given else ''}> ", out)
        head, _, rest = word.partition(" ")
        try:
            if not word:
                return number + 1
            if word in ("b", "back"):
                return max(number - 1, 0)
            if word in ("q", "quit"):
                raise EndedError
            if head == "note" and rest:
                note = rest.strip()
            elif head == "photo" and rest:
                photos = (*photos, photo_at(Path(rest.strip()).expanduser()))
            else:
                words = tuple(choice.word for choice in question.choices)
                answer = check_answer(question, one_of(word, words))
                given[number] = GivenAnswer(asked[number].position, question.id, answer, note, photos)
                if not _says_stop(asked[number], answer, out):
                    return number + 1
        except VibekitError as error:
            say(str(error), out, 4)


def _says_stop(asked: Asked, answer: str, out: TextIO) -> bool:
    """Print what to do; a safety question that is answered no is asked again."""
    if not asked.question.choices:
        return False
    choice = asked.question.choice(answer)
    if choice.advice:
        say(f"{'! ' if choice.stop else ''}{choice.advice}", out, 4)
    return choice.stop and asked.question.subject == "craft"


def _head(asked: Asked) -> str:
    title = HEADS[asked.question.stage]
    return f"{asked.position}: {title}" if asked.position else title


def _hint(asked: Asked, craft: Craft) -> str:
    known = hint_for(asked, craft)
    return f" ({known})" if known else ""


def _choices(asked: Asked) -> str:
    choices = asked.question.choices
    return "   ".join(f"{n} {choice.word}" for n, choice in enumerate(choices, 1)) if choices else f"such as: {asked.question.form}"


def _tell(inspection: Inspection, craft: Craft, out: TextIO) -> None:
    if not inspection.answers:
        print("\nNo question was answered; nothing was kept.", file=out)
        return
    advice = advice_from(inspection, _folding(craft))
    speaking = [evidence for evidence in answers_as_evidence(inspection) if evidence.for_conditions]
    photos = len({photo.sha256 for answer in inspection.answers for photo in answer.photos})
    print(file=out)
    for item in advice:
        say(f"{'Before it runs again' if item.stop else 'To do'}: {item.position or 'the craft'}: {item.text}", out)
    for evidence in speaking:
        say(f"Seen: {evidence.position}: {evidence.text} (speaks for {', '.join(evidence.for_conditions)})", out)
    if not speaking:
        say("Nothing was seen or felt that speaks for a fault. That alone proves none absent: much only shows running.", out)
    count, craft_count = len(inspection.answers), len(questions_for(craft))
    print(f"Kept: {count} of {craft_count} answers, {photos} photo{'s' * (photos != 1)}, for {craft.name}.", file=out)


def _as_json(inspection: Inspection, craft: Craft) -> dict[str, object]:
    return {
        "schema": "vibekit.inspection/1",
        "craft": inspection.craft,
        "at": inspection.at.isoformat(),
        "answers": [asdict(answer) for answer in inspection.answers],
        "evidence": [asdict(evidence) for evidence in answers_as_evidence(inspection)],
        "advice": [asdict(item) for item in advice_from(inspection, _folding(craft))],
    }


def _folding(craft: Craft) -> tuple[str, ...]:
    return tuple(rotor.position for rotor in craft.rotors if rotor.propeller.folding)
