"""What to do next in a balancing job: the one place that decides."""

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from vibekit.balance_job import BalanceJob
from vibekit.balance_solution import PlaneAnswer, Solution, level, scatter, solve
from vibekit.balance_verdict import judge_balance, left_words
from vibekit.balancing import trial_is_enough
from vibekit.spots import Choice, Spot, Weight, choose, three_directions
from vibekit.trial_weight import pulls, trial_size, weight_at
from vibekit.turning import BLADES, POWER
from vibekit.wording import listed, with_interval

Kind = Literal["record", "trial", "correct", "finished", "refused"]
SURE = {"phase": 0.2, "amplitude": 0.35}  # circle of the correction over its size, beyond which another trial is worth while
FIT = (0.5, 1.5)  # of sin^2 + cos^2: outside, one of the amplitudes is wrong
CLEAR = 3.0  # first vibration over the error of its mean, below which there is nothing to balance
MANY_TRIALS = {"phase": 4, "amplitude": 8}  # then a larger weight will not help either
IDLE_TRIALS = {"phase": 4, "amplitude": 6}  # none of which changed 1x: the last is then 8 times the first
LEFT_OVER = 0.3  # of the wanted unbalance that the places leave: then others are asked for
IDLE = (
    "Stop here: no weight changed 1x. Either none stayed on, or the sensor does not feel this rotor, or 1x comes from elsewhere: "
    "another rotor, a mode of the frame, the tacho."
)
FIX = "Fix every weight so that it cannot leave, and pull at it before the run; stand out of the propeller's plane."


@dataclass(frozen=True, slots=True)
class Step:
    """What to do next.

    kind: record the rotor as it is; mount a trial weight, or the correction, then record; it is finished, or cannot be done
    text: what to do, one sentence; why: with the numbers
    weights: all that shall be on the rotor, over its first state; missing: recordings still wanted, at each speed
    cautions: to be read before it is done
    """

    kind: Kind
    text: str
    why: tuple[str, ...] = ()
    weights: tuple[Weight, ...] = ()
    missing: tuple[int, ...] = ()
    cautions: tuple[str, ...] = ()


def next_step(job: BalanceJob) -> Step:
    """Give the next step. Pure: the same job gives the same step. Raises UsageError when a trial weight cannot be named."""
    if job.ended:
        return Step("finished", job.ended)
    if job.obstacles and not job.overruled:
        return Step("refused", listed([o.act for o in job.obstacles]), tuple(o.reason for o in job.obstacles))
    if any(job.missing()):
        return _record(job)
    first = level(job, job.rounds[0])
    if abs(first.value) < CLEAR * first.error:
        shown = with_interval(abs(first.value), first.u95, first.unit)
        return Step("finished", "Nothing to balance: 1x does not stand clear of its own scatter.", (f"1x as found: {shown}",))
    found = solve(job)
    if job.now.stage == "trial" and _trials(job) >= IDLE_TRIALS[job.method] and not _shows(job):
        return Step("finished", IDLE, (_idle_words(job),))
    if found is not None and (job.now.stage == "check" or _shows(job)) and _enough(job, found):
        return _correct(job, found)
    return _trial(job, found)


def _record(job: BalanceJob) -> Step:
    speeds = [f"{count} at {rpm:.0f} rpm" for count, rpm in zip(job.missing(), job.references_rpm, strict=False) if count]
    count = listed(speeds) if len(job.references_rpm) > 1 else f"{sum(job.missing())} more" if job.now.takes else f"{sum(job.missing())}"
    state = {"as found": "as it was found", "trial": "with the trial weight", "check": "with the correction"}[job.now.stage]
    text = f"Record the rotor {state}: {count} recording{'s' if sum(job.missing()) > 1 else ''}, stopping in between."
    cautions = () if job.now.takes else (*POWER, *BLADES, *_pulls(job, job.now.weights))
    return Step("record", text, (), job.now.weights, job.missing(), cautions)


def _enough(job: BalanceJob, found: Solution) -> bool:
    """The runs tell the correction well enough, or as well as they ever will."""
    trials = [r for r in job.rounds if r.stage != "as found"]
    if _trials(job) >= MANY_TRIALS[job.method]:
        return found.mirror is None
    if (job.method == "amplitude" and _unused(job)) or found.mirror is not None or not _fits(found):
        return False
    if job.method == "phase" and not job.borrowed and len(trials) == 1:
        before, after = (level(job, r).value for r in (job.rounds[0], trials[0]))
        if not trial_is_enough(before, after):
            return False
    return all(answer.u95 <= SURE[job.method] * abs(answer.wanted) or _tiny(answer, job, found) for answer in found.planes)


