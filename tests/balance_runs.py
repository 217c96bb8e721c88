"""Balancing jobs of the invented craft Wren-4, played against a rotor whose unbalance is known."""

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from vibekit.balance_job import BalanceJob, Take
from vibekit.balance_step import next_step
from vibekit.spots import Stock, spots_from
from vibekit.vector import Vector

NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)


def job(method="phase", spots=("blades@45",), blades=3, **more):
    return BalanceJob("Wren-4", "north-east", method, spots_from(spots, blades), Stock(step_g=1e-4), propeller_g=4.0, rotor_g=18.0, **more)


def take(value, number, *, rpm=10_000.0, has_phase=True):
    values = tuple(np.atleast_1d(value).tolist())
    vector = Vector(values if has_phase else tuple(complex(abs(v)) for v in values), (0.0,) * len(values), rpm, 1.0, has_phase, "m/s2")
    return Take(vector, f"run-{number}.wav", f"{number:064x}", NOON + timedelta(minutes=number))


@dataclass
class Bench:
    """A rotor on its bench. unbalance: g mm; gain: vibration of 1 g mm; noise: rms size of the error of one recording."""

    unbalance: complex
    gain: complex
    noise: float
    rng: np.random.Generator
    made: int = 0

    @staticmethod
    def drawn(seed, noise=0.05):
        """Residual unbalance of 0.03 to 0.1 mm on a propeller of 4 g; noise as a share of the first vector, complex rms."""
        rng = np.random.default_rng(seed)
        turns = np.exp(2j * np.pi * rng.random(2))
        unbalance = turns[0] * 4 * 10 ** rng.uniform(math.log10(0.03), -1)
        gain = turns[1] * 10 ** rng.uniform(-1, 1)
        return Bench(complex(unbalance), complex(gain), noise * abs(unbalance * gain), rng)

    def left(self, weights):
        return self.unbalance + sum(weight.unbalance for weight in weights)

    def record(self, job):
        error = self.noise / math.sqrt(2) * (self.rng.standard_normal() + 1j * self.rng.standard_normal())
        self.made += 1
        return take(self.gain * self.left(job.now.weights) + error, self.made, has_phase=job.method == "phase")


def play(job, bench, most=60):
    """Do what each step says until it ends; give all jobs on the way, and the last step."""
    jobs = [job]
    for _ in range(most):
        step = next_step(jobs[-1])
        if step.kind == "record":
            jobs.append(jobs[-1].add(bench.record(jobs[-1])))
        elif step.kind in ("trial", "correct"):
            jobs.append(jobs[-1].mount("trial" if step.kind == "trial" else "check", step.weights))
        else:
            return jobs, step
    raise AssertionError(f"no end after {most} steps: {step.text}")
