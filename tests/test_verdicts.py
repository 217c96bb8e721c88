"""A thousand faults and five hundred healthy motors on the rig, through the whole chain.

The rig is the kit's own, so this shows that verdicts follow from the measurements and are humble, not that the rig is true; the open
recordings are the outside check. Severities count in repeatability limits of ISO 5725-6:1994 (r = 2.8 s_r), see vibekit.rig.severity.
Craft are drawn from other seeds than those the likelihoods were made from.
"""

import random
from collections import Counter
from concurrent.futures import ProcessPoolExecutor

import pytest

from vibekit.calibration import craft_cases
from vibekit.diagnosis import diagnose
from vibekit.rig import CONDITIONS, Fault

CRAFT, FAULTS, HEALTHY = 63, 16, 8  # 1008 faults, 504 healthy motors
SEVERITIES = (2, 4, 8)
RIGHT, WRONG = 0.55, 0.15  # what the tables give today, with a margin; the aim is 0.80 and 0.05


def judged(seed):
    """(true condition, severity, concluded condition) of every case on one craft."""
    draw = random.Random(seed)
    every = [Fault(c, s) for c in CONDITIONS if c != "healthy" for s in SEVERITIES]
    cases = craft_cases(seed, draw.sample(every, FAULTS), HEALTHY)
    truth = [(case.fault.condition, case.fault.severity) if case.fault else ("healthy", 0) for case in cases]
    return [(*true, diagnose(case.now, references=case.baseline).conclusion.condition) for true, case in zip(truth, cases, strict=True)]


@pytest.fixture(scope="module")
def outcomes():
    with ProcessPoolExecutor() as pool:
        return [row for rows in pool.map(judged, range(CRAFT)) for row in rows]


def test_faults_are_named_right_and_seldom_wrong(outcomes):
    faults = [(true, said) for true, _, said in outcomes if true != "healthy"]
    assert len(faults) >= 1000
    right = sum(said == true for true, said in faults)
    undecided = sum(said == "undecided" for _, said in faults)
    wrong = Counter((true, said) for true, said in faults if said not in (true, "undecided"))
    assert right >= RIGHT * len(faults), (right, undecided, wrong.most_common(8))
    assert wrong.total() <= WRONG * len(faults), wrong.most_common(12)


def test_healthy_motors_are_not_called_faulty(outcomes):
    healthy = [said for true, _, said in outcomes if true == "healthy"]
    assert len(healthy) >= 500
    assert sum(said not in ("healthy", "undecided") for said in healthy) <= 4, Counter(healthy)


def test_larger_faults_are_named_more_surely(outcomes):
    share = {s: [said == true for true, severity, said in outcomes if severity == s] for s in SEVERITIES}
    rates = [sum(share[s]) / len(share[s]) for s in SEVERITIES]
    assert rates == sorted(rates)