def _trials(job: BalanceJob) -> int:
    return sum(r.stage != "as found" for r in job.rounds)


def _shows(job: BalanceJob) -> bool:
    """The weights of each plane that were tried changed 1x beyond its scatter; else nothing can be concluded from them."""
    part = np.asarray if job.method == "phase" else np.abs
    first = part(job.readings(job.rounds[0])).mean(axis=0)
    clear = CLEAR * scatter(job) * math.sqrt(2 / job.repeats)
    for number in range(len(job.planes)):
        moved = [np.abs(part(job.readings(r)).mean(axis=0) - first).max() for r in job.whole if abs(job.weights_in(r)[number]) > 0]
        if moved and not max(moved) > clear:
            return False
    return True


def _idle_words(job: BalanceJob) -> str:
    told = [f"{with_interval(abs(seen.value), seen.u95, seen.unit)}" for seen in (level(job, r) for r in job.rounds)]
    return f"1x as found and with each weight: {listed(told)}: no change that stands above the scatter of the recordings."


def _tiny(answer: PlaneAnswer, job: BalanceJob, found: Solution) -> bool:
    """Hardly anything is wanted in this plane: its circle may be as large as the weight."""
    return abs(answer.wanted) * answer.sensitivity < 2 * found.scatter or answer.left.low == 0.0


def _trial(job: BalanceJob, found: Solution | None) -> Step:
    plane = next((p for n, p in enumerate(job.planes) if not _tried(job, n)), None)
    number = job.planes.index(plane) if plane else 0
    plane = plane or job.planes[0]
    spots = [spot for spot in job.spots if spot.plane == plane]
    first = level(job, job.rounds[0])
    known = _sensitivity(job, number, found)
    size = trial_size(job, plane, abs(first.value), known)
    spot = _next_spot(job, spots, found, number)
    weight = weight_at(spot, size.g_mm, job)
    why = [f"1x as found: {with_interval(abs(first.value), first.u95, first.unit)}; one recording repeats within "
           f"{100 * scatter(job) / abs(first.value):.2g} % of it.", f"{size.why[:1].upper()}{size.why[1:]}."]  # fmt: skip
    if found is not None or (job.now.stage == "trial" and _tried(job, len(job.planes) - 1)):
        why.insert(1, _short(job, found))
    text = f"Mount a trial weight of {job.stock.words(weight.mass_g)} at {spot.name}, {spot.radius_mm:g} mm, and nothing else; then record."
    if spot.removes:
        text = f"Take {-weight.mass_g:.3g} g off at {spot.name}, {spot.radius_mm:g} mm; then record."
    return Step("trial", text, tuple(why), (weight,), (job.repeats,) * len(job.references_rpm), _cautions(job, (weight,)))


def _short(job: BalanceJob, found: Solution | None) -> str:
    if job.method == "amplitude" and _unused(job):
        return "Amplitudes at three places tell the direction; fewer leave a mirror image."
    if job.now.stage == "trial" and not _shows(job):
        return f"{_idle_words(job)} Was each weight mounted as asked for, and did it stay on? If not, take those recordings back."
    if found is None and job.method == "phase":
        return "The weights of the planes act too much alike to be told apart."
    if found is None:
        return "The amplitudes of these places do not fit together. Did sensor and speed stay the same, and every weight stay on?"
    if found.mirror is not None:
        return "Two answers, mirror images of each other, explain the amplitudes: a weight at one more place decides."
    if not _fits(found):
        return f"The amplitudes do not fit together: sin² + cos² is {found.consistency:.2f}, not 1. Did sensor and speed stay the same?"
    effect = min(answer.effect for answer in found.planes)
    return f"The weights so far changed the vibration by {100 * effect:.2g} % of what it was: too little, or too near the scatter."


def _fits(found: Solution) -> bool:
    return found.consistency is None or FIT[0] <= found.consistency <= FIT[1]


def _tried(job: BalanceJob, number: int) -> bool:
    own = any(abs(job.weights_in(r)[number]) > 0 for r in job.rounds)
    return own or (job.method == "phase" and any(abs(job.weights_in(r)[number]) > 0 for r in job.borrowed))


def _sensitivity(job: BalanceJob, number: int, found: Solution | None) -> float | None:
    """Vibration of 1 g mm, None where no trial has told it; by amplitude one size is kept until all three places were tried."""
    open_places = job.method == "amplitude" and _unused(job)
    return found.planes[number].sensitivity if found is not None and _tried(job, number) and not open_places else None


