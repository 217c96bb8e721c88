"""Tap test: modes of the frame, with frequency and damping, from the free decay after several knocks."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft
from scipy.linalg import eigh
from scipy.special import stdtrit

from vibekit.errors import UnreadableError
from vibekit.knocks import find_knocks
from vibekit.mode import FrameMode
from vibekit.recording import Recording

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]
TOP_HZ = 1000.0
USED = 0.4  # of the rate, the highest mode looked for
SLOWEST_RATE = 200.0
LEAST_KNOCKS = 3
ROWS = 320  # of the Hankel matrix: its columns are all the shorter stretches of all knocks
POLES = 32  # sought at first; noise takes what the frame leaves
SHARE = 0.001  # of the energy of the decays that a mode must bring
CLEAR = 5.0  # times as much as one more mode takes from noise alone
DAMPED = (0.002, 0.25)  # below, a line that does not die away (hum, a motor); above, no resonance
SURE = 0.5  # of the damping: a wider interval says nothing
ROUNDS, HALVINGS = 8, 5
BURST = 0.05  # of a knock's energy that the others' modes leave unexplained, and four times what is usual: it was not one clean knock
DIFFER = 1.5, 1.96  # Birge ratio from which knocks differ by more than noise, and standard errors in the interval where they do not


@dataclass(frozen=True, slots=True)
class TapTest:
    """What knocks on a frame at rest say.

    modes: by frequency; knocks: how many were used; refused: in words, the others; top_hz: highest frequency looked at
    """

    modes: tuple[FrameMode, ...]
    knocks: int
    refused: tuple[str, ...]
    top_hz: float


def tap_modes(recording: Recording) -> TapTest:
    """Modes of the frame from a recording of knocks, motors stopped.

    All knocks and channels share the poles; each has its own amplitudes. Poles are found in the signal subspace (R. Roy and T. Kailath,
    IEEE Trans. ASSP 37 (1989) 984-995) and refined by least squares, amplitudes eliminated (variable projection, G.H. Golub and V.
    Pereyra, SIAM J. Numer. Anal. 10 (1973) 413-432). The interval is that of the fit in the noise left over, widened where knocks
    differ by more (R.T. Birge, Phys. Rev. 40 (1932) 207-227).

    Raises UnreadableError when the sensor is too slow or fewer than three clean knocks are found.
    """
    rate = recording.rate_hz
    if rate < SLOWEST_RATE:
        raise UnreadableError(f"a tap test at {rate:.0f} samples a second; it needs {SLOWEST_RATE:.0f} or more, such as a microphone gives")
    top = min(TOP_HZ, USED * rate)
    samples, rate = _slowed(recording.samples[recording.rows("vibration")], rate, top)
    knocks = find_knocks(samples, rate)
    clean = [knock for knock in knocks if not knock.refused]
    refused = [knock.refused for knock in knocks if knock.refused]
    while len(clean) >= LEAST_KNOCKS:
        length = min(knock.stop - knock.start for knock in clean)
        decays = np.stack([samples[:, knock.start : knock.start + length] for knock in clean])
        strange = _strange(decays, rate, top)
        worst = int(strange.argmax())
        if strange[worst] <= max(BURST, 4 * float(np.median(strange))):
            return TapTest(_Fit.of(decays, rate, top).modes(), len(clean), tuple(refused), top)
        refused.append(f"no clean knock at {clean.pop(worst).start / rate:.2f} s")
    told = f" ({'; '.join(refused)})" if refused else ""
    name = f"{recording.source.file}: " if recording.source.file else ""
    raise UnreadableError(f"{name}{len(clean)} clean knocks{told}; a tap test needs {LEAST_KNOCKS} or more, at least half a second apart")


@dataclass(frozen=True, slots=True)
class _Fit:
    """Decaying waves fitted to all knocks and channels at once.

    poles: (k,) complex, rad/s, one of each pair; scatter: (k, 2) half widths of the 95 % intervals of frequency (Hz) and damping
    """

    poles: Complex
    scatter: Array

    @classmethod
    def of(cls, decays: Array, rate_hz: float, top_hz: float) -> "_Fit":
        """decays: (knocks, channels, n)."""
        count, _, n = decays.shape
        time = np.arange(n) / rate_hz
        series = decays.reshape(-1, n).T
        square = np.sum([_square(decay) for decay in decays], axis=0)
        poles = _refined(_chosen(_candidates(square, decays.shape[1:], rate_hz, top_hz), series, time), series, time)
        residual, slopes = _slopes(poles, series, time)
        return cls(poles, _scatter(poles, residual, slopes, count, rate_hz))

    def modes(self) -> tuple[FrameMode, ...]:
        """The poles that are modes of a frame and not lines or noise."""
        found = []
        for pole, (hz_u95, damping_u95) in zip(self.poles, self.scatter, strict=True):
            damping = float(-pole.real / abs(pole))
            if DAMPED[0] <= damping <= DAMPED[1] and damping_u95 < SURE * damping:
                found.append(FrameMode(float(abs(pole) / (2 * np.pi)), float(hz_u95), damping, float(damping_u95)))
        return tuple(sorted(found, key=lambda mode: mode.frequency_hz))


def _strange(decays: Array, rate_hz: float, top_hz: float) -> Array:
    """Share (knocks,) of each knock's energy that the poles of the others leave, beyond what noise leaves of the middle one.

    A second hit in the ring is no decay, but poles of its own explain it (leave-one-out: M. Stone, J. R. Stat. Soc. B 36 (1974) 111-147).
    """
    time = np.arange(decays.shape[2]) / rate_hz
    squares, left = [_square(decay) for decay in decays], np.empty(len(decays))
    total = np.sum(squares, axis=0)
    for k, own in enumerate(decays):
        basis = np.linalg.qr(_waves(_candidates(total - squares[k], decays.shape[1:], rate_hz, top_hz), time))[0]
        left[k] = float(((own.T - basis @ (basis.T @ own.T)) ** 2).sum())
    energy = np.maximum((decays**2).sum(axis=(1, 2)), np.finfo(float).tiny)
    return np.asarray(np.maximum(left - np.median(left), 0.0) / energy)


def _slowed(samples: npt.NDArray[np.floating], rate_hz: float, top_hz: float) -> tuple[Array, float]:
    """Samples (channels, n) without what lies above 1.2 times top_hz, falling from top_hz on, at 2.5 times it."""
    n = sfft.next_fast_len(samples.shape[1], real=True)
    m = min(sfft.next_fast_len(int(np.ceil(2.5 * top_hz / rate_hz * n)), real=True), n)
    bins = sfft.rfft(samples - samples.mean(axis=1, keepdims=True), n)[:, : m // 2 + 1]
    fall = np.clip((np.arange(m // 2 + 1) * rate_hz / n / top_hz - 1) / 0.2, 0, 1)
    slow = sfft.irfft(bins * np.cos(np.pi / 2 * fall) ** 2, m) * (m / n)
    return np.asarray(slow, dtype=np.float64), rate_hz * m / n


def _square(decay: Array) -> Array:
    """Square of the Hankel matrix of one knock (channels, n), (s, s)."""
    channels, n = decay.shape
    rows = min(ROWS // channels, n // 2)
    stretches = np.lib.stride_tricks.sliding_window_view(decay, rows, axis=1).swapaxes(1, 2).reshape(channels * rows, -1)
    return np.asarray(stretches @ stretches.T)


def _candidates(square: Array, shape: tuple[int, ...], rate_hz: float, top_hz: float) -> Complex:
    """Poles of the signal subspace of all knocks of a shape (channels, n). square: (s, s), sum of theirs."""
    channels, rows = shape[0], len(square) // shape[0]
    size = len(square)
    kept = min(POLES, rows // 2)
    space = eigh(square, subset_by_index=(size - kept, size - 1))[1].reshape(channels, rows, kept)
    shift = np.linalg.lstsq(space[:, :-1].reshape(-1, kept), space[:, 1:].reshape(-1, kept), rcond=None)[0]
    poles = np.log(np.linalg.eigvals(shift).astype(complex)) * rate_hz
    return np.asarray(poles[(poles.imag > 0) & (abs(poles) < 2 * np.pi * top_hz) & (poles.real > -DAMPED[1] * 2 * abs(poles))])


def _chosen(candidates: Complex, series: Array, time: Array) -> Complex:
    """Those that bring the most, one after the other, until the next would bring next to nothing or what noise gives."""
    waves = [np.linalg.qr(_waves(np.array([pole]), time))[0] for pole in candidates]
    everything = np.linalg.qr(_waves(candidates, time))[0] if len(candidates) else np.zeros((len(time), 0))
    noise = float(((series - everything @ (everything.T @ series)) ** 2).sum()) / series.size
    least = max(SHARE * float((series**2).sum()), CLEAR * 2 * series.shape[1] * noise)
    rest, basis, chosen = series, np.zeros((len(time), 0)), []
    while waves:
        free = [wave - basis @ (basis.T @ wave) for wave in waves]
        free = [np.linalg.qr(wave)[0] for wave in free]
        gains = [float(((wave.T @ rest) ** 2).sum()) for wave in free]
        best = int(np.argmax(gains))
        if gains[best] < least:
            break
        chosen.append(candidates[best])
        basis = np.hstack([basis, free[best]])
        rest = rest - free[best] @ (free[best].T @ rest)
        candidates = np.delete(candidates, best)
        waves.pop(best)
    return np.array(chosen, dtype=complex)


def _refined(poles: Complex, series: Array, time: Array) -> Complex:
    """Poles of the least squares: Gauss-Newton, each step halved until it helps, within what decays."""
    if not len(poles):
        return poles
    residual, slopes = _slopes(poles, series, time)
    for _ in range(ROUNDS):
        step = np.linalg.lstsq(slopes.reshape(len(slopes), -1).T, residual.ravel(), rcond=None)[0]
        for share in 0.5 ** np.arange(HALVINGS):
            tried = poles + share * (step[::2] + 1j * step[1::2])
            if tried.real.max() < 0 < tried.imag.min():
                left, turned = _slopes(tried, series, time)
                if (left**2).sum() < (residual**2).sum():
                    break
        else:
            break
        poles, residual, slopes = tried, left, turned
    return poles


def _waves(poles: Complex, time: Array) -> Array:
    """Decaying cosines and sines, (n, 2 k), a pair a pole."""
    turning = np.exp(time[:, None] * poles)
    return np.asarray(np.stack([turning.real, turning.imag], axis=2).reshape(len(time), -1))


def _slopes(poles: Complex, series: Array, time: Array) -> tuple[Array, Array]:
    """What the fit leaves, (n, series), and how it changes with each pole's real and imaginary part, (2 k, n, series)."""
    waves = _waves(poles, time)
    basis, upper = np.linalg.qr(waves)
    share = np.linalg.solve(upper, basis.T @ series)
    slopes = np.empty((2 * len(poles), *series.shape))
    for k in range(len(poles)):
        cosine, sine = waves[:, 2 * k : 2 * k + 1], waves[:, 2 * k + 1 : 2 * k + 2]
        a, b = share[2 * k], share[2 * k + 1]
        slopes[2 * k] = time[:, None] * (cosine * a + sine * b)
        slopes[2 * k + 1] = time[:, None] * (cosine * b - sine * a)
    slopes -= basis @ (basis.T @ slopes)
    return series - waves @ share, slopes


