import numpy as np
import pytest

from tests.shaft_sounds import coloured, draw, hum, orders, walk
from vibekit.bearing import Bearing
from vibekit.choice import choose, is_race, related, simple_ratio
from vibekit.comb import blade_counts, find_combs
from vibekit.estimate import estimate_speed
from vibekit.frames import frames_of
from vibekit.lines import find_lines
from vibekit.ridge import best_path, ridge
from vibekit.settings import Settings
from vibekit.speed import CLAIMED
from vibekit.transform import Transform

RATE = 8_000


def transforms(*signals, rate=RATE):
    return [Transform.of(np.asarray(signal, np.float32), rate) for signal in signals]


def lines_of(samples, rate=RATE, seconds=8.0):
    return find_lines(frames_of([np.asarray(samples, np.float32)], rate, 0.4 * rate, seconds))


# lines


@pytest.mark.parametrize("slope", [0.0, 2.0])
def test_chance_of_a_line_is_even_in_noise_of_any_colour(slope):
    """The probability integral transform: p-values of what is true are uniform. Ten places a record, forty records."""
    rng = np.random.default_rng(int(slope))
    chance = []
    for _ in range(40):
        lines = lines_of(coloured(rng, 10 * RATE, slope))
        place = rng.uniform(50, 3_000, (1, 10))
        reach = np.full(place.shape, 1.0)
        chance.append(lines.chance(lines.best_near(place, reach), reach))
    share = np.mean(np.concatenate(chance, axis=None)[:, None] < [0.1, 0.3, 0.5, 0.7, 0.9], axis=0)
    assert share == pytest.approx([0.1, 0.3, 0.5, 0.7, 0.9], abs=0.08)  # three standard deviations of 400


def test_a_line_is_found_at_its_frequency_and_height():
    """Hann window, 8 s: a sine of amplitude a in noise of density g stands a^2 / 2 x 8 s / 1.5 / g over it (Harris 1978: 1.5 bins)."""
    rng = np.random.default_rng(2)
    time = np.arange(16 * RATE) / RATE
    lines = lines_of(0.1 * np.cos(2 * np.pi * 123.456 * time) + rng.standard_normal(time.size))
    found = int(lines.best_near(np.array([123.4]), np.array([0.3]))[0])
    assert lines.frequency[found] == pytest.approx(123.456, abs=0.02)
    assert lines.height_db[found] == pytest.approx(10 * np.log10(0.1**2 / 2 * 8 / 1.5 / (2 / RATE)), abs=1.5)


# combs


def heard(rng, hz, level_db, seconds=10.0, noise_db=0.0, wander=0.0):
    n = int(seconds * RATE)
    speed = walk(rng, n, RATE, hz, wander) if wander else np.full(n, hz)
    return orders(rng, speed, RATE, level_db) + 10 ** (noise_db / 20) * coloured(rng, n)


@pytest.mark.parametrize(
    ("level_db", "right"),
    [
        ({1: 0, 2: -6, 3: -10, 4: -12}, 1),  # falling harmonics: half the speed would miss every second line
        ({1: -25, 2: 0, 3: -22, 4: -3, 6: -6}, 1),  # two blades nearly alike
        ({2: 0, 3: 0, 4: 0, 5: 0, 6: 0, 7: 0}, 1),  # order 1 lost: only it divides the rest
        ({1: 0, 2: -12}, 1),  # a lone line is no comb, two are
    ],
)
def test_octave_traps_are_resolved_by_what_the_rival_cannot_explain(level_db, right):
    estimate = estimate_speed(transforms(heard(np.random.default_rng(5), 87.3, level_db)), Settings())
    assert estimate.track.mean_hz == pytest.approx(right * 87.3, rel=1e-3)


