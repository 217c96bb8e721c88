"""Observations: named clues put on a scale of few steps, so that each can be weighed by how often a condition gives it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np

from vibekit.change import CHANGES, Change, changed_under, pair_up
from vibekit.defect_comb import ANY
from vibekit.evidence import agreed, either, grown
from vibekit.line_groups import ALL_ALIKE, ONE_BY_ONE
from vibekit.lone_rise import LoneRise, lone_rise
from vibekit.pulses import LINES, SHOWN
from vibekit.reading import Reading, values_of
from vibekit.recording import Sensor
from vibekit.repeatability import Repeatability
from vibekit.settings import Test
from vibekit.wording import decibels

STEPS = ("falls", "unchanged", "faint", "slight", "clear", "strong", "extreme")
UNCHANGED = 1
CHANGE_EDGES = (-2.0, 1.0, 2.0, 3.0, 4.5, 8.0)  # in standard deviations of repeating
CHANGE_MIDDLES = (-3.0, 0.0, 1.5, 2.5, 3.75, 6.25, 10.0)  # values that a step stands for; between them its meaning goes over by degrees
CLEAR = 2.0  # score from which pulses at a defect order, over all tests together, explain the rest
COMB = (0.5, CLEAR, 3.0, 5.0, 8.0)  # log10 of how much likelier the pulses are than noise; that of independent recordings adds
PARTS = ("outer race", "inner race", "ball", "cage")
COMBS = (*PARTS, ANY)
# quantities that need no reference, with the edges of faint, slight, clear, strong and extreme
SCORES = {"impulsiveness": (0.4, 1.0, 2.0, 4.0, 8.0)} | dict.fromkeys(COMBS, COMB)
UNSAID: tuple[Test, ...] = ("bare", "prop", "flight")  # what a test may be that was not said
QUIET_DB = 0.2  # clicks of the past that explain nothing: of sound motors of the rig, 85 in 100 show less
# lines that hide in noise fall by nothing in particular; pulses are told by how far they stand over noise, so where that rose they fall
NEVER_FALL = (*ONE_BY_ONE, "once a turn")
HALF = 0.5  # of where pulses may lie: where less is to be seen, the words say so
LONE = "lone rise"
LONE_EDGES = (-1.0, 0.0, 1.0, 2.0, 3.5, 5.0)  # log10 of the odds of a resonance against a force, or against nothing
LONGER = 1.5  # times as long as its past a recording shows lines of a sound bearing that its past could not
NOT_IN_FLIGHT = ("half orders", "harmonics", "comb")  # rotors turn at unlike speeds, so one's line stands where another's half order does
Way = Literal["air", "touch"]
WAYS: tuple[Way, ...] = get_args(Way)
WORDS = {
    "1x": "once-a-turn line (1x)",
    "2x": "2x line",
    "half orders": "half orders (0.5x, 1.5x ...)",
    "harmonics": "harmonics of 1x above 2x",
    "comb": "row of harmonics and half orders together",
    "blade pass": "blade pass line",
    "other orders": "low orders that are no multiple of the blades",
    "electrical lines": "lines at the electrical orders",
    "unsteadiness": "wander of the 1x line",
    "wash": "broadband noise below 2 kHz",
    "roughness": "broadband noise from 2 kHz up",
    "once a turn": "pulsing of the high band once a turn",
    "resonance": "peak of 1x at one speed of the run-up",
    LONE: "rise of 1x at one speed of the run-up alone",
    "impulsiveness": "clicks in the high band",
    "outer race": "pulses at the outer race's order",
    "inner race": "pulses at the inner race's order",
    "ball": "pulses at twice the ball's spin",
    "cage": "pulses at the cage's order",
    ANY: "pulses at an order that is no whole number",
}


@dataclass(frozen=True, slots=True)
class Observation:
    """One measurement on the scale of STEPS.

    test: the test it was seen in, None when not said; step: index into STEPS; text: in words, with the number
    value: in standard deviations of repeating, or the score itself; way: how the sensor came by it, None when not said
    if_test: the value that it has if the test, where it was not said, was this one, under which repeating does more or less
    shown: of pulses at a defect order, the share of where they may lie that other lines leave to be seen
    """

    name: str
    test: str | None
    step: int
    text: str
    value: float
    way: Way | None = None
    if_test: tuple[tuple[Test, float], ...] = ()
    shown: float = 1.0

    def place(self, test: str | None) -> float:
        """Where among the steps it lies under a test, as an index that may fall between two: a change is as near to each as its value."""
        value = next((each for name, each in self.if_test if name == test), self.value)
        if self.name in SCORES or self.name == LONE or _step(self.value, CHANGE_EDGES) != self.step:
            return float(self.step)
        least = UNCHANGED if self.name in NEVER_FALL else 0
        return max(float(np.interp(value, CHANGE_MIDDLES, range(len(STEPS)))), least)


def observe(
    readings: Sequence[Reading],
    references: Sequence[Reading],
    repeatability: Repeatability,
    *,
    peers: bool = False,
    others: str = "the other motors",
) -> tuple[Observation, ...]:
    """All observations about one motor, test by test. references: its own healthy past, or (peers) other motors, in words `others`."""
    found: list[Observation] = []
    steady = [r.speed.rpm for r in readings if r.speed.rpm and r.settings.test != "run-up"]
    for test in dict.fromkeys(r.settings.test for r in readings):
        group = [r for r in readings if r.settings.test == test]
        pairs = pair_up(group, references)
        compared: list[Observation] = []
        for name in CHANGES:
            if test == "flight" and name in NOT_IN_FLIGHT:
                continue
            moved, *under = changed_under((None, *(() if test else UNSAID)), name, pairs, repeatability, peers=peers)
            if moved is not None:
                if_test = tuple((which, each.z) for which, each in zip(UNSAID, under, strict=False) if each is not None)
                compared.append(replace(_from_change(moved, test, others if peers else "its healthy recordings"), if_test=if_test))
        if test == "run-up" and not peers and (rise := lone_rise(pairs, steady)) is not None:
            compared.append(_from_rise(rise))
            if rise.is_hidden:  # a mode may stand there unseen: by showing none it tells nothing
                compared = [o for o in compared if o.name not in ("resonance", LONE) or o.step > UNCHANGED]
        found += compared
        past = list({id(r): r for pair in pairs for r in pair.references}.values())
        found += [seen for name in SCORES if (seen := _from_score(name, group, past, test, peers=peers)) is not None]
    sensors = {r.settings.sensor for r in readings}
    way = _way(sensors.pop()) if len(sensors) == 1 else None
    return tuple(replace(o, way=way) for o in _explained(found))


def _way(sensor: Sensor | None) -> Way | None:
    return None if sensor is None else "air" if sensor == "microphone" else "touch"


def _explained(seen: list[Observation]) -> list[Observation]:
    """Leave out what a damaged bearing accounts for: where pulses at a defect order stand clear of chance, clicks, roughness and the
    weaker combs are the same pulses again, and late damage loosens the shaft and raises every order (common practice, no source). The
    bearing comes first; what else may be wrong shows when it is whole. Of the other combs nothing is left that is their own.

    Of a bearing of known geometry and of any other, looked for beside it, the one counts that leads: the known one where neither does.
    """
    leader = struck(seen)
    known = {o.test for o in seen if o.name in PARTS}
    left = [o for o in seen if o.name not in PARTS] if leader == ANY else [o for o in seen if o.name != ANY or o.test not in known]
    if leader is None:
        return left
    return [o if o.name == leader else _nothing(o) for o in left if o.name in COMBS]


def struck(seen: Sequence[Observation]) -> str | None:
    """Name of the defect order at which pulses stand clear of chance, over all tests together; None where none do."""
    totals = {name: sum(o.value for o in seen if o.name == name) for name in COMBS}
    leader = max(totals, key=lambda name: totals[name])
    return leader if totals[leader] >= CLEAR else None


def _nothing(comb: Observation) -> Observation:
    where = f" ({comb.test} test)" if comb.test else ""
    return Observation(comb.name, comb.test, UNCHANGED, f"{WORDS[comb.name]}{where}: none of their own", 0.0)


def _step(value: float, edges: tuple[float, ...]) -> int:
    return sum(value >= edge for edge in edges)


def _from_change(moved: Change, test: str | None, against: str) -> Observation:
    least = UNCHANGED if moved.name in NEVER_FALL else 0
    step = max(_step(moved.z, CHANGE_EDGES), least)
    where = f" ({test} test)" if test else ""
    number = f"{decibels(moved.delta)} dB ± {moved.u95:.1f} against {against}"
    if moved.name in ALL_ALIKE and step > UNCHANGED and moved.delta < moved.u95:
        number = f"line by line; together {number}"
    return Observation(moved.name, test, step, f"{WORDS[moved.name]}{where}: {STEPS[step]}, {number}", moved.z)


def _from_rise(rise: LoneRise) -> Observation:
    step = _step(rise.score, LONE_EDGES)
    means = "all speeds alike, as a force does or nothing new" if step <= UNCHANGED else f"{STEPS[step]}, as a resonance answers"
    there = f"{decibels(rise.there_db)} dB ± {rise.u95_db:.1f} at {rise.rpm:.0f} rpm"
    number = f"{there}, median over all speeds {decibels(rise.elsewhere_db)} dB ± {rise.elsewhere_u95_db:.1f}"
    return Observation(LONE, "run-up", step, f"{WORDS[LONE]}: {means}; {number}", rise.score)


def _from_score(name: str, readings: Sequence[Reading], past: Sequence[Reading], test: str | None, *, peers: bool) -> Observation | None:
    """A score by itself; lines of a bearing also against those of its past, or of the other motors, which may show some though sound; and
    clicks against its own past, whose machine may have clicked when it was sound.
    """
    values = values_of(readings, name)
    if not values:
        return None
    value = agreed(values) if name in COMBS else sum(values) / len(values)
    now, before = values_of(readings, name + LINES), values_of(past, name + LINES)
    if now and before and max(r.duration_s for r in readings) <= LONGER * min(r.duration_s for r in past):
        value = either(value, grown(now, before))
    number = f"score {value:.1f}, {_chance(value)}" if name in COMBS else f"{decibels(value)} dB above steady noise"
    if name not in COMBS and not peers and (usual := values_of(past, name)):
        clicked = sum(usual) / len(usual)
        value -= max(clicked - QUIET_DB, 0.0)
        number += f", {decibels(clicked)} dB in its healthy recordings"
    step = UNCHANGED + _step(value, SCORES[name])
    where = f" ({test} test)" if test else ""
    said = "none" if step == UNCHANGED else STEPS[step]
    shares = values_of(readings, name + SHOWN)
    shown = sum(shares) / len(shares) if shares else 1.0
    if step == UNCHANGED and shown < HALF:
        number += f"; {1 - shown:.0%} of where they may lie is hidden among other lines"
    return Observation(name, test, step, f"{WORDS[name]}{where}: {said}, {number}", value, shown=shown)


def _chance(score: float) -> str:
    """What noise alone does: it makes a likelihood ratio of r at most once in r (Ville 1939)."""
    if score < COMB[0]:
        return "as noise alone"
    return f"which noise alone reaches at most once in {10 ** min(score, 4.0):.0f}{' and more' if score > 4 else ''}"
