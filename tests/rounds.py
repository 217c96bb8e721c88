"""Rounds of the rig: each rotor started, held and stopped in turn, twice, in one take, with background, a knock and handling noise."""

from dataclasses import dataclass

import numpy as np

from vibekit.recording import Channel, Recording
from vibekit.rig import ROTORS, Fault, RigCraft, record
from vibekit.settings import Test

RATE = 16_000
RAMP_S = (0.3, 1.0)


@dataclass(frozen=True)
class Round:
    """recording: the take; order: rotor of each run; spans_s: (start, steady from, steady to, stop) of each; knock_s: when it was."""

    recording: Recording
    order: tuple[int, ...]
    spans_s: tuple[tuple[float, float, float, float], ...]
    knock_s: float


def round_of(
    craft: RigCraft,
    rng: np.random.Generator,
    *,
    fault: Fault | None = None,
    test: Test = "prop",
    order: tuple[int, ...] = (0, 1, 2, 3, 0, 1, 2, 3),
    run_s: tuple[float, float] = (3.0, 5.0),
    rest_s: tuple[float, float] = (1.5, 4.0),
    speed: tuple[float, ...] = (1.0,) * 8,
    neighbour: int | None = None,
    rate: int = RATE,
) -> Round:
    """speed: of each run, as a share of the test speed; neighbour: a rotor that turns from the knock to the end of the take."""
    pieces, spans = [], []
    now = float(rng.uniform(2.0, 5.0))
    knock = now * float(rng.uniform(0.5, 0.8))
    for number, (rotor, share) in enumerate(zip(order, speed, strict=True)):
        up, down = rng.uniform(*RAMP_S, 2)
        held = float(rng.uniform(*run_s))
        take, _ = record(craft, rotor=rotor, test=test, fault=fault, take=number, refit=0, rate_hz=rate, duration_s=up + held + down,
                         speed_rpm=share * craft.test_rpm)  # fmt: skip
        pieces.append((now, _started_and_stopped(take.samples[0].astype(float), up, down, rate)))
        spans.append((now, now + up, now + up + held, now + up + held + down))
        now += up + held + down + float(rng.uniform(*rest_s))
    quiet, _ = record(craft, rotor=0, test="bare", speed_rpm=60, rate_hz=rate, duration_s=now, take=int(rng.integers(1 << 16)))
    samples = quiet.samples[0].astype(float)
    for at, piece in pieces:
        start = int(at * rate)
        samples[start : start + len(piece)] += piece[: len(samples) - start]
    rms = float(np.std(pieces[0][1]))
    for at in (knock, *(stop + rng.uniform(0.2, 1.0) for _, _, _, stop in spans if rng.random() < 0.5)):
        _knock(samples, at, rms * rng.uniform(1.0, 4.0), rng, rate)
    if neighbour is not None:
        other, _ = record(
            craft, rotor=neighbour, test=test, rate_hz=rate, duration_s=now - knock + 0.1, speed_rpm=0.9 * craft.test_rpm, take=99
        )
        start = int(knock * rate)
        samples[start:] += 0.5 * other.samples[0, : len(samples) - start]
    return Round(Recording(samples[np.newaxis].astype(np.float32), rate, (Channel(),)), order, tuple(spans), knock)


def _started_and_stopped(x: np.ndarray, up: float, down: float, rate: int) -> np.ndarray:
    """The same motor starting and stopping: slower in time, weaker with the square of speed."""
    n = len(x)
    share = np.ones(n)
    for part, length in ((slice(0, int(up * rate)), int(up * rate)), (slice(n - int(down * rate), n), int(down * rate))):
        share[part] = np.linspace(0.1, 1, length) if part.start == 0 else np.linspace(1, 0.1, length)
    return share**2 * np.interp(np.cumsum(share) - share[0], np.arange(n), x)


def _knock(samples: np.ndarray, at: float, size: float, rng: np.random.Generator, rate: int) -> None:
    since = np.arange(int(0.2 * rate)) / rate
    ring = size * 5 * np.exp(-60 * since) * np.sin(2 * np.pi * rng.uniform(150, 600) * since)
    start = int(at * rate)
    samples[start : start + len(ring)] += ring[: max(len(samples) - start, 0)]


def random_fault(rng: np.random.Generator) -> Fault:
    condition = str(rng.choice(["blade-damage", "prop-imbalance", "bearing-grit", "loose-mount"]))
    return Fault(condition, 8.0, int(rng.integers(ROTORS)))