def _unused(job: BalanceJob) -> list[Spot]:
    """Of the three trial places of balancing by amplitude, those not tried yet."""
    used = {w.spot for r in job.rounds for w in r.weights}
    return [spot for spot in three_directions(tuple(s for s in job.spots if s.plane == job.planes[0])) if spot not in used]


def _next_spot(job: BalanceJob, spots: Sequence[Spot], found: Solution | None, number: int) -> Spot:
    """By amplitude: three directions in turn. Once the answer is known roughly, where the trial lessens the vibration."""
    adding = [spot for spot in spots if not spot.removes] or list(spots)
    if job.method == "amplitude" and (unused := _unused(job)):
        return unused[0]
    if found is not None and found.mirror is not None:  # where the two answers differ most
        apart = found.planes[number].wanted - found.mirror
        return max(adding, key=lambda spot: abs((apart * spot.arm.conjugate()).real) / abs(spot.arm))
    if found is not None and _tried(job, number):
        wanted = found.planes[number].wanted
        return max(adding, key=lambda spot: (wanted * spot.arm.conjugate()).real / abs(spot.arm))
    return max(adding, key=lambda spot: spot.radius_mm)


def _correct(job: BalanceJob, found: Solution) -> Step:
    if job.now.stage == "check":
        verdict = judge_balance(job, found)
        if verdict.good:
            return Step("finished", "Finished: take the last readings as the new baseline.", verdict.reasons, job.now.weights)
    keeps = job.now.stage == "check" or (job.now.stage == "trial" and job.keep_trials)
    stay = job.now.weights if keeps else ()
    chosen = [_place(job, answer, stay) for answer in found.planes]
    added = tuple(weight for choice in chosen for weight in choice.weights)
    why = tuple(_wanted_words(answer) for answer in found.planes)
    if job.now.stage == "check":
        why = (*judge_balance(job, found).reasons, *why)
        left = [answer.left.size - abs(choice.remaining) for answer, choice in zip(found.planes, chosen, strict=True)]
        if not added or max(left) < 0.1 * max(answer.left.size for answer in found.planes):
            return Step("finished", "Stop here: with these places and masses nothing better can be made.", why, job.now.weights)
    for answer, choice in zip(found.planes, chosen, strict=True):
        if abs(choice.remaining) > LEFT_OVER * abs(answer.wanted) and job.now.stage != "check":
            why = (*why, _asking_for_places(job, answer.plane, choice.remaining))
    before = "Leave what is on, and add" if keeps else "Take the trial weight off and mount" if job.now.stage == "trial" else "Mount"
    if not added:
        return Step("finished", "Nothing can be mounted: the places allowed and the masses at hand leave no better choice.", why, stay)
    text = f"{before} {listed([_weight_words(job, weight) for weight in added])}; then record."
    weights = (*stay, *added)
    return Step("correct", text, why, weights, (job.repeats,) * len(job.references_rpm), _cautions(job, weights))


def _place(job: BalanceJob, answer: PlaneAnswer, stay: Sequence[Weight]) -> Choice:
    there = sum((w.unbalance for w in stay if w.spot.plane == answer.plane), 0j)
    return choose(answer.wanted - there, [spot for spot in job.spots if spot.plane == answer.plane], job.stock)


def _asking_for_places(job: BalanceJob, plane: str, remaining: complex) -> str:
    return (
        f"These places leave {abs(remaining):.2g} g mm in the {plane}. "
        "Two blades, or two holes, take nothing across their line: allow the hub, flanks or the rim too."
    )


def _wanted_words(answer: PlaneAnswer) -> str:
    size, angle = abs(answer.wanted), math.degrees(cmath.phase(answer.wanted)) % 360
    turn = math.degrees(math.asin(min(answer.u95 / size, 1.0))) if size else 180.0
    return (
        f"{answer.plane}: wanted {with_interval(size, answer.u95, 'g mm')} at {angle:.1f} ± {turn:.1f}° from the mark, in the direction "
        f"of rotation, over the rotor as found; left now {left_words(answer.left)}."
    )


def _weight_words(job: BalanceJob, weight: Weight) -> str:
    if weight.mass_g < 0:
        return f"{-weight.mass_g:.3g} g taken off at {weight.spot.name} ({weight.spot.radius_mm:g} mm)"
    return f"{job.stock.words(weight.mass_g)} at {weight.spot.name} ({weight.spot.radius_mm:g} mm)"


def _cautions(job: BalanceJob, weights: Sequence[Weight]) -> tuple[str, ...]:
    return (FIX, *_pulls(job, weights), *BLADES)


def _pulls(job: BalanceJob, weights: Sequence[Weight]) -> tuple[str, ...]:
    return pulls(weights, max(job.references_rpm)) if job.references_rpm else ()
