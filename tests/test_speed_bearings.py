"""The shaft of a machine whose bearing is hurt, with nothing typed: its cage, its half and its multiples stand in the way."""

import numpy as np
import pytest

from tests.struck_bearings import draw
from vibekit.estimate import estimate_speed
from vibekit.settings import Settings
from vibekit.transform import Transform

CAGES = 0.34, 0.43  # of the shaft's speed: (1 - d/D) / 2 with d/D from 0.15 to 0.3 (Randall & Antoni 2011, section 2)


def speeds(seed, kind, test, *, known):
    """The likeliest speed over that of the shaft, and how sure it is."""
    rng = np.random.default_rng(seed)
    record = draw(rng, kind, rng.uniform(-12, 3))
    hz = np.ptp(record.turns) / (len(record.turns) - 1) * record.rate_hz
    found = estimate_speed([Transform.of(record.samples, record.rate_hz)], Settings(test=test, bearings=(record.bearing,) if known else ()))
    return found.choice.comb.hz / hz, found.choice.confidence * found.presence


@pytest.mark.parametrize("seed", [910_066, 910_134, 910_114, 920_234])
@pytest.mark.parametrize("known", [True, False])
def test_the_cage_that_a_hurt_balls_lines_stand_beside_is_not_claimed_for_the_shaft(seed, known):
    ratio, sure = speeds(seed, "ball", "bare", known=known)
    assert sure < 0.75 or not CAGES[0] < ratio < CAGES[1]


@pytest.mark.parametrize(("seed", "kind"), [(920_022, "ball"), (920_230, "ball"), (920_264, "outer")])
def test_a_shaft_is_not_given_away_for_its_half_that_has_all_its_lines(seed, kind):
    ratio, sure = speeds(seed, kind, None, known=True)
    assert sure > 0.75
    assert ratio == pytest.approx(1, abs=3e-3)
