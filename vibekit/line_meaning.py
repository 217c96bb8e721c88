"""What a line of a spectrum is: its order, its frequency, what may make it, and which evidence it fed."""

from dataclasses import dataclass

from vibekit.analysis import named_orders
from vibekit.catalogue import load_catalogue
from vibekit.defect_comb import ANY
from vibekit.finding import Diagnosis
from vibekit.line_groups import HARMONICS, electrical_orders
from vibekit.observation import WORDS
from vibekit.reading import OrderLine, Reading
from vibekit.settings import Settings

NEAR = 0.04  # orders: what is farther from a named order is not called by its name
SHOWN = 4  # causes named


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a place in a spectrum means.

    order: of the named order there, else as asked; hz: None when the shaft speed is not known; name: "" when nothing known lies there
    line: as it was measured there, None when it was not; clues: what it counts to, as in vibekit.observation
    causes: conditions under which the catalogue says that these rise, most probable first, in words; fed: evidence it went into
    """

    order: float
    hz: float | None
    name: str
    line: OrderLine | None
    clues: tuple[str, ...]
    causes: tuple[str, ...]
    fed: tuple[str, ...]


def meaning_of(reading: Reading, order: float, diagnosis: Diagnosis | None = None, *, envelope: bool = False) -> Meaning:
    """Say what lies at an order of a reading's order spectrum, or of its envelope spectrum."""
    known = _defect_orders(reading.settings) if envelope else named_orders(reading.settings)
    near = min(known, key=lambda named: abs(named - order), default=None)
    hit = near is not None and abs(near - order) <= NEAR * max(1.0, order / 4)
    at = near if hit and near is not None else order
    name = known[near] if hit and near is not None else ""
    clues = _defect_clues(name) if envelope else clues_at(at, reading.settings)
    line = None if envelope else next((line for line in reading.orders if abs(line.order - at) < 1e-6), None)
    hz = at * reading.speed.rpm / 60 if reading.speed.rpm else None
    return Meaning(at, hz, name, line, clues, _causes(clues, reading.settings, diagnosis), _fed(clues, reading.settings, diagnosis))


def clues_at(order: float, settings: Settings) -> tuple[str, ...]:
    """Name what a line at this order is counted to."""
    near = round(2 * order) / 2
    if near <= 0 or abs(near - order) > NEAR * max(1.0, order / 4):
        return ()
    if near % 1:
        return ("half orders",) if near < HARMONICS else ()
    whole = int(near)
    blades = settings.blades if settings.blades and settings.test != "bare" else 0
    found = []
    if whole in (1, 2):
        found.append(f"{whole}x")
    if blades > 1 and whole == blades:
        found.append("blade pass")
    if whole in electrical_orders(settings.poles) and not (blades and whole % blades == 0):
        found.append("electrical lines")
    elif 3 <= whole <= HARMONICS and not (blades and whole % blades == 0):
        found.append("harmonics")
    if blades > 1 and 2 <= whole < 2 * blades and whole % blades:
        found.append("other orders")
    return tuple(found)


def _defect_orders(settings: Settings) -> dict[float, str]:
    orders = {1.0: "once a turn"}
    for bearing in settings.bearings:
        named = (("outer race", bearing.outer), ("inner race", bearing.inner), ("ball", 2 * bearing.ball_spin), ("cage", bearing.cage))
        orders |= {k * order: f"{name}, {k}x" if k > 1 else name for name, order in named for k in (3, 2, 1)}
    return orders


def _defect_clues(name: str) -> tuple[str, ...]:
    base = name.partition(",")[0]
    return (base,) if base else (ANY,)


def _causes(clues: tuple[str, ...], settings: Settings, diagnosis: Diagnosis | None) -> tuple[str, ...]:
    chance = {finding.condition: finding.probability for finding in diagnosis.findings} if diagnosis else {}
    up = ("rises", "present", "changes")
    tests = [settings.test] if settings.test else ["bare", "prop"]
    found = [c for c in load_catalogue().conditions if any(c.expects(clue, test) in up for clue in clues for test in tests)]
    found.sort(key=lambda c: (-chance.get(c.condition, 0.0), -c.prior))
    return tuple(condition.words for condition in found[:SHOWN])


def _fed(clues: tuple[str, ...], settings: Settings, diagnosis: Diagnosis | None) -> tuple[str, ...]:
    """Evidence of the leading finding that begins with the clue's words and is of this test."""
    told = [evidence.text for finding in (diagnosis.findings[:1] if diagnosis else ()) for evidence in finding.evidence]
    mine = tuple(WORDS[clue] for clue in clues if clue in WORDS)
    where = f"({settings.test} test)"
    return tuple(text for text in told if text.startswith(mine) and (settings.test is None or where in text)) if mine else ()
