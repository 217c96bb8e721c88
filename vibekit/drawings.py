"""The drawings of a report: which readings share a drawing and a scale, and what stands under each drawing."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from vibekit import plots
from vibekit.change import FAR, nearest
from vibekit.frame import Frame, frame_of
from vibekit.reading import Reading
from vibekit.repeatability import load_repeatability
from vibekit.spin_comparison import compare_spins, conclusion_words
from vibekit.standing import Standing, standings
from vibekit.wording import TEST_WORDS

if TYPE_CHECKING:
    from markupsafe import Markup
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True)
class Drawing:
    """An SVG element and what it shows."""

    caption: str
    svg: "Markup"


@dataclass(frozen=True, slots=True)
class Member:
    """One motor's latest reading of a kind with what it is drawn over.

    number: in running order, from 1; others: the nearest comparable reading of each other motor
    """

    number: int
    position: str
    reading: Reading
    others: tuple[Reading, ...]
    baselines: tuple[Reading, ...]
    rows: tuple[Standing, ...]


@dataclass(frozen=True, slots=True)
class Group:
    """The readings of all motors under one test with one sensor, and the scales that their drawings share.

    coasting: position and every reading of the motor that tells how it coasts down, spun by hand
    """

    name: str
    how: str
    members: tuple[Member, ...]
    order: Frame | None
    envelope: Frame | None
    reach: float
    coasting: tuple[tuple[str, tuple[Reading, ...]], ...] = ()

    @property
    def steady(self) -> bool:
        """All speeds lie so near each other that levels may be compared."""
        rpm = [member.reading.speed.rpm for member in self.members]
        known = [speed for speed in rpm if speed]
        return len(known) == len(rpm) and max(known) <= min(known) * (1 + FAR)


def comparable(reading: Reading, others: Iterable[Reading]) -> tuple[Reading, ...]:
    """Give those readings whose levels may stand beside this one: same test, sensor and channels, near in speed, gain left alone."""
    alike = [
        other
        for other in others
        if _kind(other) == _kind(reading) and other is not reading and other.screening.usable and other.screening.levels_comparable
    ]
    return tuple(nearest(reading, alike))


def groups_of(motors: Sequence[tuple[str, Sequence[Reading], Sequence[Reading]]]) -> tuple[Group, ...]:
    """Sort readings into groups. motors: (position, readings oldest first, baselines), in running order."""
    kinds = dict.fromkeys(_kind(r) for _, readings, _ in motors for r in readings if r.curves)
    return tuple(_group(f"drawn-{i}", kind, motors) for i, kind in enumerate(kinds, 1))


def side_by_side(group: Group) -> Drawing | None:
    """Draw the order spectra of all motors on one scale; None for fewer than two."""
    shown = [(member.position, member.reading) for member in group.members if member.reading.curve("order") is not None]
    if len(shown) < 2 or group.order is None:
        return None
    rest = "" if group.steady else " Speeds differ, so heights are not to be compared."
    return _drawing(plots.order_multiples(shown, group.order), f"{group.name}-all", f"Order spectra, {group.how}, all on one scale.{rest}")


def coast_downs(group: Group) -> Drawing | None:
    """Draw how all motors of a hand-spin coast down; None where none has a coast time."""
    from vibekit.coast_plot import coast_downs

    if not group.coasting:
        return None
    comparison = compare_spins(dict(group.coasting))
    dragging = [motor.position for motor in comparison.dragging] if comparison else []
    told = f"Coast-downs of every flick, {group.how}, and the coast time of each recording with its 95 % interval."
    said = f" {conclusion_words(comparison)}" if comparison else ""
    return _drawing(coast_downs(group.coasting, dragging), f"{group.name}-coast", told + said)


def drawings_of(group: Group, member: Member) -> list[Drawing]:
    """Draw one reading: its spectra over its baselines and the other motors, what stands out, its run-up."""
    found = []
    reading, prefix = member.reading, f"{group.name}-{member.number}"
    beside = _beside(len(member.others), len(member.baselines))
    if group.order is not None and reading.curve("order") is not None:
        figure = plots.order_spectrum(reading, group.order, member.baselines, member.others)
        told = f"Order spectrum{beside}. Stems rise from the noise to the line; whiskers are 95 % intervals."
        found.append(_drawing(figure, f"{prefix}-order", told))
    elif (noise := plots.noise_spectrum(reading, member.baselines, member.others)) is not None:
        found.append(_drawing(noise, f"{prefix}-noise", f"Noise spectrum{beside}; without a shaft speed there are no orders."))
    if member.rows:
        told = "What stands out: this motor (dot, 95 % interval) against the middle of the others; grey: their band, rings: each of them"
        told += "; diamond: its baseline." if member.baselines else "."
        found.append(_drawing(plots.standing_strip(member.rows, group.reach), f"{prefix}-standing", told))
    if group.envelope is not None and reading.curve("envelope") is not None:
        figure = plots.envelope_spectrum(reading, group.envelope, member.baselines, member.others)
        found.append(_drawing(figure, f"{prefix}-envelope", f"Envelope spectrum{beside}: what the high band pulses with."))
    if (run := plots.run_up(reading)) is not None:
        found.append(_drawing(run, f"{prefix}-run-up", "Amplitude against shaft speed, tracked, with 95 % band."))
    if (turn := plots.one_turn(reading)) is not None:
        turns = {q.name: q.value for q in reading.quantities}["turns averaged"]
        told = f"One turn of the shaft, the mean of {turns:.0f}, with 95 % band: what does not repeat is averaged out."
        found.append(_drawing(turn, f"{prefix}-turn", told))
    resonances = [q.value for q in reading.quantities if q.name.startswith("resonance ")]
    for seen in reading.maps:
        told = "Orders against shaft speed" if seen.kind == "order map" else "Frequency against shaft speed"
        marked = "; dashed: a resonance, which stays at its Hz." if resonances else "; no resonance stands out."
        found.append(_drawing(plots.speed_map(seen, resonances), f"{prefix}-{seen.kind.replace(' ', '-')}", told + marked))
    return found


_Kind = tuple[str | None, str | None, tuple[tuple[str, str], ...]]


def _kind(reading: Reading) -> _Kind:
    return reading.settings.test, reading.settings.sensor, reading.channels


def _group(name: str, kind: _Kind, motors: Sequence[tuple[str, Sequence[Reading], Sequence[Reading]]]) -> Group:
    members = []
    for number, (position, readings, baselines) in enumerate(motors, 1):
        reading = next((r for r in reversed(readings) if _kind(r) == kind and r.curves), None)
        if reading is None:
            continue
        others = tuple(near for other, theirs, _ in motors if other != position for near in comparable(reading, theirs)[-1:])
        past = comparable(reading, baselines)
        rows = standings(reading, others, load_repeatability(), past)
        members.append(Member(number, position, reading, others, past, rows))
    drawn = [r for member in members for r in (member.reading, *member.baselines)]
    far = [abs(x) for m in members for row in m.rows for x in (abs(row.difference) + row.u95, *row.others, row.before or 0.0)]
    reach = 1.1 * max([10.0, *far])
    told = [(at, tuple(r for r in readings if _kind(r) == kind and r.quantity("coast time"))) for at, readings, _ in motors]
    coasting = tuple((at, readings) for at, readings in told if readings)
    return Group(name, TEST_WORDS[kind[0]], tuple(members), frame_of("order", drawn), frame_of("envelope", drawn), reach, coasting)


def _beside(others: int, baselines: int) -> str:
    said = [f"{others} other motor{'s' * (others > 1)} (grey)"] * bool(others) + ["its baseline (dashed)"] * bool(baselines)
    return f" over {' and '.join(said)}" if said else ", with nothing to compare it with"


def _drawing(figure: "Figure", prefix: str, caption: str) -> Drawing:
    from markupsafe import Markup

    return Drawing(caption, Markup(plots.to_svg(figure, prefix)))
