"""How far the loudest rotor of a craft in flight stands over the others in 1x: the four are each other's reference.

All turn at nearly one speed, so their 1x go nearly one way to the sensor, and nothing need be known of that way.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft
from numpy.lib.stride_tricks import sliding_window_view
from scipy.special import stdtrit

from vibekit.median import MEDIAN_ERROR
from vibekit.reading import Quantity
from vibekit.transform import Transform
from vibekit.window import window_samples

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complexfloating]
Spans = tuple[tuple[float, float], ...]
LOUDEST, TURNS, LEAD = "loudest rotor", "loudest rotor's speed", "loudest rotor's lead"
NO_OTHER = "rotors heard"  # name of the quantity that holds 1 where only one rotor is heard
ROTORS = 4
BEAT_S, FRAME_S = 1.0, 0.5  # over which beats are averaged; in which a line is sought
FEWEST = 3  # stretches of BEAT_S
LOBE_HZ = 2 / FRAME_S  # half width of a line in a frame (Hann: Harris, Proc. IEEE 66 (1978) 51-83)
WIDTHS = np.array([1, 1.5, 2, 3])  # of a line, in lobes: a rotor that changes its speed within a frame smears its own
PADDING = 4
FLOOR = 4.0  # times the mean power of noise, which noise passes in one bin of 55
SEEN = 0.5  # share of a frame's power that must be lines for it to tell the rotors apart
LEAST, MOST_DB = 1 / ROTORS, 40.0
ALONE = (0.995, 0.95)  # shares of the power of lines about 1x and the blade pass that are one rotor's where no other turns, by simulation
ONE_ROTOR = 0.4  # share of the blade pass that one rotor of four may have: 3 dB over the mean of the others
TOP_ORDERS = 0.4  # half width of a band: beyond it lie the neighbouring orders'


@dataclass(frozen=True, slots=True)
class Band:
    """Complex envelope z (n,) of a band from `low_hz` on, at `rate_hz`; apart_s: (from, to) seconds in which it holds no craft."""

    z: Complex
    rate_hz: float
    low_hz: float
    apart_s: Spans = ()

    @classmethod
    def about(cls, transform: Transform, order: float, mean_hz: float, reach: float, apart_s: Spans = ()) -> "Band":
        """The band in which rotors up to `reach` (a share) from their mean speed have one order."""
        half = min(reach * order, TOP_ORDERS) * mean_hz
        return cls.between(transform, order * mean_hz - half, order * mean_hz + half, apart_s)

    @classmethod
    def between(cls, transform: Transform, low_hz: float, high_hz: float, apart_s: Spans = ()) -> "Band":
        """The band between two frequencies."""
        low = transform.index(low_hz) * transform.resolution_hz
        z, rate_hz = transform.analytic(low, high_hz)
        return cls(z, rate_hz, low, apart_s)

    def stretches(self, seconds: float, step_s: float) -> Complex:
        """Stretches (m, samples), one every `step_s`, that touch nothing that is left out."""
        length = min(max(round(seconds * self.rate_hz), 4), self.z.size)
        at = np.arange(0, (self.z.size - length) / self.rate_hz + 1e-9, step_s)
        clear = np.array([t for t in at if all(t + seconds < a or t > b for a, b in self.apart_s)])
        start = np.minimum(np.round(clear * self.rate_hz), self.z.size - length).astype(np.intp)
        return sliding_window_view(self.z, length)[start]


def loudest_rotor(one: Band, blade_pass: Band | None, blades: int) -> tuple[Quantity, ...]:
    """By how much the loudest rotor's 1x stands over the mean of the other three, dB, that rotor's speed, rpm, and its lead, %.

    one: the band of 1x; blade_pass: that of the blade pass, None where the blades are not known: another order may be nothing but a mode
    of the frame that noise excites; blades: of each propeller
    Empty when fewer than FEWEST stretches of BEAT_S are there. The lead, by how much it turns faster than the rotors' mean, is left out
    where the blade pass does not show that mean: its lines' centre of power, as all rotors lift alike.

    Rotors too near each other in speed to be told apart beat. With shares p_k of the power, phases that are independent give the
    envelope E|z|^4 / (E|z|^2)^2 = 2 - sum p_k^2 (moments of a sum of independent phasors: Goodman, Statistical Optics, section 2.9;
    noise adds to no share), from which follows the largest where the others are alike. Where frames show no more of the blade pass
    about the loudest line's speed than is one rotor's, the line's share of the frame tells the same, and is not lowered by a line that
    swells as the craft moves: the larger of the two counts. What more than a quarter lies there is put down to other rotors, and
    the line is taken as wide as leaves it most.
    """
    beats = one.stretches(BEAT_S, BEAT_S)
    if len(beats) < FEWEST:
        return ()
    power = np.abs(beats.astype(np.complex128)) ** 2
    square = power.mean(axis=1) ** 2
    shares = 2 - (power**2).mean(axis=1) / np.maximum(square, np.finfo(float).tiny)
    alone, hz, lead = _alone(one, blade_pass, blades)
    values = max(_by_beats(shares), alone, key=lambda each: float(np.median(each)))
    middle = float(np.median(values))
    found = (
        Quantity(LOUDEST, middle, _of_median(values, BEAT_S / FRAME_S if values is alone else 1.0), "dB"),
        Quantity(TURNS, 60 * float(np.median(hz)), 60 * _of_median(hz, BEAT_S / FRAME_S) + 6 / FRAME_S, "rpm"),
    )
    ahead = Quantity(LEAD, float(np.median(lead)), _of_median(lead, BEAT_S / FRAME_S), "%") if len(lead) >= FEWEST else None
    return (*found, ahead) if ahead else found


def only_one(one: Band, blade_pass: Band, blades: int) -> bool:
    """Whether the lines of both bands are one rotor's, as where a motor ran by itself. Arguments as for `loudest_rotor`."""
    spectra, frequency = spectra_of(one)
    theirs, at = spectra_of(blade_pass)
    n = min(len(spectra), len(theirs))
    if n < FEWEST:
        return False
    own, there = _lines(spectra[:n]), _lines(theirs[:n])
    peak = frequency[own.argmax(axis=1)]
    shares = _near(own, frequency, peak, LOBE_HZ), _near(there, at, blades * peak, blades * LOBE_HZ)
    return all(float(np.median(share)) >= least for share, least in zip(shares, ALONE, strict=True))