def test_the_number_of_blades_decides_between_blade_pass_and_order_one():
    """Lines at 3, 6 and 9 x 60 Hz and a trace of 1x: unknown, both are offered; with three blades the slow one is taken."""
    samples = heard(np.random.default_rng(6), 60.7, {1: -27, 2: -33, 3: 0, 6: -5, 9: -10})
    three = estimate_speed(transforms(samples), Settings(test="prop", blades=3))
    assert three.track.mean_hz == pytest.approx(60.7, rel=1e-3)
    unknown = estimate_speed(transforms(samples), Settings()).choice
    offered = {round(unknown.comb.hz / 60.7, 2)} | {round(comb.hz / 60.7, 2) for comb, _ in unknown.rivals}
    assert {1.0, 3.0} <= offered


@pytest.mark.parametrize("known", [True, False], ids=["geometry known", "geometry not known"])
def test_a_comb_of_a_bearing_is_not_taken_for_the_shaft_that_turns_it(known):
    """Orders (6205 of the Case Western data). Without the geometry the shaft must stand out by itself."""
    rng = np.random.default_rng(7)
    bearing = Bearing(9, 7.94, 39.04)
    shaft = heard(rng, 29.53, {k: -5 - 2 * k for k in range(1, 6 if known else 12)})
    race = orders(rng, walk(rng, shaft.size, RATE, 29.53 * bearing.outer, 1e-4), RATE, {k: -k for k in range(1, 12)})
    settings = Settings(bearings=(bearing,)) if known else Settings()
    choice = estimate_speed(transforms(shaft + race), settings).choice
    assert choice.comb.hz == pytest.approx(29.53, rel=1e-3)
    assert any(comb.hz == pytest.approx(29.53 * bearing.outer, rel=1e-3) for comb, _ in choice.rivals)
    assert is_race(bearing.outer * 1.01, settings) == known
    assert not is_race(2.0, settings)


@pytest.mark.parametrize(("balls", "race"), [(8, "inner"), (9, "outer"), (9, "inner")])
@pytest.mark.parametrize("known", [True, False], ids=["geometry known", "geometry not known"])
def test_a_shaft_whose_bearing_drowns_it_is_found_by_the_side_lines(balls, race, known):
    """Pulses at the defect order ring at 4 kHz and grow and fade once a turn; of the shaft itself nothing is left.

    Model after Randall & Antoni (2011), section 2.2: pulses through a resonance, load zone once a turn, no slip.
    """
    rng = np.random.default_rng(balls)
    bearing, rate, n = Bearing(balls, 1.2, 5.0), 24_000, 8 * 24_000
    turns = 41.3 * np.arange(n) / rate
    pulses = np.diff(np.floor(getattr(bearing, race) * turns), prepend=0) * (1 + 0.6 * np.cos(2 * np.pi * turns + 1))
    ring = np.exp(-np.arange(200) / 20) * np.cos(2 * np.pi * 4_000 * np.arange(200) / rate)
    samples = np.convolve(pulses, ring)[:n] + 0.05 * rng.standard_normal(n)
    found = estimate_speed(transforms(samples, rate=rate), Settings(bearings=(bearing,)) if known else Settings())
    assert found.track.mean_hz == pytest.approx(41.3, rel=2e-3)
    assert found.choice.confidence > (0.95 if known else 0.5)
    assert found.choice.confidence + sum(chance for _, chance in found.choice.rivals) == pytest.approx(1)


@pytest.mark.parametrize("settings", [Settings(test="bare"), Settings(test="prop", blades=3)], ids=["bare", "three blades"])
def test_half_orders_of_a_loose_motor_do_not_halve_its_speed(settings):
    level = {2: 0, 1: -25, 3: -22, 4: -20, 5: -25, 7: -28, 8: -24, 9: -30} | ({6: -3, 12: -6} if settings.blades else {6: -18})
    loose = heard(np.random.default_rng(9), 45.0, level)
    choice = estimate_speed(transforms(loose), settings).choice
    assert choice.comb.hz == pytest.approx(90.0, rel=1e-3)
    assert any(comb.hz == pytest.approx(45.0, rel=1e-3) and chance > 0.1 for comb, chance in choice.rivals)


