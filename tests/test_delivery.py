"""Losses against the clock: found where they are, and none where a computer is merely slow."""

import numpy as np
import pytest

from vibekit.capture.delivery import LEAST_S, Delivery

RATE = 48_000.0


def stream(rng: np.random.Generator, seconds: float, *, lost_at: float | None = None, lost: int = 0) -> tuple[Delivery, int]:
    """A stream through an ordinary computer, and the delivered frame before which frames are lost.

    A quartz within 100 ppm; blocks of 1 to 40 ms; lateness exponential about 0.1 to 3 ms; now and then the computer is busy for 0.1 to
    1.5 s, and what waited comes at once.
    """
    block = int(rng.integers(48, 1920))
    count = int(seconds * RATE / block)
    ready = (np.arange(count) + 1) * block / RATE * (1 + rng.uniform(-1e-4, 1e-4))
    late = ready + rng.exponential(10 ** rng.uniform(-4, -2.5), count)
    for begin in rng.uniform(0, seconds, rng.poisson(seconds / 20)):
        end = begin + rng.uniform(0.1, 1.5)
        late[(late > begin) & (late < end)] = end
    late = np.maximum.accumulate(late)
    delivery, frame, place = Delivery(RATE), 0, -1
    stops = -1 if lost_at is None else int(lost_at * RATE / block)
    missing = 0
    for k, at in enumerate(late):
        if k >= stops >= 0 and missing < lost:
            missing += block
            place = frame
            continue
        frame += block
        delivery.add(frame, block, round(at * 1e9))
    return delivery, place


def test_a_computer_that_is_merely_busy_loses_nothing():
    rng = np.random.default_rng(61)
    false = sum(len(stream(rng, 60)[0].losses()) for _ in range(50))
    assert false == 0, "in 50 minutes; none in 2.5 hours, run by hand"


def test_losses_are_found_counted_and_placed():
    """Of 100 streams, one with a loss of 25 ms to 0.3 s each."""
    rng = np.random.default_rng(62)
    found = placed = 0
    errors = []
    for _ in range(100):
        lost = int(rng.uniform(0.025, 0.3) * RATE)
        delivery, place = stream(rng, 30, lost_at=rng.uniform(5, 22), lost=lost)
        losses = delivery.losses()
        assert len(losses) <= 1
        if losses:
            found += 1
            (loss,) = losses
            placed += loss.frame - loss.within <= place <= loss.frame
            errors.append((loss.missing - lost) / RATE)
    assert found >= 95
    assert placed >= 0.95 * found
    assert np.median(np.abs(errors)) < 0.025, "a block is lost whole, so up to a block more than asked is"


@pytest.mark.parametrize("lost", [480, 960, 4800])
def test_a_regular_stream_shows_ten_milliseconds(lost):
    """Blocks of 10 ms with a tenth of a millisecond of jitter: the least that is looked for is LEAST_S."""
    rng = np.random.default_rng(63)
    delivery = Delivery(RATE)
    assert lost / RATE > LEAST_S
    frame = 0
    for k in range(2000):
        at = (k + 1) * 0.01 + rng.exponential(1e-4)
        if 1000 <= k < 1000 + lost // 480:
            continue
        frame += 480
        delivery.add(frame, 480, round(at * 1e9))
    (loss,) = delivery.losses()
    assert loss.missing == pytest.approx(lost, abs=24)
    assert loss.frame - loss.within <= 480_000 <= loss.frame


def test_the_rate_has_an_interval_that_covers_the_truth():
    """100 streams of 20 s whose true rate is up to 5 % off: within the interval in 93 of 100 or more (it is wide on purpose)."""
    rng = np.random.default_rng(64)
    inside, widths = 0, []
    for _ in range(100):
        true = RATE * (1 + rng.uniform(-0.05, 0.05))
        jitter = 10 ** rng.uniform(-4, -2.5)
        delivery = Delivery(RATE)
        for k in range(int(20 * true / 960)):
            delivery.add((k + 1) * 960, 960, round(((k + 1) * 960 / true + rng.exponential(jitter)) * 1e9))
        rate, u95 = delivery.rate()
        inside += abs(rate - true) <= u95
        widths.append(u95 / true)
    assert inside >= 93
    assert np.median(widths) < 5e-4


def test_a_computer_that_stood_still_does_not_bend_the_rate():
    """Stopped for 3 s in 14, then busy for 2 s with what had gathered: as it was measured with a stopped process."""
    rng = np.random.default_rng(65)
    ready = (np.arange(1400) + 1) * 0.01
    late = np.where((ready > 4) & (ready < 7), 7 + rng.exponential(0.3, 1400), ready + rng.exponential(0.002, 1400))
    delivery = Delivery(RATE)
    for k, at in enumerate(np.maximum.accumulate(late)):
        delivery.add((k + 1) * 480, 480, round(at * 1e9))
    rate, u95 = delivery.rate()
    assert abs(rate - RATE) < u95 < 1e-3 * RATE
    assert delivery.losses() == []


@pytest.mark.parametrize("seconds", [2, 4, 8, 20])
def test_a_computer_that_was_slow_for_long_and_caught_up_lost_nothing(seconds):
    """Blocks a second late for so long, few of them in each second, then all in time again: what never came cannot come later."""
    rng = np.random.default_rng(66)
    delivery = Delivery(RATE)
    for k in range(6000):
        at = (k + 1) * 0.01
        slow = 20 < at < 20 + seconds
        late = 1.0 + rng.uniform(0, 0.7) if slow else rng.exponential(0.002)
        delivery.add((k + 1) * 480, 480, round(1e9 * (np.ceil((at + late) / 0.7) * 0.7 if slow else at + late)))
        if k % 500 == 0:
            delivery.losses()  # asked while it runs, too
    assert delivery.losses() == []


def test_a_short_stream_tells_no_rate_and_no_loss():
    delivery = Delivery(RATE)
    for k in range(200):
        delivery.add((k + 1) * 480, 480, (k + 1) * 10_000_000)
    assert delivery.rate() is None
    assert delivery.losses() == []
