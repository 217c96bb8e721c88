"""How far verdicts can be trusted: `python -m vibekit.reliability [CRAFT]`.

Draws craft from another population than the tables were made from (`ELSEWHERE` in `vibekit.rig.population`), measures each healthy and
with faults through the whole chain, and writes what was concluded into `reference_spectra/`: verdicts.csv, and as pictures
reliability.svg and verdicts.svg.
"""

import random
import sys
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy import stats

from vibekit.catalogue import load_catalogue
from vibekit.diagnosis import diagnose
from vibekit.finding import Conclusion, Diagnosis
from vibekit.made_table import FOLDER, craft_wanted, made_by
from vibekit.rig import CONDITIONS, Fault
from vibekit.rig.population import ELSEWHERE
from vibekit.rig_case import craft_cases

CRAFT = 240
FIRST_SEED = 7_001_494  # tests and tables draw theirs from other seeds, and craft before it were looked at while rules were made
FAULTS, HEALTHY = 4, 2  # a craft
SEVERITIES = (2, 4, 8)
STEPS = (0.0, 0.05, 0.15, 0.3, 0.5, 0.7, 0.85, 0.95, 1.0)  # edges of the bins of stated probability
WORTH = 10.0  # cases in a bin, from which it says anything


@dataclass(frozen=True, slots=True)
class Outcome:
    """One case of known truth and what was said of it. stated: (condition, probability) of every finding."""

    condition: str
    severity: float
    conclusion: Conclusion
    stated: tuple[tuple[str, float], ...]

    @classmethod
    def of(cls, fault: Fault | None, said: Diagnosis) -> "Outcome":
        """What was said of a rotor with this fault, or none."""
        condition, severity = (fault.condition, fault.severity) if fault else ("healthy", 0.0)
        return cls(condition, severity, said.conclusion, tuple((f.condition, f.probability) for f in said.findings))

    @property
    def is_right(self) -> bool:
        """The condition was concluded."""
        return self.conclusion.condition == self.condition

    @property
    def is_wrong(self) -> bool:
        """Something else was concluded and the condition not named beside it."""
        return not self.is_right and self.conclusion.condition != "undecided" and self.condition not in self.conclusion.also


@dataclass(frozen=True, slots=True)
class Bin:
    """Findings of about one stated probability: its mean, how often the condition was there, with 95 % interval, and what they weigh."""

    stated: float
    there: float
    low: float
    high: float
    share: float


def outcomes_of(seed: int) -> list[Outcome]:
    """Cases of one craft of ELSEWHERE, with random faults; blades, magnets and bearing are stated."""
    draw = random.Random(seed)
    every = [Fault(condition, severity) for condition in CONDITIONS if condition != "healthy" for severity in SEVERITIES]
    cases = craft_cases(seed, draw.sample(every, FAULTS), HEALTHY, known=True, population=ELSEWHERE)
    return [Outcome.of(case.fault, diagnose(case.now, references=case.baseline)) for case in cases]


def reliability(outcomes: Sequence[Outcome]) -> tuple[Bin, ...]:
    """Stated probability against how often it was so, each condition weighed by its prior, as the probabilities are stated for.

    Intervals: Clopper & Pearson, Biometrika 26 (1934) 404-413, on the number of findings that so unequal weights are worth (Kish,
    Survey Sampling (1965), section 11.7).
    """
    prior = {c.condition: c.prior for c in load_catalogue().conditions}
    count = Counter(o.condition for o in outcomes)
    rows = np.array([(p, name == o.condition, prior[o.condition] / count[o.condition]) for o in outcomes for name, p in o.stated])
    stated, there, weight = rows.T
    bins = []
    for low, high in pairwise(STEPS):
        inside = (stated > low) & (stated <= high)
        w = weight[inside]
        worth = w.sum() ** 2 / max((w**2).sum(), 1e-300)
        if worth < WORTH:
            continue
        share = float(np.average(there[inside], weights=w))
        k = share * worth
        least = 0.0 if k <= 0 else float(stats.beta.ppf(0.025, k, worth - k + 1))
        most = 1.0 if k >= worth else float(stats.beta.ppf(0.975, k + 1, worth - k))
        bins.append(Bin(float(np.average(stated[inside], weights=w)), share, least, most, float(w.sum())))
    return tuple(bins)


def calibration_error(bins: Sequence[Bin]) -> float:
    """Expected calibration error: mean of |stated - observed| over the findings (Naeini, Cooper & Hauskrecht, AAAI (2015) 2901-2907)."""
    return float(np.average([abs(b.stated - b.there) for b in bins], weights=[b.share for b in bins]))


def verdict_table(outcomes: Sequence[Outcome]) -> str:
    """Text of verdicts.csv: how often each condition, at each severity, was concluded to be what; beside: it was named beside that."""
    rows = Counter((o.condition, o.severity, o.conclusion.condition, o.condition in o.conclusion.also) for o in outcomes)
    lines = [f"{c},{s:g},{said},{int(also)},{n}" for (c, s, said, also), n in sorted(rows.items())]
    return "\n".join(["condition,severity,concluded,beside,cases", *lines]) + "\n"


def summary(outcomes: Sequence[Outcome]) -> str:
    """The shares in words."""
    faults, sound = [o for o in outcomes if o.condition != "healthy"], [o for o in outcomes if o.condition == "healthy"]
    right, wrong = sum(o.is_right for o in faults), sum(o.is_wrong for o in faults)
    called = sum(o.conclusion.claims for o in sound)
    return (
        f"{len(faults)} faults: {right / len(faults):.1%} named right, {wrong / len(faults):.1%} wrong, the rest left open. "
        f'{len(sound)} sound motors: {called} called faulty, {sum(o.is_right for o in sound) / len(sound):.1%} "no fault found". '
        f"Expected calibration error {calibration_error(reliability(outcomes)):.3f}."
    )


def main() -> None:
    """Judge the craft and write the table and the pictures into `reference_spectra/` of this checkout."""
    from vibekit.reliability_plot import confusion_picture, reliability_picture

    craft = craft_wanted(CRAFT)
    with ProcessPoolExecutor() as pool:
        outcomes = [o for each in pool.map(outcomes_of, range(FIRST_SEED, FIRST_SEED + craft)) for o in each]
    said = summary(outcomes)
    head = f"{made_by('vibekit.reliability')}# {craft} craft. {said}\n"
    (FOLDER / "verdicts.csv").write_text(head + verdict_table(outcomes), encoding="utf-8")
    for name, picture in (("reliability", reliability_picture(reliability(outcomes))), ("verdicts", confusion_picture(outcomes))):
        (FOLDER / f"{name}.svg").write_text(picture, encoding="utf-8")
    sys.stdout.write(said + "\n")


if __name__ == "__main__":
    main()
