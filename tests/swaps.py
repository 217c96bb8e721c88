"""Swaps of two propellers on the rig: everything about a propeller moves with it, its fault too."""

import math
from dataclasses import dataclass, replace

import numpy as np

from vibekit.analysis import analyze
from vibekit.rig import Fault, draw_craft, record
from vibekit.rig.fault import ON_THE_PROPELLER
from vibekit.rig.forces import healthy_lines
from vibekit.rig.line_quantity import LineQuantity
from vibekit.rig.population import ELSEWHERE, USUAL, WIDE
from vibekit.rig.severity import fault_size
from vibekit.rig_case import SENSORS, rig_settings
from vibekit.shift import parts
from vibekit.swap import Swapped

PROPELLER = ("prop-imbalance", "blade-damage")
MOTOR = ("rotor-imbalance", "bent-shaft", "loose-mount", "rub", "bearing-grit", "bearing-outer", "bearing-inner", "bearing-ball",
         "electrical", "resonance")  # fmt: skip
SEVERITIES = (2, 4, 8, 20)
BINS = 1.5  # of noise under a line


@dataclass(frozen=True)
class SwapCase:
    """truth: propeller, motor, both or refit; severities of the motor's fault and the propeller's, 0 without one."""

    condition: str | None
    truth: str
    motor: float
    propeller: float
    first: Swapped
    second: Swapped
    untouched: Swapped


def other_craft(seed):
    """A craft drawn otherwise than those that the tables were made from: modes, speed and scatter moved."""
    rng = np.random.default_rng([seed, 77])
    craft, moved = draw_craft(seed), rng.uniform(0.85, 1.2)
    motors = tuple(replace(m, modes=tuple(replace(k, frequency_hz=k.frequency_hz * moved) for k in m.modes)) for m in craft.motors)
    scatter = {name: getattr(craft, name) * rng.uniform(0.7, 1.4) for name in ("gain_scatter_db", "level_scatter_db", "wander")}
    return replace(craft, motors=motors, test_rpm=craft.test_rpm * rng.uniform(0.85, 1.15), **scatter), rng


class SwapBench:
    """Two rotors of one craft. `one`: the first motor with the second's propeller; `two`: the second motor with the first's."""

    def __init__(self, seed):
        self.craft, self.rng = other_craft(seed)
        self.sensor, self.take = SENSORS[seed % 3], 0
        second = self.craft.motors[1]
        one, two, *others = swap_propellers(self.craft.motors)
        self.one = replace(self.craft, motors=(one, second, *others))
        self.two = replace(self.craft, motors=(two, second, *others))
        self.past, self.past_bare = self.fitted(self.craft, 4), self.bare(4)
        self.second, self.good = self.fitted(self.craft, 3, rotor=1), self.fitted(self.two, 3)
        self.untouched = Swapped("third", *((self.readings(self.craft, 2, rotor=2, refit=1),) for _ in range(2)))

    def readings(self, craft, count, fault=None, *, test="prop", rotor=0, refit=None, gmm=0):
        found = []
        for _ in range(count):
            self.take += 1
            recording, _ = record(craft, rotor=rotor, test=test, fault=self.same(craft, fault), take=self.take, sensor=self.sensor,
                                  refit=refit, added_gmm=gmm)  # fmt: skip
            found.append(analyze(recording, rig_settings(craft, test, self.sensor, known=True)))
        return tuple(found)

    def fitted(self, craft, count, fault=None, **more):
        return tuple((reading,) for reading in self.readings(craft, count, fault, **more))

    def bare(self, count, fault=None):
        return self.readings(self.craft, count, fault, test="bare")

    def same(self, craft, fault):
        """The physical fault of the first craft: its severity differs where it is measured against another rotor's scatter."""
        if fault is None or craft is self.craft:
            return fault
        size, there = fault_size(self.craft, fault, self.sensor), fault
        for _ in range(4):
            there = replace(there, severity=min(there.severity * size / fault_size(craft, there, self.sensor), 1000.0))
        return there

    def case(self, condition=None, severity=0, propeller=0):
        """propeller: severity of an imbalance beside the motor's fault."""
        fault = Fault(condition, severity) if condition else None
        goes = condition in ON_THE_PROPELLER
        gmm = 0
        if propeller:
            gmm = fault_size(self.craft, Fault("prop-imbalance", propeller), self.sensor) * np.exp(2j * math.pi * self.rng.random())
        truth = "refit" if fault is None else "propeller" if goes else "both" if propeller else "motor"
        first = Swapped(
            "first",
            self.fitted(self.craft, 3, fault, gmm=gmm),
            self.fitted(self.one, 3, None if goes else fault),
            self.bare(3, fault),
            self.past,
            self.past_bare,
        )
        after = self.fitted(self.two, 3, fault if goes else None, gmm=gmm) if goes or propeller else self.good
        second = Swapped("second", self.second, after)
        return SwapCase(condition, truth, 0 if goes else severity, severity if goes else propeller, first, second, self.untouched)

    def few(self):
        """One of each place, large enough to be told."""
        yield from (self.case(), self.case("prop-imbalance", 20), self.case("rotor-imbalance", 20), self.case("bearing-outer", 8))

    def cases(self, propellers=3, motors=4):
        """Healthy twice, faults drawn at random, and two faults at once."""
        severity = lambda: int(self.rng.choice(SEVERITIES))  # noqa: E731
        yield from (self.case(), self.case())
        yield from (self.case(str(self.rng.choice(PROPELLER)), severity()) for _ in range(propellers))
        yield from (self.case(str(condition), severity()) for condition in self.rng.permutation(MOTOR)[:motors])
        yield self.case(str(self.rng.choice(MOTOR)), severity(), severity())


def exchanges(seeds):
    """{quantity: (n, 3)} logarithms of amplitudes of sound craft, where good propellers differ by a tenth and more.

    Columns: first rotor with the second's propeller over with its own, second after the swap over before, second over first before it.
    From the rig's description, without a recording, over its three populations.
    """
    found = {}
    for seed in seeds:
        craft, sensor = draw_craft(seed, (USUAL, WIDE, ELSEWHERE)[seed % 3]), SENSORS[seed // 3 % 3]
        swapped = replace(craft, motors=swap_propellers(craft.motors))
        settings = craft.settings("prop", sensor)
        for name in ("1x", "2x", "other orders", "electrical lines"):
            for orders in parts(name, settings):
                half = tuple(round(2 * order) for order in orders)
                own, first, second, given = (
                    amplitude(c, rotor, sensor, half) for c, rotor in ((craft, 0), (swapped, 0), (craft, 1), (swapped, 1))
                )
                if abs(np.log(first / own)) > 0.1:
                    found.setdefault(name, []).append(np.log([first / own, given / second, second / own]))
    return {name: np.array(rows) for name, rows in found.items()}


def swap_propellers(motors):
    """The motors of a craft with the propellers of the first two exchanged."""
    first, second, *others = motors
    ours, theirs = ({"prop_gmm": m.prop_gmm, "lift": m.lift, "wash": m.wash} for m in (first, second))
    return (replace(first, **theirs), replace(second, **ours), *others)


def amplitude(craft, rotor, sensor, half):
    """Root-sum-square of lines over the noise under them, mean over speeds."""
    quantity = LineQuantity(craft, rotor, "prop", sensor, half)
    power = np.abs(quantity.heard(healthy_lines(craft, rotor, "prop"))) ** 2 / 2
    return float(np.sqrt(power.sum(axis=1).mean() + BINS * quantity.noise().sum()))