def _scatter(poles: Complex, residual: Array, slopes: Array, knocks: int, rate_hz: float) -> Array:
    """Half widths (k, 2) of the 95 % intervals of frequency and damping."""
    if not len(poles):
        return np.zeros((0, 2))
    n = len(residual)
    each = slopes.reshape(len(slopes), n, knocks, -1)
    left = residual.reshape(n, knocks, -1)
    square = np.einsum("pnkc,qnkc->kpq", each, each)
    pull = np.einsum("pnkc,nkc->kp", each, left)
    total = np.linalg.inv(square.sum(axis=0))
    one = np.linalg.pinv(square)
    apart = np.einsum("kpq,kq->kp", one, pull)  # by how much each knock alone would move the poles
    density = (np.abs(sfft.rfft(residual, axis=0)) ** 2).mean(axis=1) / n
    at = np.maximum(np.round(np.abs(poles) / (2 * np.pi) * n / rate_hz).astype(int), 1)
    found = []
    for k, pole in enumerate(poles):
        wide = max(round(-2 * pole.real * n / rate_hz / (2 * np.pi)), 10)
        beside = density[max(at[k] - wide, 1) : at[k] + wide + 1]
        taken = np.count_nonzero(np.abs(at - at[k]) <= wide) * (1 + 1 / residual.shape[1])  # of these bins, what the modes there fit
        noise = float(beside.sum()) / max(beside.size - taken, 1.0)
        size = abs(pole)
        along_hz = np.array([pole.real, pole.imag]) / (2 * np.pi * size)
        along_damping = np.array([-(pole.imag**2), pole.real * pole.imag]) / size**3
        row = slice(2 * k, 2 * k + 2)
        for along in (along_hz, along_damping):
            error = np.sqrt(noise * along @ total[row, row] @ along)
            alone = noise * np.einsum("i,kij,j->k", along, one[:, row, row], along)
            ratio = np.sqrt(float(((apart[:, row] @ along) ** 2 / alone).sum()) / (knocks - 1))
            differ = ratio > DIFFER[0]
            found.append(error * (stdtrit(knocks - 1, 0.975) * ratio if differ else DIFFER[1]))
    return np.array(found).reshape(-1, 2)
