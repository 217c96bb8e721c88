"""Quantities taken from the casing's ring at several kHz: its level, and the lines of its squared envelope."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.recording import Sensor
from vibekit.rig.clicks import Defect, defect, rub_mean_square
from vibekit.rig.craft import RigCraft
from vibekit.rig.fault import Condition
from vibekit.rig.forces import healthy_lines, switching_level
from vibekit.rig.line_quantity import SPEED
from vibekit.rig.path import path
from vibekit.rig.quantity import HIGH_BAND, SLIP_BAND, TAKE_S, Normal
from vibekit.rig.scatter import NEPER_PER_DB

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

CAGE_LIMIT = 0.95  # depth to which a cage can modulate
STRIKE_LIMIT = 0.1  # a line cannot come nearer than this share to the one that strikes without any noise would give


@dataclass(frozen=True, slots=True)
class HighBand:
    """Rms from 2 kHz to 10.8 kHz of a bare motor."""

    craft: RigCraft
    rotor: int
    sensor: Sensor

    def normal(self) -> Normal:
        """Healthy mean and standard deviation: level of the bearing's noise, gain, and lines that speed moves over the casing's ring."""
        craft = self.craft
        frequency = np.linspace(*HIGH_BAND, 600)
        way = path(craft, self.rotor, self.sensor, 1, frequency)
        bearing = _integral(np.abs(way.casing[0] * craft.motors[self.rotor].bearing_noise) ** 2, frequency)
        floor = _integral(way.noise[0] ** 2, frequency)
        tone_hz, tone = _tones(craft, self.rotor, self.sensor)
        tones = np.sum(tone, axis=1, where=(tone_hz > HIGH_BAND[0]) & (tone_hz < HIGH_BAND[1]))
        mean = np.sqrt(bearing + floor + tones)
        middle = float(mean.mean())
        by_level = craft.level_scatter_db * NEPER_PER_DB * bearing / middle
        by_gain = craft.gain_scatter_db * NEPER_PER_DB * middle
        return Normal(middle, math.sqrt(by_level**2 + by_gain**2 + float(np.var(mean))))

    def size(self, condition: Condition, severity: float) -> float:
        """Strikes in m/s, or a rub's noise in m/s2 per root Hz at the height of its burst."""
        usual = self.normal()
        frequency = np.linspace(*HIGH_BAND, 600)
        passed = _integral(np.abs(path(self.craft, self.rotor, self.sensor, 1, frequency).casing[0]) ** 2, frequency)
        return math.sqrt((usual.at(severity) ** 2 - usual.mean**2) / (passed * self._density(condition)))

    def _density(self, condition: Condition) -> float:
        """One-sided PSD of the excitation by a fault of size 1; of random strikes, twice their rate times their mean square (Campbell)."""
        kind = defect(self.craft, self.rotor, condition)
        if kind is None:
            return rub_mean_square(self.craft, self.rotor)
        return 2 * kind.order * self.craft.test_hz * kind.mean_square


