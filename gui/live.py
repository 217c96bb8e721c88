"""What is heard just now: level, spectrum, speed, order spectrum, and in a run-up an order map that grows. No Qt."""

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
from scipy.fft import prev_fast_len

from vibekit.capture.recorder import Glance
from vibekit.capture.take import Form
from vibekit.order_map import TOP_ORDER
from vibekit.reading import Curve, SpeedMap, SpeedResult
from vibekit.recording import Recording
from vibekit.settings import Settings
from vibekit.spectrum import Spectrum, amplitude_spectrum
from vibekit.speed import find_speed

HEARD_S = 3.0  # sound that a speed is looked for in
SEEN = 8192  # samples of one spectrum: 6 a second and more of fresh ones at 48 kHz
ORDERS = 480
ROWS = 48
SAME = 0.01  # a row of the map stands for speeds this near
SPEED_KEPT_S = 2.0
Samples = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Heard:
    """The newest.

    seconds, lost, state, warning: as in the recorder's Glance; level_db, peak_db: (channels,) re 1 unit; units: of the channels
    spectra: one a vibration channel; orders: the same against order, () while the speed is not known
    """

    seconds: float
    lost: int
    state: str
    warning: str
    level_db: tuple[float, ...]
    peak_db: tuple[float, ...]
    units: tuple[str, ...]
    spectra: tuple[Spectrum, ...]
    orders: tuple[Curve, ...]


@dataclass(frozen=True, slots=True)
class Found:
    """What the newest sound says: its speed, and the spectrum of its end against order at that speed."""

    speed: SpeedResult
    orders: Curve


@dataclass
class Live:
    """Fed with what the recorder shows; gives what is to be seen. Not for two threads at once, but for `look_for_speed`."""

    form: Form
    settings: Settings
    speed: SpeedResult | None = None
    _heard: Samples = field(default_factory=lambda: np.zeros((0, 0), np.float32))
    _until_s: float = 0.0
    _speed_at_s: float = -np.inf
    _map: dict[int, tuple[float, npt.NDArray[np.float64]]] = field(default_factory=dict)

    @property
    def rows(self) -> list[int]:
        """The vibration channels."""
        return [i for i, channel in enumerate(self.form.channels) if channel.role == "vibration"]

    def hear(self, glance: Glance) -> Heard:
        """Take a glance of the recorder."""
        self._gather(glance)
        rows = self.rows
        spectra = self._spectra(glance.newest)
        turns = self._turns_hz(glance.seconds)
        orders = tuple(_against_order(s, turns) for s in spectra) if turns else ()
        return Heard(
            glance.seconds,
            glance.lost,
            glance.state,
            glance.warning,
            tuple(_db(glance.rms[row]) for row in rows),
            tuple(_db(glance.peak[row]) for row in rows),
            tuple(self.form.channels[row].unit for row in rows),
            spectra,
            orders,
        )

    @property
    def newest(self) -> Recording | None:
        """A copy of the last HEARD_S seconds for `look_for_speed`, None while there is too little."""
        if self._heard.shape[-1] < 0.5 * self.form.rate_hz:
            return None
        return Recording(self._heard.copy(), self.form.rate_hz, self.form.channels)

    def know(self, found: Found | None) -> None:
        """Take what was found in the newest sound; a speed that was lost is remembered for SPEED_KEPT_S."""
        if found is not None and found.speed.rpm:
            self.speed, self._speed_at_s = found.speed, self._until_s
            if self.settings.test == "run-up":
                self._put_row(found.speed.rpm, found.orders)
        elif self._until_s - self._speed_at_s > SPEED_KEPT_S:
            self.speed = None

    @property
    def map(self) -> SpeedMap | None:
        """The order map of the run-up so far, None before two speeds were seen."""
        if len(self._map) < 2:
            return None
        rpm, amplitude = zip(*sorted(self._map.values(), key=lambda row: row[0]), strict=True)
        unit = self.form.channels[self.rows[0]].unit
        return SpeedMap("order map", _GRID, np.array(rpm), np.array(amplitude), "order", unit, TOP_ORDER / ORDERS)

    def _gather(self, glance: Glance) -> None:
        """Append what is new; after a gap in what was seen, begin anew."""
        fresh = round((glance.seconds - self._until_s) * self.form.rate_hz)
        self._until_s = glance.seconds
        newest = glance.newest
        whole = 0 <= fresh <= newest.shape[1] and self._heard.shape[0] == newest.shape[0]
        joined = np.concatenate([self._heard, newest[:, newest.shape[1] - fresh :]], axis=1) if whole else newest
        self._heard = joined[:, -round(HEARD_S * self.form.rate_hz) :]

    def _spectra(self, newest: Samples) -> tuple[Spectrum, ...]:
        if newest.shape[1] < 256:
            return ()
        n = prev_fast_len(min(SEEN, newest.shape[1]), real=True)
        return tuple(
            amplitude_spectrum(newest[row, -n:], self.form.rate_hz, unit=self.form.channels[row].unit, length=n) for row in self.rows
        )

    def _turns_hz(self, seconds: float) -> float | None:
        if self.settings.speed_rpm and self.settings.test != "run-up":
            return self.settings.speed_rpm / 60
        if self.speed is None or self.speed.rpm is None or seconds - self._speed_at_s > SPEED_KEPT_S:
            return None
        return self.speed.rpm / 60

    def _put_row(self, rpm: float, orders: Curve) -> None:
        row = round(np.log(rpm) / SAME)
        self._map[row] = rpm, np.interp(_GRID, orders.x, orders.y)
        while len(self._map) > ROWS:
            apart = sorted(self._map)
            closest = min(range(1, len(apart)), key=lambda i: apart[i] - apart[i - 1])
            del self._map[apart[closest]]


def look_for_speed(recording: Recording, settings: Settings) -> Found | None:
    """Look for the speed at the end of a recording, and draw its end against order; to be run beside the window."""
    track = find_speed(recording, settings)
    if track is None:
        return None
    n = prev_fast_len(min(SEEN, recording.samples.shape[1]), real=True)
    middle_s = recording.duration_s - n / 2 / recording.rate_hz
    speed = track.result
    if settings.test == "run-up":
        speed = replace(speed, rpm=60 * float(track.at(np.array([middle_s]))[0]))
    row = recording.rows("vibration")[0]
    unit = recording.channels[row].unit
    spectrum = amplitude_spectrum(recording.samples[row, -n:], recording.rate_hz, unit=unit, length=n)
    return Found(speed, _against_order(spectrum, (speed.rpm or 60.0) / 60))


_GRID = np.linspace(0.0, TOP_ORDER, ORDERS)


def _against_order(spectrum: Spectrum, turns_hz: float) -> Curve:
    """An amplitude spectrum against order: right while the speed is steady over its samples."""
    order = spectrum.frequency / turns_hz
    kept = order <= TOP_ORDER + 1
    return Curve("order", order[kept], spectrum.values[kept], "order", spectrum.unit, spectrum.resolution_hz / turns_hz)


def _db(value: float) -> float:
    return float(20 * np.log10(max(float(value), 1e-9)))