@pytest.mark.parametrize(("blade_pass_of", "level"), [(2, {6: -3, 12: -6, 18: -9}), (1, {3: 0, 6: -3, 9: -5, 12: -7, 15: -9})])
def test_half_orders_as_high_as_whole_ones_are_told_by_the_blade_pass(blade_pass_of, level):
    """Three blades pass at multiples of three of the shaft's own orders; a comb of all multiples of its half stands beneath them."""
    beneath = {1: -8, 2: -7, 3: -13, 4: -10, 5: -9, 7: -10, 8: -11, 9: -18, 10: -12, 11: -14, 13: -15, 14: -14, 15: -21, 16: -15, 17: -17}
    sound = heard(np.random.default_rng(9), 47.0, beneath | level)
    choice = estimate_speed(transforms(sound), Settings(test="prop", blades=3)).choice
    assert choice.comb.hz == pytest.approx(47.0 * blade_pass_of, rel=1e-3)
    assert choice.confidence > 0.75


def test_half_orders_as_high_as_the_1x_leave_both_speeds_open():
    """No line tells such a loose shaft from one at half its speed; what it has more of everywhere are its own multiples."""
    level = {1: -5, 2: 0, 3: -6, 4: -5, 5: -9, 6: -7, 7: -16, 8: -11, 9: -30, 10: -17}
    choice = estimate_speed(transforms(heard(np.random.default_rng(9), 47.0, level)), Settings(test="bare")).choice
    offered = {round(comb.hz / 47.0, 2): chance for comb, chance in ((choice.comb, choice.confidence), *choice.rivals)}
    assert offered[1] < 0.9
    assert offered[2] > 0.1


def test_a_bare_motor_that_shakes_twice_a_turn_is_not_claimed_as_a_loose_one():
    """2x high over all odd orders, as of a bent shaft or an oval seat (Eisenmann & Eisenmann 1998, from memory): both speeds stay open."""
    level = {1: -14, 2: 0, 3: -17, 5: -21, 7: -25}
    for more in ({}, {4: -22, 6: -26}):
        choice = estimate_speed(transforms(heard(np.random.default_rng(9), 47.0, level | more)), Settings(test="bare")).choice
        offered = {round(choice.comb.hz / 47.0, 2): choice.confidence} | {
            round(comb.hz / 47.0, 2): chance for comb, chance in choice.rivals
        }
        assert offered[1.0] > 0.2
        assert offered[2.0] > 0.05
        assert offered[2.0] < CLAIMED


def test_what_stays_unsure_says_so():
    """One line alone could be any order: the speeds that it allows share the probability."""
    choice = choose(find_combs(lines_of(heard(np.random.default_rng(8), 41.0, {3: 0}), seconds=2.0), Settings()), Settings())
    assert choice.confidence < 0.9
    assert len(choice.rivals) > 1
    assert choice.confidence + sum(chance for _, chance in choice.rivals) == pytest.approx(1)


def test_random_motors_are_named_right_and_confidence_is_honest():
    """40 motors of 1 000 to 60 000 rpm, hum on every third, where an order that rules each multiple out stands 10 dB high.

    The likeliest is right in 90 %: with a propeller, even orders that stand over odd ones put twice the speed first, and leave it open.
    What is claimed: `test_speed_harmonics`.
    """
    rng = np.random.default_rng(1)
    settled, sure = [], []
    for _ in range(40):
        shaft = draw(rng)
        once = transforms(shaft.samples, rate=shaft.rate_hz)
        for settings in (Settings(), Settings(blades=shaft.blades) if shaft.blades else Settings(test="bare")):
            found = estimate_speed(once, settings)
            right = found is not None and abs(found.track.mean_hz / shaft.mean_hz - 1) < 4e-3
            if shaft.is_settled:
                settled.append(right)
            if found and found.choice.confidence * found.presence > 0.97:
                sure.append(right)
    assert len(settled) > 50
    assert np.mean(settled) >= 0.9
    assert len(sure) > 35
    assert np.mean(sure) >= 0.97