@dataclass(frozen=True, slots=True)
class EnvelopeLine:
    """Spectrum of the squared envelope of a bare motor's ring, over the envelope's mean: root-sum-square within 1 % of a strike order.

    strike_hz: where the line lies at the test speed; band: Hz
    step: Hz between the frequencies of the arrays; power: PSD of all that is in the band; bearing: the part from the bearing; casing: gain
    """

    strike_hz: float
    band: tuple[float, float]
    step: float
    power: Array
    bearing: Array
    casing: Complex

    @classmethod
    def of(cls, craft: RigCraft, rotor: int, condition: Condition, sensor: Sensor) -> "EnvelopeLine":
        """The characteristic quantity of this condition, in the band that shows its line best: one of the casing's two rings or all."""
        kind = defect(craft, rotor, condition)
        strike_hz = craft.test_hz * (craft.bearing.cage if kind is None else kind.order)
        bands = [(0.8 * ring.frequency_hz, min(1.2 * ring.frequency_hz, HIGH_BAND[1])) for ring in craft.motors[rotor].rings]
        tone_hz, tone = _tones(craft, rotor, sensor)
        choice = []
        for band in (HIGH_BAND, *(band for band in bands if band[1] - band[0] > 1.2 * strike_hz)):
            frequency = np.linspace(*band, 2000)
            way = path(craft, rotor, sensor, 1, frequency)
            step = float(frequency[1] - frequency[0])
            bearing = np.abs(way.casing[0] * craft.motors[rotor].bearing_noise) ** 2
            tones, _ = np.histogram(tone_hz, frequency.size, (band[0] - step / 2, band[1] + step / 2), weights=tone)
            choice.append(cls(strike_hz, band, step, bearing + way.noise[0] ** 2 + tones / step / len(SPEED), bearing, way.casing[0]))
        return max(choice, key=lambda line: line._clearness())

    def normal(self) -> Normal:
        """Healthy mean and standard deviation: the sum of K squared noise bins is Gamma distributed with shape K."""
        bins, noise = self._bins(), self._noise()
        ratio = math.exp(math.lgamma(bins + 0.5) - math.lgamma(bins))
        return Normal(ratio * math.sqrt(noise), math.sqrt(max(bins - ratio**2, 0) * noise))

    def size(self, kind: Defect | None, severity: float) -> float:
        """Strikes in m/s; for a worn cage (None) its depth of modulation."""
        wanted = math.sqrt(max(self.normal().at(severity) ** 2 - self._bins() * self._noise(), 0.0))
        if kind is None:  # (1 + m cos)^2 of the bearing's noise: a line of 2 m over a mean of 1 + m^2 / 2
            return min(wanted * float(np.sum(self.power)) / (2 * float(np.sum(self.bearing))), CAGE_LIMIT)
        mean, line = self._strikes(kind.mean_square)
        floor = 2 * float(np.sum(self.power)) * self.step
        rest = max(line - wanted * mean, STRIKE_LIMIT * line)
        return math.sqrt(wanted * floor / rest)  # from x^2 line / (floor + x^2 mean) = wanted

    def _bins(self) -> float:
        """How many bins lie within SLIP_BAND of the line, one at least."""
        return max(2 * SLIP_BAND * self.strike_hz * TAKE_S, 1.0)

    def _noise(self) -> float:
        """Mean-square amplitude of one bin over the squared mean, for Gaussian noise: 4 int S(f) S(f + line) / (T (int S)^2)."""
        shift = round(self.strike_hz / self.step)
        together = float(np.sum(self.power[shift:] * self.power[: self.power.size - shift]))
        return 4 * together / (TAKE_S * self.step * float(np.sum(self.power)) ** 2)

    def _strikes(self, mean_square: float) -> tuple[float, float]:
        """Mean and line amplitude of the squared envelope of strikes of 1 m/s in the mean square given."""
        shift = round(self.strike_hz / self.step)
        alike = float(np.sum(np.abs(self.casing) ** 2)) * self.step
        apart = abs(complex(np.sum(self.casing[shift:] * self.casing[: self.casing.size - shift].conj()))) * self.step
        return 4 * self.strike_hz * mean_square * alike, 8 * self.strike_hz * mean_square * apart

    def _clearness(self) -> float:
        """Line of weak strikes over the noise of a bin."""
        _, line = self._strikes(1.0)
        return line / (float(np.sum(self.power)) * self.step * math.sqrt(self._noise()))


def _tones(craft: RigCraft, rotor: int, sensor: Sensor) -> tuple[Array, Array]:
    """Frequency, Hz, and mean square of a bare motor's electromagnetic lines and the controller's, both (7, lines), at each of SPEED."""
    lines = healthy_lines(craft, rotor, "bare")
    half = np.flatnonzero(lines.casing)
    frequency = np.outer(SPEED, half * craft.test_hz / 2)
    frequency = np.column_stack([frequency, np.full(len(SPEED), craft.switching_hz)])
    casing = path(craft, rotor, sensor, 1, frequency.ravel()).casing[0].reshape(frequency.shape)
    level = np.append(np.abs(lines.casing[half]), switching_level(craft, rotor, "bare"))
    return frequency, np.abs(casing * level) ** 2 / 2


def _integral(power: Array, frequency: Array) -> float:
    return float(np.sum(power)) * float(frequency[1] - frequency[0])
