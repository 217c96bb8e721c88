"""Readings to findings and a conclusion, or to an honest "cannot tell"."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from vibekit.catalogue import Catalogue, Condition, load_catalogue
from vibekit.change import louder, nearest, why_not_compared
from vibekit.defect_comb import ANY
from vibekit.dominance_evidence import how_many, one_of_four
from vibekit.excess_noise import noise_over_speeds
from vibekit.finding import Conclusion, Diagnosis, Evidence, Finding
from vibekit.likelihood import Likelihoods, load_likelihoods
from vibekit.next_measurement import BLADES, Reach, bits_of_counting, next_measurements
from vibekit.observation import LONE, Observation, observe, struck
from vibekit.reading import Reading
from vibekit.repeatability import Repeatability, load_repeatability
from vibekit.settings import feels_propeller
from vibekit.speed_evidence import APART, over_speeds
from vibekit.wording import conclusion_words, listed, sentence

SURE = 0.60  # probability from which a condition is concluded, or what calls for the same action or is work on the same part, together
HEALTHY = 0.97  # "no fault found" is said only when hardly anything else is left
NOT_SEEN = -3.0  # log10 of the odds of what the damage that was seen cannot be
SHOWN = 0.02  # findings below this probability are not listed
NARROW_HZ = 2000.0  # a sensor that samples slower sees little but 1x
# a bad ball strikes where the load is, and the cage carries it through there once in its turn: lines of the cage alone may be a ball's
# (Randall & Antoni, Mech. Syst. Signal Process. 25 (2011) 485-520, section 2)
MAY_BE: Mapping[str, tuple[str, ...]] = {"bearing-cage": ("bearing-ball",)}
# a joint with slack or a spring that is not straight answers a strong 1x with a 2x that grows as its square (Nayfeh & Mook, Nonlinear
# Oscillations (1979), section 4.1: from memory); at one speed that looks as a bent shaft does
MAY_BE_AT_ONE_SPEED: Mapping[str, tuple[str, ...]] = {"bent-shaft": ("rotor-imbalance",)}
ANOTHER = (
    "These pulses come at no order of the bearing whose geometry was given: check its numbers, or whether another bearing is in the motor. "
    "Without them which part is struck cannot be told."
)
OPEN = 0.05  # explanations at least this probable are named where none is clear
WORTH_MORE = 0.3  # bits from which a measurement is asked for though a condition is concluded
LEAST_WEIGHT = 0.1  # evidence that shifts the odds by less is not worth a sentence


@dataclass(frozen=True, slots=True)
class Hint:
    """Evidence from outside the recordings: an answer of the eye-and-hand check or a typed bench reading.

    text: in words; odds: {condition: log10 of how much more likely the answer is under it}, conditions left out are 0
    decides: damage that was seen; readings in which it does not show do not undo it
    """

    text: str
    odds: Mapping[str, float]
    decides: bool = False


def diagnose(
    readings: Sequence[Reading],
    *,
    references: Sequence[Reading] = (),
    peers: bool = False,
    hints: Sequence[Hint] = (),
    position: str | None = None,
    catalogue: Catalogue | None = None,
    likelihoods: Likelihoods | None = None,
    reach: Reach | None = None,
    shop: Repeatability | None = None,
    repeatability: Repeatability | None = None,
) -> Diagnosis:
    """Judge the readings of one motor together.

    references: healthy readings of the same set-up, or (peers) the readings of the other motors of the craft
    shop: the references are peers on other craft, and this the table of repeatability with the spread between those
    repeatability: with what was learned here, the rig's when left out
    hints: what eye, hand and bench said; reach: what can still be measured, all that a bench can when left out
    Probabilities come from Bayes' rule over the catalogue's conditions with frequencies from the rig; the conclusion is "undecided"
    unless one condition, or the conditions of one part, stand clear of the rest. What to measure next is what most is expected of.
    """
    catalogue = catalogue or load_catalogue()
    likelihoods = likelihoods or load_likelihoods()
    usable = [r for r in readings if r.screening.usable]
    sound = [r for r in references if r.screening.usable]
    table = shop or repeatability or load_repeatability()
    narrow = bool(usable) and all(r.rate_hz < NARROW_HZ for r in usable)
    slow = narrow and not any(h.odds.keys() - {"resonance"} for h in hints)  # nobody looked at the parts, either
    others = "the same model on other craft" if shop else "the other motors"
    seen = observe(usable, sound, table, peers=peers, others=others) if usable else ()
    pulsing = struck(seen) is not None  # which accounts for lines and noise that rose, too
    swept = any(o.name == LONE for o in seen)  # a run-up has told it already, at all speeds
    told = None if swept or pulsing else over_speeds(usable, sound, table, peers=peers)
    added = None if pulsing else noise_over_speeds(usable, sound, table, peers=peers)
    rise = next((o for o in seen if o.name == "1x" and o.test == "flight"), None)
    alone = one_of_four(usable, sound, likelihoods.against_none(rise) if rise else None)
    derived = (told and (told[0], {"resonance": told[1]}), added, alone and (alone.text, alone.odds))
    hints = (*hints, *(Hint(*each) for each in derived if each))
    prior = {c.condition: c.prior for c in catalogue.conditions if c.prior > 0}
    prior = _with_hints(prior, hints)
    chance = likelihoods.posterior(seen, prior)
    if slow:
        chance = _shared_out(catalogue, chance, prior, usable)

    def weights(clue: Observation) -> Mapping[str, float]:
        each = likelihoods.weights(clue, prior)
        return {name: each[name] if name == "healthy" else -each["healthy"] for name in each} if slow else each

    weighed = [(o.text, weights(o)) for o in seen]
    findings = tuple(
        _finding(catalogue[name], chance[name], weighed, hints, "" if slow else _main_rival(name, prior), position)
        for name in sorted(chance, key=lambda name: -chance[name])
        if chance[name] >= SHOWN
    )
    if not usable and not hints:
        return Diagnosis((), _undecided(catalogue, position, _unfit(readings), "Do what the screening says, then judge again."))
    compared = any(nearest(r, sound) for r in usable)

    def conclude(chance: Mapping[str, float]) -> Conclusion:
        return _conclude(catalogue, chance, usable, hints, seen, slow=slow, compared=compared, position=position)

    end = conclude(chance)
    if struck(seen) == ANY and _geometry_given(usable):
        end = replace(end, reason=f"{end.reason} {ANOTHER}")
    if why := why_not_compared(usable, references):
        end = replace(end, reason=f"{end.reason} Not compared with the {'other motors' if peers else 'healthy recordings'}: {why}.")
    if not peers and (gain := louder(usable, sound)):
        end = replace(end, reason=f"{end.reason} Against its healthy recordings {gain}.")
    if not peers and end.claims and (arms := how_many(usable)):
        end = replace(end, reason=f"{end.reason} {arms}")
    if slow or any(h.decides for h in hints):
        return Diagnosis(findings, end)
    ranked = next_measurements(seen, [r.settings for r in usable], likelihoods, prior, reach=reach, compared=compared, slow=narrow)
    best = next((n for n in ranked if n.bits >= WORTH_MORE or not end.claims), None)
    if best:
        end = replace(end, next_step=best.sentence, next_measurement=best.key, next_bits=best.bits)
    return Diagnosis(findings, _unless_counted(end, chance, alone.if_counted(chance), conclude) if alone else end)


def _unless_counted(
    end: Conclusion,
    chance: Mapping[str, float],
    counted: Mapping[int, tuple[float, Mapping[str, float]]],
    conclude: Callable[[Mapping[str, float]], Conclusion],
) -> Conclusion:
    """The conclusion, with what each number of blades would make of it where nobody counted them and that differs.

    counted: {blades: (its probability, the probability of each condition if it is so)}
    """
    ends = {blades: conclude(given) for blades, (probability, given) in counted.items() if probability >= OPEN}
    if all(each.part == end.part for each in ends.values()):
        return end
    end = replace(end, reason=f"{end.reason} {_by_count(ends)}")
    if end.condition != "undecided":
        return end
    bits = bits_of_counting(chance, counted)
    return replace(end, next_step=f"{BLADES}. {end.next_step}", next_measurement="blades", next_bits=bits)


def _by_count(ends: Mapping[int, Conclusion]) -> str:
    """Say that the verdict rests on a number of blades that nobody gave."""
    said: dict[str, list[str]] = {}
    for blades, end in ends.items():
        said.setdefault("it stays open" if end.condition == "undecided" else f"it is {conclusion_words(end)}", []).append(str(blades))
    each = [f"with {' or '.join(blades)} {words}" for words, blades in said.items()]
    return f"How many blades the propellers have was not said, and it matters: {', '.join(each)}."


def _with_hints(prior: dict[str, float], hints: Sequence[Hint]) -> dict[str, float]:
    weighted = {c: p * 10 ** sum(_log_odds(h, c) for h in hints) for c, p in prior.items()}
    total = sum(weighted.values())
    return {c: w / total for c, w in weighted.items()}


def _shared_out(
    catalogue: Catalogue, chance: Mapping[str, float], prior: Mapping[str, float], usable: Sequence[Reading]
) -> dict[str, float]:
    """What a sensor knows that sees little but 1x: that something is wrong, not what.

    Late damage of a bearing and a broken rotor bar raise 1x as well as an unbalance does (common practice, no source). Soundness keeps
    its chance; the rest have theirs by how frequent they are, but for the propeller's where none was on.
    """
    off = ("propeller", "propeller fixing") if not any(feels_propeller(r.settings.test) for r in usable) else ()
    share = {name: p for name, p in prior.items() if name != "healthy" and catalogue[name].part not in off}
    wrong = (1 - chance["healthy"]) / sum(share.values())
    return {name: chance["healthy"] if name == "healthy" else wrong * share.get(name, 0.0) for name in chance}


def _log_odds(hint: Hint, condition: str) -> float:
    """What a hint says of a condition; damage that was seen leaves little room for what it cannot be."""
    said = hint.odds.get(condition, 0.0)
    return said if said > 0 or not hint.decides else said + NOT_SEEN


def _main_rival(condition: str, prior: Mapping[str, float]) -> str:
    """The condition that makes up most of what else there may be, once eye and hand have spoken; "" where none does."""
    others = {name: p for name, p in prior.items() if name != condition}
    most = max(others, key=lambda name: others[name])
    return most if most != "healthy" and 2 * others[most] > sum(others.values()) else ""


def _unfit(readings: Sequence[Reading]) -> str:
    stops = [p.detail for r in readings for p in r.screening.problems if p.severity == "stop"]
    return stops[0] if stops else "There is no recording to judge."


def _finding(
    condition: Condition,
    probability: float,
    weighed: Sequence[tuple[str, Mapping[str, float]]],
    hints: Sequence[Hint],
    rival: str,
    position: str | None,
) -> Finding:
    measured = [(text, each.get(condition.condition, 0.0), rival) for text, each in weighed]
    says = [*measured, *((h.text, h.odds.get(condition.condition, 0.0), "") for h in hints)]
    told = sorted((each for each in says if abs(each[1]) >= LEAST_WEIGHT), key=lambda each: -abs(each[1]))
    evidence = tuple(Evidence(text, weight > 0, round(weight, 3), against) for text, weight, against in told)
    return Finding(condition.condition, probability, evidence, position, condition.part, condition.action, condition.next_step)


def _conclude(
    catalogue: Catalogue,
    chance: Mapping[str, float],
    usable: Sequence[Reading],
    hints: Sequence[Hint],
    seen: Sequence[Observation],
    *,
    slow: bool,
    compared: bool,
    position: str | None,
) -> Conclusion:
    ranked = sorted(chance, key=lambda name: -chance[name])
    best, rival = catalogue[ranked[0]], catalogue[ranked[1]]

    def kindred(one: Condition) -> tuple[str, ...]:
        return tuple(n for n in ranked if catalogue[n].group == one.group or catalogue[n].action == one.action)

    if best.condition == "healthy" and sum(chance[n] for n in kindred(rival)) >= SURE:  # one of several that call for the same
        best, rival = rival, best
    damage = [hint for hint in hints if hint.decides]
    if damage and (best.condition == "healthy" or chance[best.condition] < SURE):
        may_be = {c for hint in damage for c, odds in hint.odds.items() if odds > 0}
        found = catalogue[max(may_be, key=lambda c: chance[c])]
        share = chance[found.condition] / sum(chance[c] for c in may_be)  # given that the damage seen is there
        reason = f"By eye and hand: {'; '.join(h.text for h in damage)}. That stands whatever the recordings say."
        return Conclusion(found.condition, share, position, found.part, found.action, reason, found.next_step)
    if slow:
        unknown = "" if any(r.speed.rpm for r in usable) else "Without a shaft speed 1x could not be told: state the speed. "
        moved = next((f"{sentence(o.text)}. " for o in seen if o.name == "1x"), unknown)
        return _undecided(
            catalogue, position,
            f"{moved}This sensor samples too slowly to see more than the lowest orders; a 1x that rises may be imbalance, a bearing or the "
            "electrical side.",
            "Record the sound of the same motor, or use an accelerometer of 10 kHz or more.",
        )  # fmt: skip
    if best.condition == "healthy":
        if not compared:
            return _undecided(
                catalogue, position, "Nothing stands out, but there is nothing to compare with: one recording alone cannot show health.",
                "Record the other motors under the same test, or compare with a healthy recording of this one in the same set-up.",
            )  # fmt: skip
        if chance["healthy"] >= HEALTHY:
            return Conclusion("healthy", chance["healthy"], position, best.part, best.action, best.why, best.next_step)
        left = listed([catalogue[n].words for n in ranked[1:] if n == rival.condition or chance[n] >= OPEN])
        return _undecided(catalogue, position, f"Nothing stands out, but not ruled out: {left}.", rival.next_step)
    if chance[best.condition] >= SURE:
        alike = MAY_BE.get(best.condition, ()) or (MAY_BE_AT_ONE_SPEED.get(best.condition, ()) if _at_one_speed(usable) else ())
        in_all = chance[best.condition] + sum(chance[n] for n in alike)
        return Conclusion(best.condition, in_all, position, best.part, best.action, best.why, best.next_step, alike)
    akin = kindred(best)
    together = sum(chance[n] for n in akin)
    if together >= SURE and best.group != "none" and not _race_matters(best, seen, usable):
        also = tuple(n for n in akin if n != best.condition and chance[n] > SHOWN)
        reason = f"What to work on is clear, the fault itself less so: {' or '.join(catalogue[n].words for n in (best.condition, *also))}."
        return Conclusion(best.condition, together, position, best.part, best.action, reason, best.next_step, also)
    explains = [
        f"{'chance alone' if n == 'healthy' else catalogue[n].words} ({100 * chance[n]:.0f} %)"
        for n in ranked
        if n == rival.condition or chance[n] >= OPEN
    ]
    open_ = _undecided(catalogue, position, f"These explain what was measured: {listed(explains)}.", best.next_step)
    return replace(open_, probability=1 - chance["healthy"])


def _at_one_speed(usable: Sequence[Reading]) -> bool:
    """Steady recordings that all have one speed."""
    rpm = [r.speed.rpm for r in usable if r.speed.rpm]
    return all(r.settings.test != "run-up" for r in usable) and (not rpm or max(rpm) < (1 + APART) * min(rpm))


def _race_matters(best: Condition, seen: Sequence[Observation], usable: Sequence[Reading]) -> bool:
    """With the bearing's geometry given, a race is named only when it is the clear one; pulses of another geometry tell none."""
    return best.group == "bearing" and _geometry_given(usable) and struck(seen) != ANY


def _geometry_given(usable: Sequence[Reading]) -> bool:
    return any(r.settings.bearings for r in usable)


def _undecided(catalogue: Catalogue, position: str | None, reason: str, next_step: str) -> Conclusion:
    words = catalogue["undecided"]
    return Conclusion("undecided", 0.0, position, words.part, words.action, reason, next_step)


def conclude_craft(motors: Mapping[str, Diagnosis]) -> Conclusion:
    """One conclusion for a craft from the diagnosis of each position: the surest fault first, then what is open, then health."""
    ends = {position: d.conclusion for position, d in motors.items()}
    faults = [e for e in ends.values() if e.claims]
    if faults:
        return max(faults, key=lambda e: e.probability)
    opened = [e for e in ends.values() if e.condition == "undecided"]
    if opened:
        return max(opened, key=lambda end: end.probability)
    return Conclusion("healthy", math.prod(e.probability for e in ends.values()), None, "none", "none", next(iter(ends.values())).reason)
