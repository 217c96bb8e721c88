"""Damaged, sound and noisy bearings of another simulator, each heard with its geometry given and without.

How many of each kind: VIBEKIT_BEARINGS, a handful by default.
"""

import os
from functools import lru_cache

import numpy as np
import pytest

from tests.struck_bearings import HURT, WHOLE, draw
from vibekit.pulses import find_pulses
from vibekit.transform import Transform

EACH = int(os.environ.get("VIBEKIT_BEARINGS", "10"))
CLEAR = 3.0  # decades: half of the least that a verdict has needed
PART = {"outer race": "outer", "inner race": "inner", "ball": "ball", "cage": "cage", "defect comb": "some"}


def leader(record, *, known):
    """(part or None, score) of what leads."""
    found = find_pulses(
        Transform.of(record.samples.copy(), record.rate_hz),
        record.turns_at_s,
        (record.bearing,) if known else (),
        top_hz=0.45 * record.rate_hz,
        speed_u95=2e-4,
        leave_out_s=(),
    ).bearing.combs
    name, comb = max(found, key=lambda pair: pair[1].score)
    return (PART[name] if comb.score > CLEAR else None), round(comb.score, 1)


@lru_cache(1)  # the next test hears the same ones without their geometry
def records(kind, **how):
    return [(i, draw(np.random.default_rng([i, *map(ord, kind)]), kind, **how)) for i in range(EACH)]


@pytest.mark.parametrize("kind", HURT)
def test_strikes_a_third_as_strong_as_the_rest_are_found_and_put_down_to_their_part(kind):
    led = [(i, *leader(record, known=True)) for i, record in records(kind, share_db=-5.0)]
    right = sum(part == kind for _, part, _ in led)
    wrong = [row for row in led if row[1] not in (kind, None, "cage")]
    assert right >= 0.6 * EACH, led
    assert len(wrong) <= 0.02 * EACH, wrong


@pytest.mark.parametrize("kind", HURT)
def test_weak_strikes_are_put_down_to_no_other_part(kind):
    wrong = [(i, led) for i, record in records(kind) if (led := leader(record, known=True))[0] not in (kind, None, "cage")]
    assert len(wrong) <= 0.02 * EACH, wrong


@pytest.mark.parametrize("known", [True, False], ids=["geometry known", "geometry not known"])
@pytest.mark.parametrize("kind", WHOLE)
def test_sound_bearings_looseness_grit_and_a_shaft_nearby_are_no_damage(kind, known):
    false = [(i, led) for i, record in records(kind) if (led := leader(record, known=known))[0]]
    assert len(false) <= 0.02 * EACH, false


def test_clipping_hides_some_but_turns_hardly_any_into_another():
    for kind in HURT:
        led = [leader(record, known=True)[0] for _, record in records(kind, share_db=0.0, clipped=True)]
        assert sum(part not in (kind, None, "cage") for part in led) <= 0.02 * EACH, (kind, led)
        assert led.count(kind) >= 0.5 * EACH, (kind, led)