def _lines(spectra: Array) -> Array:
    """Power of what stands over the noise in each frame, 0 elsewhere."""
    return np.where(spectra > FLOOR * np.median(spectra, axis=1, keepdims=True) / np.log(2), spectra, 0.0)


def _by_beats(shares: Array) -> Array:
    """Level of the largest share over the mean of the other three, dB, where sum p^2 is known: p^2 + (1 - p)^2 / 3."""
    known = np.clip(shares, LEAST, 1)
    return _level((1 + np.sqrt(12 * known - 3)) / 4)


def _level(share: Array) -> Array:
    return np.asarray(np.clip(10 * np.log10((ROTORS - 1) * share / np.maximum(1 - share, 1e-9)), 0, MOST_DB))


def _alone(one: Band, blade_pass: Band | None, blades: int) -> tuple[Array, Array, Array]:
    """What frames say of the loudest line: its level over the rest, dB, 0 where it may be more than one rotor's; its frequency, Hz; and
    by how much, %, it turns faster than the rotors' mean, of those frames whose blade pass is clear.
    """
    spectra, frequency = spectra_of(one)
    peak = frequency[spectra.argmax(axis=1)]
    level = np.zeros(len(spectra))
    if blade_pass is None:
        return level, peak, np.empty(0)
    theirs, at = spectra_of(blade_pass)
    n = min(len(theirs), len(spectra))
    theirs, first = theirs[:n], peak[:n]
    whole = np.maximum(theirs.sum(axis=1), np.finfo(float).tiny)
    lines = _lines(theirs)
    seen = lines.sum(axis=1) > SEEN * whole
    for reach_hz in LOBE_HZ * WIDTHS:
        beside = np.clip(_near(theirs, at, blades * first, blades * reach_hz), LEAST, 1 - 1e-9)
        contrast = _level(_near(spectra[:n], frequency, first, reach_hz)) - 10 * np.log10((ROTORS - 1) * beside / (1 - beside))
        level[:n] = np.maximum(level[:n], np.where(seen & (beside < ONE_ROTOR), np.clip(contrast, 0, MOST_DB), 0.0))
    return level, peak, 100 * (first[seen] * blades * lines[seen].sum(axis=1) / (lines[seen] @ at) - 1)


def spectra_of(band: Band) -> tuple[Array, Array]:
    """Power (frames, bins) of overlapping Hann frames and its frequencies, Hz."""
    frames = band.stretches(FRAME_S, FRAME_S / 2)
    size = PADDING * frames.shape[1]
    spectra = np.abs(sfft.fft(frames * window_samples("hann", frames.shape[1]), size, axis=1)) ** 2
    return np.asarray(spectra, dtype=np.float64), band.low_hz + np.arange(size) * band.rate_hz / size


def _near(spectra: Array, frequency: Array, at_hz: Array, reach_hz: float) -> Array:
    """Share of each spectrum's power within a reach of one frequency."""
    inside = np.abs(frequency - at_hz[:, None]) <= reach_hz
    return np.asarray((spectra * inside).sum(axis=1) / np.maximum(spectra.sum(axis=1), np.finfo(float).tiny))


def _of_median(values: Array, per_independent: float) -> float:
    """Half width of the 95 % interval of the median of values of which so many make an independent one (Student)."""
    count = max(len(values) / per_independent, 2.0)
    return float(stdtrit(count - 1, 0.975) * MEDIAN_ERROR * np.std(values, ddof=1) / np.sqrt(count))
