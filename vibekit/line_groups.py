"""Groups of orders that conditions are told apart by."""

from vibekit.settings import Settings, feels_propeller

HARMONICS = 10
TOP_ORDER = 48.0  # highest order looked at
LOUD_BLADES = 4  # multiples of blade pass up to here are the propeller's
COMB_TOP = 12  # a loose part's row of harmonics and half orders is looked at up to here
LINES = ("1x", "2x", "half orders", "harmonics", "comb", "blade pass", "other orders", "electrical lines")
ANY_ONE = ("other orders", "electrical lines")  # any one of these may stand out; the rest need not move
ALL_ALIKE = ("half orders", "harmonics", "comb")  # a row: each moves a little
ONE_BY_ONE = (*ANY_ONE, *ALL_ALIKE)


def electrical_orders(poles: int | None) -> set[int]:
    """Orders at which the electrical side shows: pole pairs, twice and four times, and about six times (commutation, six-step control:
    Hanselman, Brushless Permanent Magnet Motor Design (2003)). Poles not known: none, since any order may then be mechanical.
    """
    if not poles:
        return set()
    pairs = poles // 2
    return {pairs, 2 * pairs, 4 * pairs, *range(6 * pairs - 2, 6 * pairs + 3)}


def group(name: str, settings: Settings) -> tuple[float, ...]:
    """Orders of a group on this machine, ascending; empty where it has none (no blade pass when bare)."""
    turning = feels_propeller(settings.test)
    blades = settings.blades if settings.blades and turning else 0
    electrical = {o for o in electrical_orders(settings.poles) if not (blades and o % blades == 0 and o <= LOUD_BLADES * blades)}
    if name in ("1x", "2x"):
        return (float(name[0]),)
    if name == "half orders":
        return tuple(k + 0.5 for k in range(HARMONICS))
    if name == "harmonics":
        return tuple(float(k) for k in range(3, HARMONICS + 1) if k not in electrical and not (blades and k % blades == 0))
    if name == "comb":
        halves = [k / 2 for k in range(1, 2 * COMB_TOP + 1)]
        return tuple(o for o in halves if o not in (1, 2, *electrical) and not (blades and o % blades == 0))
    if name == "electrical lines":
        return tuple(float(k) for k in sorted(electrical))
    if name == "blade pass":
        return (float(blades),) if blades > 1 else ()
    if blades > 1:
        return tuple(float(k) for k in range(3, LOUD_BLADES * blades) if k % blades and k not in electrical)
    return (3.0, 5.0) if turning and not blades else ()


def compared_orders(settings: Settings) -> list[float]:
    """Every order of every group, ascending."""
    return sorted({order for name in LINES for order in group(name, settings)})
