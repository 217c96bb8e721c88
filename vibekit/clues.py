"""The clues: every measured or observed piece of evidence that the catalogue of conditions may speak of."""

from dataclasses import dataclass
from typing import Literal

from vibekit.settings import TESTS

Kind = Literal["level", "trace", "inspection", "bench"]
_MOVES = ("rises", "falls", "unchanged", "changes")
_IS_THERE = ("present", "absent")


@dataclass(frozen=True, slots=True)
class Clue:
    """One kind of evidence.

    kind: level (a number against what is normal), trace (there or not), inspection (seen or felt, battery out) or bench (typed in)
    meaning: what is measured or observed, in words
    """

    name: str
    kind: Kind
    meaning: str

    @property
    def expectations(self) -> tuple[str, ...]:
        """What a condition may state about it."""
        return _MOVES if self.kind in ("level", "bench") else _IS_THERE

    @property
    def tests(self) -> tuple[str, ...]:
        """Where it can be had: kinds of test, "inspection" or "bench"."""
        return TESTS if self.kind in ("level", "trace") else (self.kind,)


CLUE = {
    clue.name: clue
    for clue in (
        Clue("1x", "level", "amplitude at one times the shaft speed"),
        Clue("2x", "level", "amplitude at two times the shaft speed"),
        Clue("half orders", "level", "amplitude at 0.5, 1.5, 2.5 ... times the shaft speed"),
        Clue("harmonics", "level", "amplitude at 3x to 10x, multiples of the blade count left out"),
        Clue("comb", "level", "amplitude of orders 0.5x to 12x in halves together, 1x, 2x and multiples of the blade count left out"),
        Clue("blade pass", "level", "amplitude at the blade count times the shaft speed"),
        Clue("other orders", "level", "amplitude at low orders that are no multiples of the blade count, 1x and 2x left out"),
        Clue("unsteadiness", "level", "scatter of the amplitude and phase of 1x from one stretch of the recording to the next"),
        Clue("wash", "level", "broadband level below 2 kHz"),
        Clue("roughness", "level", "broadband level from 2 kHz up"),
        Clue("impulsiveness", "level", "how much of the high band comes in clicks"),
        Clue("axial", "level", "share of 1x and 2x that points along the shaft"),
        Clue("electrical lines", "level", "amplitude at the pole-pair order and six times it"),
        Clue("switching", "level", "amplitude at the switching frequency of the controller"),
        Clue("once a turn", "trace", "bursts of the high band that come once a turn"),
        Clue("outer race", "trace", "envelope lines at the order of ball passes over the outer race"),
        Clue("inner race", "trace", "envelope lines at the order of ball passes over the inner race"),
        Clue("ball", "trace", "envelope lines at twice the spin of a ball"),
        Clue("cage", "trace", "envelope lines at the order of the cage"),
        Clue("defect comb", "trace", "envelope lines at an order that is no whole number and its multiples, geometry not known"),
        Clue("resonance", "trace", "in a run-up, an amplitude peak that stays at one Hz"),
        Clue("lone rise", "trace", "in a run-up, 1x above that of an earlier one at one speed, as before at the others"),
        Clue("speed scaling", "trace", "1x goes as the square of speed, within its interval"),
        Clue("edge damage", "inspection", "a nick, dent, chip or missing tip on a blade"),
        Clue("crack", "inspection", "a crack line on a blade or hub"),
        Clue("root whitening", "inspection", "whitened plastic at the root of a blade"),
        Clue("propeller loose", "inspection", "the propeller moves on its shaft"),
        Clue("wrong hand", "inspection", "a propeller or nut of the wrong hand for its motor"),
        Clue("rough by hand", "inspection", "grinding or grains felt when the motor is turned by hand"),
        Clue("stiff by hand", "inspection", "the motor turns with more drag than the others"),
        Clue("axial play", "inspection", "the shaft moves along its axis more than in the others"),
        Clue("wobble", "inspection", "the shaft end or the bell runs out when turned by hand"),
        Clue("rub felt", "inspection", "contact felt or heard at one place of each turn"),
        Clue("mount loose", "inspection", "the motor moves on its mount, or a screw is loose or missing"),
        Clue("no-load current", "bench", "current at a stated speed without propeller, against the other motors"),
        Clue("case temperature", "bench", "temperature of the case after the same run, against the other motors"),
        Clue("phase resistance", "bench", "the three phase-to-phase resistances, against each other"),
    )
}
CLUES: tuple[str, ...] = tuple(CLUE)
