"""Whether noise of the high band that rose is made in the casing, in the air, or elsewhere: how it grows from speed to speed."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from vibekit.change import SITTING_DB, Pairing, pair_up, parts_of, per_decade
from vibekit.decibel import POWER_DB
from vibekit.normal import Z95
from vibekit.reading import Reading
from vibekit.repeatability import Repeatability
from vibekit.speed_evidence import by_speed

Array = npt.NDArray[np.float64]
BAND = "roughness"
CASING = ("bearing-grit", "bearing-outer", "bearing-inner", "bearing-ball", "bearing-cage", "rub")
# power against speed, dB a decade. What rubs goes as velocity squared; a ball strikes a grain or a pit as fast, and as often, as it turns:
# rate times velocity squared. The air's noise goes as the fifth power at an edge (Ffowcs Williams & Hall, J. Fluid Mech. 40 (1970)
# 657-670) and the sixth where an edge is small (Curle, Proc. R. Soc. A 231 (1955) 505-514)
RUBBED, STRUCK, BLOWN = 20.0, 30.0, 55.0
UNLIKE = 7.0  # by which machines differ from that, standard deviation (common practice, no source)
ROOM, STEADY = 0.0, 3.0  # the same of what a room or the sensor itself adds, which knows nothing of the motor
WIDEST = 1.25  # ratio of speeds from which growth can be told
SHOWN = 3.0  # standard deviations by which noise must have risen at one speed
MOST = 1.5  # log10 of the odds that this may shift: growth is no more than a habit of machines
OTHER = (
    "as noise of the air does",
    "as noise from elsewhere, which no motor drives: record in a quiet place",
    "as what was there before did, so a sensor that hears it all louder may have added it",
)
SIZES_DB = np.arange(-20.0, 8.0, 0.5)  # of what is added at the fastest speed, about what was found there
SLOPES = np.arange(-10.0, 85.0, 1.0)


@dataclass(frozen=True, slots=True)
class _Excess:
    """Power that is there beyond the references' at one speed, its standard deviation, and theirs, in one unit for all speeds."""

    rpm: float
    power: float
    sd: float
    before: float


def noise_over_speeds(
    readings: Sequence[Reading], references: Sequence[Reading], repeatability: Repeatability, *, peers: bool = False
) -> tuple[str, dict[str, float]] | None:
    """In words, and log10 of the odds for what strikes or rubs in the casing; None with one speed, or where no noise rose.

    What was added grows with speed by one power law, of the casing's exponent, the air's, or none, each spread about its middle, or is one
    share of what was there before at every speed, as a sensor that hears it all louder makes it; size and exponent are integrated over,
    so that speeds at which nothing shows count as far as they can. Air, room and sensor are as likely.
    """
    each = [pairs for together in by_speed(readings) if (pairs := pair_up(together, references))]
    gain_db = float(np.mean([np.mean(p.gains_db) for pairs in each for p in pairs])) if each else 0.0
    found = [excess for pairs in each if (excess := _excess(pairs, gain_db, repeatability, peers=peers)) is not None]
    if not found or found[-1].rpm < WIDEST * found[0].rpm or max(e.power / e.sd for e in found) < SHOWN:
        return None
    rpm, power, sd, before = (np.array(each) for each in zip(*((e.rpm, e.power, e.sd, e.before) for e in found), strict=True))
    pace = np.log10(rpm / rpm[-1])
    clear = int((power / sd).argmax())
    size = POWER_DB * math.log(power[clear]) + SIZES_DB[:, None] - SLOPES * pace[clear]
    grown = 10 ** ((size[..., None] + SLOPES[:, None] * pace) / 10)
    like = logsumexp(-0.5 * (((power - grown) / sd) ** 2).sum(axis=-1), axis=0)
    louder = power[clear] * 10 ** (SIZES_DB[:, None] / 10) * before / before[clear]
    heard = float(logsumexp(-0.5 * (((power - louder) / sd) ** 2).sum(axis=-1)))
    kinds = ((RUBBED, UNLIKE), (STRUCK, UNLIKE), (BLOWN, UNLIKE), (ROOM, STEADY))
    rubbed, struck, blown, elsewhere = (_seen(like, *kind) for kind in kinds)
    casing, other = np.logaddexp(rubbed, struck), logsumexp([blown, elsewhere, heard])
    odds = float(np.clip((casing - other) / math.log(10), -MOST, MOST))
    weight = np.exp(like - like.max())
    slope = float((SLOPES * weight).sum() / weight.sum())
    u95 = Z95 * float(np.sqrt(((SLOPES - slope) ** 2 * weight).sum() / weight.sum()))
    means = "as what strikes or rubs in the motor does" if odds > 0 else OTHER[int(np.argmax([blown, elsewhere, heard]))]
    grows = f"noise from 2 kHz up that was added grows by {slope:.0f} dB ± {u95:.0f} a decade"
    return f"{grows} from {rpm[0]:.0f} to {rpm[-1]:.0f} rpm; {means}", dict.fromkeys(CASING, odds)


def _seen(like: Array, middle: float, spread: float) -> float:
    """Log of the likelihood of growth spread about a middle. like: (SLOPES,) of each exponent."""
    prior = -0.5 * ((SLOPES - middle) / spread) ** 2
    return float(logsumexp(like + prior) - logsumexp(prior))


def _excess(pairs: Sequence[Pairing], gain_db: float, repeatability: Repeatability, *, peers: bool) -> _Excess | None:
    """What readings at one speed have beyond their references, over the octaves that all have. gain_db: of all speeds together, since a
    fault that raises noise sways what each says of it.
    """
    names = sorted(set.intersection(*(set(parts_of(r, BAND)) for p in pairs for r in (p.reading, *p.references))))
    if not names:
        return None
    width_hz = np.array([float(name.split()[1]) for name in names])

    def powers(reading: Reading) -> Array:
        levels = parts_of(reading, BAND)
        return np.asarray(width_hz * [10 ** (levels[name].value / 10) for name in names])

    def factor(pair: Pairing, index: int) -> float:
        return pair.factor(index, per_decade(BAND)) * 10 ** ((gain_db - pair.gains_db[index]) / 10)

    past = {id(r): powers(r) * factor(p, i) for p in pairs for i, r in enumerate(p.references)}
    now, before = np.mean([powers(p.reading) for p in pairs], axis=0), np.mean(list(past.values()), axis=0)
    settings = pairs[0].reading.settings
    spread = repeatability.of(BAND, settings.test, settings.sensor)
    once, sitting, unlike = ((db / POWER_DB) ** 2 for db in (spread.deviation, SITTING_DB, spread.spread if peers else SITTING_DB))
    variance = now**2 * (once / len(pairs) + sitting) + before**2 * (once / len(past) + unlike)
    rpm = float(np.mean([p.reading.speed.rpm for p in pairs if p.reading.speed.rpm]))
    return _Excess(rpm, float((now - before).sum()), math.sqrt(float(variance.sum())), float(before.sum()))
