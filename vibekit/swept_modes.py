"""Modes that a run-up passes, fitted to the envelope of an order, however fast the speed goes through them."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.mode import FrameMode
from vibekit.normal import Z95
from vibekit.tracking import TrackedOrder

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]
CLOSE = 0.02  # relative step of the frequencies tried
DAMPINGS = (0.01, 0.02, 0.04, 0.08, 0.16)
ENDS = 1.08  # a mode is looked for this factor inside the range of frequencies passed
MOST = 3
CLEAR = 12.0  # times as much as noise alone gives, from which a mode is there
STANDS_OUT = 0.5  # of what the rest of the frame does, that the mode adds at its own frequency
DAMPED = (0.002, 0.15)  # beyond, no peak shows
SURE = (0.03, 0.5)  # of frequency and damping: wider intervals say nothing
ROUNDS = 12
DECAY = 100.0  # nepers by which a wave may fall in the piece that is reckoned at once
NUDGE = 1e-4
THIN = 2  # every second point of the envelope is used: four to the reciprocal of the bandwidth
LIKE = (0.002, 0.05)  # part of frequency and damping by which tracking's own filter and modes out of range may move them


def find_swept_modes(order: TrackedOrder) -> tuple[FrameMode, ...]:
    """Modes that shape an order in a run-up whose force goes as speed squared, by frequency; empty when none stands out.

    In the frame that turns with the order a mode answers as w' = (pole - 2 pi i f(t)) w + f^2 (its first-order form; D.J. Ewins, Modal
    Testing (2000), sec. 2.8), so a fast run-up moves no peak and a ring that beats with the order is part of the model. Beside the
    modes there is a mass line with slope and bend. Frequency and damping of each mode are fitted by least squares, gains eliminated.
    """
    sweep = _Sweep.of(order)
    low, high = float(order.frequency_hz.min()) * ENDS, float(order.frequency_hz.max()) / ENDS
    if high <= low:
        return ()
    count = max(int(np.log(high / low) / CLOSE), 1)
    tried = np.array([(hz, ratio) for hz in np.geomspace(low, high, count + 1) for ratio in DAMPINGS])
    answers = sweep.answers(tried)
    modes = np.zeros((0, 2))
    for _ in range(MOST):
        more = sweep.refined(np.vstack([modes, tried[sweep.best(modes, answers)]]))
        if not (sweep.is_clear(modes, more) and np.all((more > (low, DAMPED[0])) & (more < (high, DAMPED[1])))):
            break
        modes = more
    if not len(modes):
        return ()
    each = [(mode, u95) for mode, u95 in zip(modes, sweep.u95(modes), strict=True) if np.all(u95 < SURE * mode)]
    found = [FrameMode(float(hz), float(a), float(ratio), float(b)) for (hz, ratio), (a, b) in each]
    return tuple(sorted(found, key=lambda mode: mode.frequency_hz))


@dataclass(frozen=True, slots=True)
class _Sweep:
    """An order's envelope, each point over its standard deviation, and what drives it.

    envelope, force: (m,); weight: (m,) one over the standard deviation; alike: points that share one independent piece of noise
    """

    time_s: Array
    hz: Array
    envelope: Complex
    force: Array
    weight: Array
    alike: float

    @classmethod
    def of(cls, order: TrackedOrder) -> "_Sweep":
        error = np.maximum(order.amplitude_u95 / Z95, 1e-9 * float(order.amplitude.max()) + np.finfo(float).tiny)[::THIN]
        envelope = (order.amplitude * np.exp(1j * order.phase))[::THIN]
        time, hz = order.time_s[::THIN], order.frequency_hz[::THIN]
        alike = max(1 / float((time[1] - time[0]) * np.mean(order.bandwidth_hz)), 1.0)
        return cls(time, hz, envelope / error, hz**2, 1 / error, alike)

    def answers(self, modes: Array) -> Complex:
        """What each mode (k, 2: Hz, damping) would do, (m, k); exact where force and speed stay the same from point to point."""
        omega = 2 * np.pi * modes[:, 0]
        pole = omega * (-modes[:, 1] + 1j * np.sqrt(1 - modes[:, 1] ** 2))
        hz, force = (self.hz[1:] + self.hz[:-1]) / 2, (self.force[1:] + self.force[:-1]) / 2
        step = np.diff(self.time_s)
        turn = pole - 2j * np.pi * hz[:, None]
        push = force[:, None] * np.expm1(turn * step[:, None]) / turn
        found = np.empty((len(self.hz), len(modes)), complex)
        found[0] = self.force[0] / (2j * np.pi * self.hz[0] - pole)
        stride = max(int(DECAY / max(float((-pole.real).max(initial=0.0) * step.max()), 1e-9)), 1)
        for i in range(0, len(step), stride):
            part = slice(i, i + stride)
            fading = np.exp(np.cumsum(turn[part] * step[part, None], axis=0))
            found[i + 1 : i + 1 + len(fading)] = fading * (found[i] + np.cumsum(push[part] / fading, axis=0))
        return np.asarray(found * (omega * self.weight[:, None] / self.force.max()))

    def columns(self, modes: Array, answers: Complex | None = None) -> Complex:
        """The mass line with its slope and bend, and the modes."""
        part = self.hz / self.hz.max()
        line = [part**power * self.weight for power in (2, 3, 4)]
        return np.column_stack([*line, self.answers(modes) if answers is None else answers])

    def best(self, modes: Array, answers: Complex) -> int:
        """Which of many answers takes the most of what the modes so far leave."""
        basis = np.linalg.qr(self.columns(modes))[0]
        left = self.envelope - basis @ (basis.conj().T @ self.envelope)
        free = answers - basis @ (basis.conj().T @ answers)
        return int(np.argmax(np.abs(free.conj().T @ left) ** 2 / np.maximum((np.abs(free) ** 2).sum(axis=0), 1e-300)))

    def left(self, modes: Array, answers: Complex | None = None) -> tuple[Complex, Complex]:
        """What the fit leaves (m,) and the gains of the columns."""
        columns = self.columns(modes, answers)
        gains = np.linalg.lstsq(columns, self.envelope, rcond=None)[0]
        return self.envelope - columns @ gains, np.asarray(gains, dtype=complex)

    def slopes(self, modes: Array) -> Array:
        """Change of what is left with the logarithm of each frequency and damping, (2 k, 2 m) real."""
        answers, found = self.answers(modes), []
        nudges = np.array([(1 + NUDGE, 1), (1 / (1 + NUDGE), 1), (1, 1 + NUDGE), (1, 1 / (1 + NUDGE))])
        nudged = self.answers((modes[:, None, :] * nudges).reshape(-1, 2)).reshape(len(self.hz), len(modes), 2, 2)
        for k, which in np.ndindex(modes.shape):
            ends = []
            for end in range(2):
                moved = answers.copy()
                moved[:, k] = nudged[:, k, which, end]
                ends.append(self.left(modes, moved)[0])
            change = (ends[0] - ends[1]) / (2 * NUDGE)
            found.append(np.concatenate([change.real, change.imag]))
        return np.array(found)

    def refined(self, modes: Array) -> Array:
        """Gauss-Newton, steps halved until they help."""
        cost = float((np.abs(self.left(modes)[0]) ** 2).sum())
        for _ in range(ROUNDS):
            rest = self.left(modes)[0]
            step = -np.linalg.lstsq(self.slopes(modes).T, np.concatenate([rest.real, rest.imag]), rcond=None)[0].reshape(modes.shape)
            step = np.clip(step, -0.3, 0.3)
            for _ in range(4):
                tried = modes * np.exp(step)
                tried[:, 1] = np.minimum(tried[:, 1], 0.5)
                now = float((np.abs(self.left(tried)[0]) ** 2).sum())
                if now < cost:
                    break
                step = step / 2
            if now >= cost or np.abs(step).max() < 1e-6:
                break
            modes, cost = tried, now
        return modes

    def is_clear(self, before: Array, after: Array) -> bool:
        """The last mode takes far more than noise gives, and stands out of the mass line at its own frequency."""
        rest, gains = self.left(after)
        old, new = (float((np.abs(r) ** 2).sum()) for r in (self.left(before)[0], rest))
        noise = max(new / len(rest), 1.0) * self.alike
        hz, ratio = after[-1]
        mode = abs(gains[-1]) / (ratio * np.sqrt(1 - ratio**2))
        mass = abs(np.polyval(gains[2::-1], hz / self.hz.max()))
        return bool(old - new > CLEAR * 4 * noise and mode > STANDS_OUT * mass)

    def u95(self, modes: Array) -> Array:
        """Half widths (k, 2) of the 95 % intervals."""
        slopes = self.slopes(modes)
        rest = self.left(modes)[0]
        variance = max(float((np.abs(rest) ** 2).sum()) / (2 * len(rest)), 1.0) * self.alike
        relative = Z95 * np.sqrt(variance * np.diag(np.linalg.pinv(slopes @ slopes.T)))
        return np.asarray(np.hypot(relative.reshape(modes.shape), LIKE) * modes)
