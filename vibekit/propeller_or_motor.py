"""What refits, swaps and bare readings of a craft say, for whoever shows or prints it."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from vibekit import bare_and_propeller, swap
from vibekit.bare_and_propeller import BareResult, judge_bare
from vibekit.casefile import CaseFile
from vibekit.moment import day
from vibekit.refit import REFITS, RefitStudy
from vibekit.repeatability import load_repeatability
from vibekit.result import finite
from vibekit.swap_gathering import ToldSwap
from vibekit.wording import likelihood, listed, sentence


@dataclass(frozen=True, slots=True)
class PropellerOrMotor:
    """By position: what bare readings say beside those with the propeller, and the newest measurement of refitting; and the swaps."""

    bare: dict[str, BareResult]
    refits: dict[str, RefitStudy]
    swaps: tuple[ToldSwap, ...]

    def about(self, position: str) -> Iterator[str]:
        """What concerns one rotor, in sentences."""
        for told in self.swaps:
            if position in (told.file.first.position, told.file.second.position):
                yield swap_words(told)
        if position in self.bare:
            yield bare_words(self.bare[position])
        if position in self.refits:
            yield refit_words(self.refits[position])

    def lines(self) -> Iterator[str]:
        """All of it, each swap once."""
        yield from map(swap_words, self.swaps)
        alike: dict[str, list[str]] = {}
        for position, result in self.bare.items():
            alike.setdefault(bare_words(result), []).append(position)
        yield from (f"{listed(positions)}: {words}" for words, positions in alike.items())
        yield from (f"{position}: {refit_words(study)}" for position, study in self.refits.items())


def propeller_or_motor(case: CaseFile) -> PropellerOrMotor:
    """Judge what a craft's archive holds on whether propeller or motor is to blame. Only rotors run both ways have a bare verdict."""
    bare = {
        m.position: judge_bare(m.readings, m.references, load_repeatability())
        for m in case.motors
        if {"bare", "prop"} <= {r.settings.test for r in m.readings if r.screening.usable}
    }
    return PropellerOrMotor(bare, {m.position: m.refits[-1] for m in case.motors if m.refits and m.refits[-1].spreads}, case.swaps)


def swap_words(told: ToldSwap) -> str:
    """Say what a swap says."""
    answer = told.result.answer
    sure = "" if answer == "cannot tell" else f": {likelihood(told.result.probabilities[answer])}"
    pair = f"{told.file.first.position} with {told.file.second.position}"
    return f"Swap test of {day(told.done_at)}, {pair}: {swap.ANSWERS[answer]}{sure}."


def bare_words(result: BareResult) -> str:
    """Say what bare readings say beside those with the propeller."""
    if result.answer == "cannot tell":
        return f"Bare against with the propeller: {bare_and_propeller.ANSWERS[result.answer]}. {sentence(result.next_step)}."
    return (
        f"Bare against with the propeller: {bare_and_propeller.ANSWERS[result.answer]}: {likelihood(result.probabilities[result.answer])}."
    )


def refit_words(study: RefitStudy) -> str:
    """Say what refitting does to 1x."""
    line = next((s for s in study.spreads if s.name == "1x"), None)
    told = f"{len(study.fittings)} of {REFITS} fittings measured" if not study.done else f"{len(study.fittings)} fittings measured"
    if line is None:
        return f"Refitting its propeller: {told}."
    return (
        f"Refitting its propeller: {told}, one scatters 1x by {line.deviation:.1f} dB (95 % interval {line.low:.1f} to {line.high:.1f} dB)."
    )


def propeller_json(found: PropellerOrMotor) -> dict[str, Any]:
    """Give the fields "swaps", "bare_and_propeller" and "refits"."""
    return {
        "swaps": [
            {
                "first": told.file.first.position,
                "second": told.file.second.position,
                "done_at": told.done_at.isoformat(),
                "answer": told.result.answer,
                "probabilities": told.result.probabilities,
            }
            for told in found.swaps
        ],
        "bare_and_propeller": {
            position: {"answer": r.answer, "probabilities": r.probabilities, "next_step": r.next_step} for position, r in found.bare.items()
        },
        "refits": {
            position: {
                "fittings": len(study.fittings),
                "spreads": [
                    {"name": s.name, "decibel": finite(s.deviation), "low": finite(s.low), "high": finite(s.high)} for s in study.spreads
                ],
            }
            for position, study in found.refits.items()
        },
    }
