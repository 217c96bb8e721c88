"""By how much a quantity differs from its references, in units of what merely repeating the measurement does."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr, ndtri, stdtrit

from vibekit.decibel import NEPER_DB
from vibekit.dominance import NO_OTHER
from vibekit.gain import FORCE, MOST_DB, NOISE, OCTAVES, common_gain, tilt
from vibekit.line_groups import ALL_ALIKE, LINES, ONE_BY_ONE, group
from vibekit.median import MAD_SHARE, MAD_TO_SD
from vibekit.normal import Z95
from vibekit.reading import LinePower, Quantity, Reading
from vibekit.repeatability import LEAST_UNKNOWN, Repeatability, Spread
from vibekit.settings import Test
from vibekit.statistics import ROBUST, deviate, error_of_middle

Array = npt.NDArray[np.float64]
NEAR = 0.03  # references within this relative distance of the nearest speed count alike
FAR = 0.15  # beyond this relative difference of speed, levels are not compared
BROADBAND = {"wash": (100.0, 1500.0), "roughness": (1500.0, 30000.0)}
CHANGES = (*LINES, "unsteadiness", "wash", "roughness", "once a turn", "resonance")
SITTING_DB = 1.0  # by which the noise of a whole sitting is off: how the sensor is seated colours it (common practice, no source)
FLOWN = 0.1  # of a line, by which two flights differ: thrust follows weight, wind and how it is flown (common practice, no source)
HILL = 3.0  # times the noise beside it: 6 dB higher within the width of a line (common practice, no source)
TILTED = 2.0  # dB an octave, beyond which one flight's noise lies beside another's for the sensor's sake (common practice, no source)
LEAST_RATIO = 0.01  # amplitudes smaller than this share of the reference are all alike
CLEAR = 0.15  # relative error up to which a line tells what a sitting does to lines
FEWEST_LINES = 8  # that tell it
# between two places in a room with echoes the logarithm of a line's power differs by a logistic law, since either power is exponential
# (Schroeder, J. Acoust. Soc. Am. 34 (1962) 1819-1823); its tails are those of Student's t of 9 degrees (Mudholkar & George, Biometrika 65
# (1978) 667-668: both from memory), and the mean over n speeds has the excess kurtosis of one of 4 + 5 n
PLACED = 5
ONE_SEAT = 0.25  # scatter of lines from take to take with the sensor left where it is: 97 of 100 sound motors of the rig show less


@dataclass(frozen=True, slots=True)
class Change:
    """Difference of a quantity from its references.

    delta: difference in dB; u95: half width of its 95 % interval; z: the difference in standard deviations of repeating, with the
    heavier tails of a spread known from few repeats taken into account (Student's t turned into the normal deviate of equal chance)
    compared, references: how many recordings on either side; repeat: standard deviation of one recording, dB
    error: standard error of delta, dB, where repeating adds as much to a large line as to a small one, which u95 does not trust
    order: the line that stands out most, of a group in which any one may; else None
    """

    name: str
    delta: float
    u95: float
    z: float
    repeat: float
    compared: int
    references: int
    error: float
    order: float | None = None


@dataclass(frozen=True, slots=True)
class Pairing:
    """A reading and the references it is compared with.

    gains_db: what to add to a level of each reference so that both were taken with one gain of the sensor
    seat: how unlike lines changed between the two, standard deviation relative to amplitude, from this many `lines`; 0 where too few
        are clear to tell
    """

    reading: Reading
    references: tuple[Reading, ...]
    gains_db: tuple[float, ...]
    seat: float = 0.0
    lines: int = 0

    def factor(self, index: int, per_decade: float) -> float:
        """Factor on power that brings a reference to the reading's gain and speed."""
        ours, theirs = self.reading.speed.rpm, self.references[index].speed.rpm
        pace = (ours / theirs) ** (per_decade / 10) if ours and theirs else 1.0
        return float(pace * 10 ** (self.gains_db[index] / 10))


@dataclass(frozen=True, slots=True)
class Match:
    """One reading beside its references.

    shift: relative difference of amplitude, or difference in dB; noise: variance of the same from the measurement itself, one recording
    scatter: squares of the references about their mean, in the same unit; references: how many
    uneven: variance of the shift from how unlike its octaves moved, as they do where the sensor or the room colours them anew
    """

    shift: float
    noise: float
    scatter: float
    references: int
    uneven: float = 0.0


def _apart(reading: Reading, reference: Reading) -> float:
    """Relative difference of speed; 0 when neither has one, infinite when only one has."""
    ours, theirs = reading.speed.rpm, reference.speed.rpm
    if ours is None and theirs is None:
        return 0.0
    if ours is None or theirs is None:
        return math.inf
    return abs(math.log(ours / theirs))


def _set_up(reading: Reading) -> tuple[str | None, str | None, str, bool]:
    alone = reading.settings.test == "flight" and reading.quantity(NO_OTHER) is not None  # said to be a flight, and heard not to be one
    return reading.settings.test, reading.settings.sensor, reading.settings.setup, alone


def alike(reading: Reading, references: Sequence[Reading]) -> list[Reading]:
    """The references of the same test and set-up whose speed, as far as it is known, is near; their levels may not be comparable."""
    return [r for r in references if _set_up(r) == _set_up(reading) and (not reading.speed.rpm or _apart(reading, r) <= FAR)]


def nearest(reading: Reading, references: Sequence[Reading]) -> list[Reading]:
    """The references of the same test and set-up nearest in speed; empty when none is near enough for levels to be compared.

    A recording whose gain was changed on the way (gain control, noise suppression, clipping) is compared with nothing.
    """
    same = [r for r in references if _set_up(r) == _set_up(reading) and r.screening.levels_comparable]
    if not same or not reading.screening.levels_comparable:
        return []
    closest = min(_apart(reading, r) for r in same)
    return [r for r in same if _apart(reading, r) <= closest + NEAR] if closest <= FAR else []


def why_not_compared(readings: Sequence[Reading], references: Sequence[Reading]) -> str:
    """Why none of the readings has a reference to be compared with, and what to do; empty where one has, or without any of either."""
    if not readings or not references or any(nearest(r, references) for r in readings):
        return ""
    if not any(_set_up(r) == _set_up(ref) for r in readings for ref in references):
        return "they were taken under another test or with another sensor or set-up: record both alike"
    if not any(r.screening.levels_comparable for r in readings) or not any(r.screening.levels_comparable for r in references):
        return "the gain changed on the way, by gain control, noise suppression or clipping: record again without"
    if not any(r.speed.rpm for r in readings) or not any(r.speed.rpm for r in references):
        return f"no shaft speed was found in {'them' if any(r.speed.rpm for r in readings) else 'what is judged'}: state it"
    speeds = f"its speed ({_range(readings)}) lies more than {100 * FAR:.0f} % from theirs ({_range(references)})"
    heard = any(r.speed.method == "estimated" for r in (*readings, *references))
    return f"{speeds}: record both at one speed{', or state it where it was estimated wrong' if heard else ''}"


def louder(readings: Sequence[Reading], references: Sequence[Reading]) -> str:
    """What was put down to the sensor where that is more than putting it back does, or may be its, in words; empty where nothing was."""
    beside = [(reading, near) for reading in readings if (near := nearest(reading, references))]
    gains = [gain for reading, near in beside for gain in _gains(reading, near) if abs(gain) > 2 * MOST_DB]  # of both sides
    tilts = [slope for reading, near in beside for r in near if (slope := _tilt(reading, r))]
    said = []
    if gains:
        least, most = min(gains, key=abs), max(gains, key=abs)
        much = f"{abs(least):.0f} dB" if round(abs(least)) == round(abs(most)) else f"{abs(least):.0f} to {abs(most):.0f} dB"
        way = "louder" if most > 0 else "softer"
        said.append(f"every line and band is {much} {way} alike: put down to the sensor's gain or place, not to the motor")
    if tilts:
        slope = float(np.mean(tilts))
        way = "rise" if slope > 0 else "fall"
        rises = f"the highs {way} by {abs(slope):.0f} dB an octave beside the lows"
        said.append(f"{rises}, as another sensor or place of it makes them: noise is not compared")
    return "; ".join(said)


def _range(readings: Sequence[Reading]) -> str:
    rpm = [f"{r.speed.rpm:.0f}" for r in sorted(readings, key=lambda r: r.speed.rpm or 0.0) if r.speed.rpm]
    return " to ".join(dict.fromkeys((rpm[0], rpm[-1]))) + " rpm"


def in_db(name: str, shift: float) -> float:
    """A shift as a difference in dB: that of lines is a relative difference of amplitude."""
    return NEPER_DB * math.log(max(1 + shift, LEAST_RATIO)) if name in LINES else shift


def per_decade(name: str) -> float:
    """Level against speed, dB a decade; 0 for what does not follow the speed."""
    return FORCE if name in LINES else NOISE if name in BROADBAND else 0.0


def pair_up(readings: Sequence[Reading], references: Sequence[Reading]) -> list[Pairing]:
    """Each reading that has references near enough, with them."""
    found = []
    for reading in readings:
        if beside := nearest(reading, references):
            pair = Pairing(reading, tuple(beside), _gains(reading, beside))
            seat, lines = _seat(pair)
            found.append(replace(pair, seat=seat, lines=lines))
    return found


def _gains(reading: Reading, references: Sequence[Reading]) -> tuple[float, ...]:
    """See Pairing.gains_db."""
    own, others = common_gain(reading, references)
    return tuple(own - other for other in others)


def _seat(pair: Pairing) -> tuple[float, int]:
    """What taking the sensor off and on, or putting it down again elsewhere, did to lines, and how many tell it.

    A path that changed raises some lines and lowers others, as a room's echoes do where a microphone stands a hand's breadth off. A
    fault moves few of them, or all one way: the scatter about their median, robustly (median absolute deviation: Rousseeuw & Croux,
    J. Am. Stat. Assoc. 88 (1993) 1273-1283), less what takes of one seat may show.
    """
    each = [match_lines(pair, (line.order,), peers=False) for line in pair.reading.powers]
    clear = [match for match in each if match and match.noise < CLEAR**2]
    if len(clear) < FEWEST_LINES:
        return 0.0, 0
    moved = np.log(np.maximum([1 + match.shift for match in clear], LEAST_RATIO))
    scatter = (MAD_TO_SD * float(np.median(np.abs(moved - np.median(moved))))) ** 2
    return math.sqrt(max(scatter - ONE_SEAT**2, 0.0)), len(clear)


def match_lines(pair: Pairing, orders: Sequence[float], *, peers: bool, whole: bool = False) -> Match | None:
    """Amplitude of the lines together: root of their power above the noise, at one noise for both sides. whole: in the whole recordings,
    where all were measured so; the noise of a raised line is then given as a share of its own height.

    Amplitudes add as vectors, so the repeats of a small one scatter as much as those of a large one, and evenly, which its level in dB
    does not. Noise of equal power is put back under both sides, so that lines which hide in it compare as equal. Where the noise
    rose, as much of the lines' rise is taken off as a hill of that noise may add: echoes and modes of the frame colour it as narrowly as
    a line.
    """
    whole = whole and all(r.whole for r in (pair.reading, *pair.references))
    ours, *others = ({p.order: p for p in (r.whole if whole else r.powers)} for r in (pair.reading, *pair.references))
    orders = [o for o in orders if o in ours]
    theirs = list(enumerate(others))
    theirs = [(i, lines) for i, lines in theirs if lines.keys() >= set(orders)]
    if not orders or not theirs:
        return None

    def summed(lines: dict[float, LinePower]) -> Array:
        """Power, noise and error of the lines together."""
        power, noise, error = np.array([(lines[o].power, lines[o].noise, lines[o].error) for o in orders]).T
        return np.array([power.sum(), noise.sum(), np.linalg.norm(error)])

    power, noise, error = summed(ours)
    each = np.array([summed(lines) * pair.factor(i, FORCE) for i, lines in theirs])
    power = min(power, max(power - HILL * (noise - each[:, 1].mean()), each[:, 0].mean()))
    level = (noise + each[:, 1].mean()) / 2
    least = max(level / 4, np.finfo(float).tiny)
    amplitude = math.sqrt(max(power + level, least))
    beside = np.sqrt(np.maximum(each[:, 0] + level, least))
    middle = float(np.median(beside) if peers else beside.mean())
    high, floor = (max(amplitude / middle, 1.0), level) if whole else (1.0, least)
    own, others_own = (error / high) ** 2 / max(amplitude**2, floor), each[:, 2] ** 2 / np.maximum(beside**2, floor)
    measured = (own + float(np.mean(others_own))) / (8 * middle**2)
    scatter = 0.0 if peers else float(((beside / middle - 1) ** 2).sum())
    return Match(amplitude / middle - 1, measured, scatter, len(beside))


def parts_of(reading: Reading, name: str) -> dict[str, Quantity]:
    """The parts of a quantity in dB to compare: one number, or one for each octave of a broadband quantity."""
    if name in BROADBAND:
        low, high = BROADBAND[name]
        octaves = {q.name: q for q in reading.quantities if q.name.startswith(OCTAVES)}
        return {k: q for k, q in octaves.items() if low < float(k.split()[1]) < high}
    found = reading.quantity(name)
    return {name: found} if found else {}


def _tilt(reading: Reading, reference: Reading) -> float:
    """Tilt of one flight's noise beside another's, dB an octave, where it is too much for the noise to be compared; else 0."""
    slope = tilt(reading, reference) if reading.settings.test == "flight" else 0.0
    return slope if abs(slope) > TILTED else 0.0


def match_levels(pair: Pairing, name: str, *, peers: bool) -> Match | None:
    """Level in dB, mean over the parts that both have; noise of no flight beside which the sensor's response tilts."""
    ours = parts_of(pair.reading, name)
    shifts, noise, uneven = [], [], []
    for i, reference in enumerate(pair.references):
        if name in BROADBAND and _tilt(pair.reading, reference):
            continue
        theirs = parts_of(reference, name)
        common = ours.keys() & theirs.keys()
        if common:
            apart = [ours[k].value - theirs[k].value for k in common]
            shifts.append(float(np.mean(apart)) - (10 * math.log10(pair.factor(i, NOISE)) if name in BROADBAND else 0.0))
            noise.append(float(np.mean([ours[k].u95 ** 2 + theirs[k].u95 ** 2 for k in common])) / (2 * Z95**2))
            own_ways = float(np.var(apart, ddof=1)) - 2 * noise[-1] if len(apart) > 1 else 0.0
            uneven.append(max(own_ways, 0.0) / len(apart))
    if not shifts:
        return None
    middle = float(np.median(shifts) if peers else np.mean(shifts))
    scatter = 0.0 if peers else float(((np.array(shifts) - middle) ** 2).sum())
    return Match(middle, float(np.mean(noise)), scatter, len(shifts), float(np.mean(uneven)))


def change(
    name: str, readings: Sequence[Reading], references: Sequence[Reading], repeatability: Repeatability, *, peers: bool = False
) -> Change | None:
    """Compare readings of one motor under one test with their references, each with those nearest in speed; see `changed`."""
    return changed(name, pair_up(readings, references), repeatability, peers=peers)


def changed(name: str, pairs: Sequence[Pairing], repeatability: Repeatability, *, peers: bool = False) -> Change | None:
    """What readings of one motor under one test, each beside its references, say together.

    peers: the references are other motors, not its past: they differ, so the median is taken
    Lines are compared by amplitude, all else by level in dB. Of a group in which any one line may stand out, the one that does most is
    given, its chance corrected for having been picked (Sidak, J. Am. Stat. Assoc. 62 (1967) 626-633); of a row in which each moves a
    little, the sum of their deviates (Stouffer et al., The American Soldier, vol. 1 (1949)). None when nothing can be compared.
    """
    return changed_under((None,), name, pairs, repeatability, peers=peers)[0]


def changed_under(
    tests: Sequence[Test | None], name: str, pairs: Sequence[Pairing], repeatability: Repeatability, *, peers: bool = False
) -> list[Change | None]:
    """As `changed`, under each of the tests that it may be where none was said: the same shifts, of which repeating does more or less."""
    if not pairs:
        return [None] * len(tests)
    settings = pairs[0].reading.settings
    orders = group(name, settings) if name in LINES else ()

    @cache
    def matched(orders: tuple[float, ...]) -> list[tuple[Match, Pairing]]:
        each = (match_lines(p, orders, peers=peers) if name in LINES else match_levels(p, name, peers=peers) for p in pairs)
        return [(m, p) for m, p in zip(each, pairs, strict=True) if m]

    def under(test: Test | None) -> Change | None:
        spread = repeatability.of(name, test, settings.sensor)
        between = SITTING_DB**2 if name in BROADBAND else FLOWN**2 if name in LINES and test == "flight" else 0.0

        def moved(orders: tuple[float, ...]) -> Change | None:
            return _changed(name, matched(orders), spread, between, peers=peers)

        if (together := moved(orders)) is None or name not in ONE_BY_ONE:
            return together
        each = [(alone, o) for o in orders if (alone := moved((o,))) is not None]
        if name in ALL_ALIKE:
            return replace(together, z=sum(alone.z for alone, _ in each) / math.sqrt(len(each)))
        most, order = max(each, key=lambda pair: pair[0].z)
        passed = -math.expm1(len(each) * float(log_ndtr(most.z)))  # the chance that any of so many is as high
        return replace(most, z=-float(ndtri(max(passed, 1e-300))), order=order)

    return [under(settings.test or test) for test in tests]


def _speeds(matched: Sequence[tuple[Match, Pairing]]) -> int:
    """At how many speeds: at each of them a line takes its own way."""
    rpm = sorted(p.reading.speed.rpm or 0.0 for _, p in matched)
    return 1 + sum(after > (1 + NEAR) * before for before, after in pairwise(rpm))


def _changed(name: str, matched: Sequence[tuple[Match, Pairing]], prior: Spread, sitting: float, *, peers: bool) -> Change | None:
    """The change that the matches make together. sitting: variance from one sitting, or flight, to the next.

    The spread of one recording is learned from repeats among the references and from the scatter of the shifts, starting from `prior`
    (moderated t: Smyth, Stat. Appl. Genet. Mol. Biol. 3 (2004) 3). It is never taken below the interval of the readings themselves,
    and counts as known as far as that interval makes it up (Welch, Biometrika 34 (1947) 28-35). With four shifts and more their
    median and median deviation count, so that one speed at which a mode answers does not drown the rest. Lines at several
    speeds count by the logarithm of their ratio, since at each they go another way; their error is never less than what this sitting
    did to lines, independently at each speed.
    """
    if not matched:
        return None
    used: set[int] = set()
    squares, freedom = 0.0, 0.0
    for match, pair in matched:
        beside = {id(r) for r in pair.references}
        if not peers and match.references > 1 and not beside <= used:
            squares += match.scatter
            freedom += match.references - 1
        used |= beside
    shifts = np.array([m.shift for m, _ in matched])
    if name in LINES:
        shifts = np.log(np.maximum(1 + shifts, LEAST_RATIO))
    middle = float(np.median(shifts) if len(shifts) >= ROBUST else shifts.mean())
    if len(shifts) > 1:
        scatter = (shifts - middle) ** 2 / np.array([1 + 1 / m.references for m, _ in matched])
        squares += float((len(shifts) - 1) * MAD_TO_SD**2 * np.median(scatter) if len(shifts) >= ROBUST else scatter.sum())
        freedom += len(shifts) - 1
    degrees = prior.worth + freedom
    measured = float(np.mean([m.noise for m, _ in matched]))
    variance = max((prior.worth * prior.deviation**2 + squares) / degrees, measured)
    degrees /= max(1 - measured / variance, LEAST_UNKNOWN) ** 2
    between = sitting + float(np.mean([m.uneven for m, _ in matched])) + (prior.spread**2 * (1 + 1 / len(used)) if peers else 0.0)
    error = math.sqrt(variance * (1 / len(matched) + 1 / len(used)) + between)
    if name not in LINES:
        half = float(stdtrit(degrees, 0.975)) * error
        return Change(name, middle, half, deviate(middle / error, degrees), math.sqrt(variance), len(matched), len(used), error)
    seat = 0.0 if peers else math.sqrt(float(np.mean([p.seat**2 for _, p in matched])) / _speeds(matched))
    told = degrees
    if seat > error:
        lines = min(p.lines for _, p in matched if p.lines) - 1
        error, degrees, told = seat, min(max(degrees, lines), 4 + PLACED * _speeds(matched)), MAD_SHARE * lines
    shift = math.expm1(middle)
    z, apart = deviate(shift / error, degrees), error_of_middle(shifts)

    def of_ratio(own: float) -> float:
        """Standard error of the ratio's logarithm where so many times the reference's scatter is that of what is compared."""
        return max(math.sqrt(variance * (own**2 / len(matched) + 1 / len(used)) + between), seat, apart)

    half = NEPER_DB * float(stdtrit(told, 0.975)) * of_ratio(max(1 / (1 + shift), 1.0))
    error = NEPER_DB * of_ratio(1 / (1 + shift))
    return Change(name, NEPER_DB * middle, half, z, NEPER_DB * math.sqrt(variance), len(matched), len(used), error)