def test_noise_and_hum_alone_are_seldom_taken_for_a_shaft():
    """60 records of coloured noise, every second with hum: at most one is given a shaft with more than even odds."""
    rng = np.random.default_rng(11)
    odds = []
    for i in range(60):
        n = int(rng.choice([2.5, 6.0])) * RATE
        samples = coloured(rng, n) + (hum(rng, n, RATE, level_db=(-30, 5)) if i % 2 else 0)
        found = estimate_speed(transforms(samples), Settings())
        odds.append(found.presence * found.choice.confidence if found else 0.0)
    assert np.sum(np.array(odds) > 0.5) <= 1


def test_several_channels_are_taken_together():
    rng = np.random.default_rng(12)
    n = 10 * RATE
    speed = np.full(n, 73.1)
    first = orders(rng, speed, RATE, {1: -12, 3: -12}) + 2 * coloured(rng, n)
    second = orders(rng, speed, RATE, {2: -12, 4: -12}) + 2 * coloured(rng, n)
    assert estimate_speed(transforms(first, second), Settings()).track.mean_hz == pytest.approx(73.1, rel=1e-3)


@pytest.mark.parametrize(("ratio", "simple"), [(2.0, 2.0), (1.496, 1.5), (0.2, 0.2), (3.585, None), (4.713, None), (2.357, None)])
def test_simple_ratios(ratio, simple):
    assert simple_ratio(ratio) == simple
    assert related(ratio, 1.0) == (simple is not None)
    assert not related(1.0, 1.0)


def test_blade_counts_are_shared_out():
    for settings in (Settings(), Settings(blades=2), Settings(blades=1), Settings(test="bare", blades=3)):
        assert sum(blade_counts(settings).values()) == pytest.approx(1)


# ridges


def test_the_best_path_is_the_best_of_all_paths():
    """Against all 5^6 paths, by hand."""
    rng = np.random.default_rng(13)
    score = rng.standard_normal((6, 5)).astype(np.float32)
    cost, reach = 0.4, 2
    paths = np.array(np.meshgrid(*[range(5)] * 6)).reshape(6, -1)
    moved = np.abs(np.diff(paths, axis=0))
    total = score[np.arange(6)[:, None], paths].sum(axis=0) - cost * moved.sum(axis=0)
    total[(moved > reach).any(axis=0)] = -np.inf
    assert best_path(score, cost, reach).tolist() == paths[:, total.argmax()].tolist()


def test_a_ridge_is_followed_through_a_run_up_and_left_where_the_shaft_stands_still():
    rng = np.random.default_rng(14)
    seconds, rest = 10, 3
    time = np.arange((seconds + rest) * RATE) / RATE
    speed = np.maximum(10 + 19 * (time - rest), 0.01)
    turning = time >= rest
    samples = np.where(turning, orders(rng, speed, RATE, {1: 0, 2: -3, 3: -6, 4: -9}) * (speed / 200) ** 2, 0) + 0.03 * rng.standard_normal(
        time.size
    )
    frames = frames_of([samples.astype(np.float32)], RATE, 3_000, 0.5)
    grid = np.exp(np.linspace(np.log(35), np.log(1_030), 680)) - 30
    track = ridge(frames, grid, {1: 1.0, 2: 1.0, 3: 0.8, 4: 0.8}, 0.5)
    assert rest < track.time_s[0] < rest + 3  # the first turns are as quiet as the noise
    seen = (time > track.time_s[0]) & (time < track.time_s[-1])
    assert np.mean(np.abs(track.at(time[seen]) / speed[seen] - 1) < 0.03) > 0.95
