"""Faults and healthy motors on the rig, through the whole chain: a thousand and five hundred when VIBEKIT_RIG_CRAFT is 63.

By default a part of them, held to what chance leaves in so few (binomial, one in a hundred). Blades, magnets and bearing are stated.

The rig is the kit's own, so this shows that verdicts follow from the measurements and are humble, not that the rig is true; the open
recordings are the outside check. Severities count in repeatability limits of ISO 5725-6:1994 (r = 2.8 s_r), see vibekit.rig.severity.
Craft are drawn from other seeds than those the likelihoods were made from.
"""

import os
import random
from collections import Counter
from concurrent.futures import ProcessPoolExecutor

import pytest
from scipy import stats

from vibekit.diagnosis import diagnose
from vibekit.rig import CONDITIONS, Fault
from vibekit.rig_case import craft_cases

CRAFT = int(os.environ.get("VIBEKIT_RIG_CRAFT", "2"))
FAULTS, HEALTHY = 16, 8  # a craft
SEVERITIES = (2, 4, 8)
RIGHT, WRONG, CALLED_FAULTY = 0.85, 0.02, 0.01
PASSED_OVER = 0.02  # "no fault found"
ENOUGH = 1000  # cases from which the shares hold as they stand


def judged(seed):
    """(true condition, severity, concluded condition) of every case on one craft."""
    draw = random.Random(seed)
    every = [Fault(c, s) for c in CONDITIONS if c != "healthy" for s in SEVERITIES]
    cases = craft_cases(seed, draw.sample(every, FAULTS), HEALTHY, known=True)
    truth = [(case.fault.condition, case.fault.severity) if case.fault else ("healthy", 0) for case in cases]
    return [(*true, diagnose(case.now, references=case.baseline).conclusion.condition) for true, case in zip(truth, cases, strict=True)]


@pytest.fixture(scope="module")
def outcomes():
    with ProcessPoolExecutor() as pool:
        return [row for rows in pool.map(judged, range(CRAFT)) for row in rows]


def most(count, share):
    """How many of `count` may be so when the share of all is `share`."""
    return share * count if count >= ENOUGH else stats.binom.ppf(0.99, count, share)


def test_faults_are_named_right_and_seldom_wrong(outcomes):
    faults = [(true, said) for true, _, said in outcomes if true != "healthy"]
    wrong = Counter((true, said) for true, said in faults if said not in (true, "undecided", "healthy"))
    passed_over = sum(said == "healthy" for _, said in faults)
    missed = sum(said != true for true, said in faults)
    assert len(faults) == CRAFT * FAULTS
    assert missed <= most(len(faults), 1 - RIGHT), (missed, len(faults), wrong.most_common(8))
    assert wrong.total() <= most(len(faults), WRONG), (len(faults), wrong.most_common(12))
    assert passed_over <= most(len(faults), PASSED_OVER), (len(faults), passed_over)


def test_healthy_motors_are_not_called_faulty(outcomes):
    healthy = [said for true, _, said in outcomes if true == "healthy"]
    assert len(healthy) == CRAFT * HEALTHY
    called = sum(said not in ("healthy", "undecided") for said in healthy)
    assert called <= (CALLED_FAULTY * len(healthy) if CRAFT * FAULTS >= ENOUGH else most(len(healthy), CALLED_FAULTY)), Counter(healthy)


def test_larger_faults_are_named_more_surely(outcomes):
    share = {s: [said == true for true, severity, said in outcomes if severity == s] for s in SEVERITIES}
    rates = [sum(share[s]) / len(share[s]) for s in SEVERITIES]
    assert rates[0] < rates[-1]
    assert rates == sorted(rates) or len(outcomes) < ENOUGH
