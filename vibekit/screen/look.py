"""A recording as the detectors see it."""

from dataclasses import dataclass

import numpy as np

from vibekit.recording import Recording
from vibekit.screen.breaks import Breaks
from vibekit.screen.dropout import DeadRuns
from vibekit.screen.flat import flat_shares
from vibekit.screen.frames import Frames
from vibekit.screen.gaps import find_bridges
from vibekit.screen.held import times_held
from vibekit.screen.overview import LEAST, Floats, Overview
from vibekit.screen.repetition import find_repeats
from vibekit.screen.slow import SlowSpectrum
from vibekit.screen.steady import Span, Steady, find_steady
from vibekit.settings import Settings

EDGE_S = 0.1  # at the ends: a recorder's own start and stop


@dataclass(frozen=True, slots=True)
class View:
    """One live vibration channel.

    overview, frames: of all its samples; variance: of its samples in the steady part, knocks taken out
    slow: their spectrum, None when short
    held: how many samples one measured value fills (1 when all were measured); dead: runs of equal samples; breaks: splices and corners
    flat: shares of the kept samples in flat tops and flat bottoms
    repeats: second copies of repeated blocks; looped: whether the whole record repeats itself
    where: words that name the channel, "" when there is no other
    """

    overview: Overview
    frames: Frames
    variance: float
    slow: SlowSpectrum | None
    held: float
    flat: tuple[float, float]
    dead: DeadRuns
    breaks: Breaks
    repeats: tuple[Span, ...]
    looped: bool
    where: str


@dataclass(frozen=True, slots=True)
class Look:
    """A recording with what was seen at first sight: a view of each live vibration channel, and the part that is steady in all."""

    recording: Recording
    settings: Settings
    views: tuple[View, ...]
    steady: Steady

    @classmethod
    def at(cls, recording: Recording, settings: Settings) -> "Look":
        """Look at a recording that has LEAST samples and a live vibration channel."""
        seen = overviews(recording)
        steady = find_steady(seen, settings)
        pieces = without(steady.part, steady.knocks)
        several = len(recording.rows("vibration")) > 1
        views = []
        for o in seen:
            parts = [o.x[a:b] for a, b in pieces]
            kept = parts[0] if len(parts) == 1 else np.concatenate(parts)
            where = f" of channel {recording.channels[o.row].name}" if several else ""
            views.append(_view(o, kept, _as_taken(recording, o, pieces), recording.source.full_scale, where))
        return cls(recording, settings, tuple(views), steady)

    def jumps(self, view: View) -> list[Span]:
        """Jumps inside the steady part that no drop-out or repeated block explains.

        Corners of cut tops look like jumps, and so does what a lossy codec leaves; a recorder's own start and stop are none.
        """
        if self.recording.source.lossy or sum(view.flat) > 0 or view.looped:
            return []
        edge = int(EDGE_S * view.overview.rate_hz)
        first, last = max(self.steady.part[0], edge), min(self.steady.part[1], view.overview.x.size - edge)
        known = view.dead.gaps + view.repeats + self.told
        return [(a, b) for a, b in view.breaks.jumps if a >= first and b <= last and not any(a <= d and c <= b for c, d in known)]

    def dropouts(self, view: View) -> tuple[Span, ...]:
        """Dead runs that the recorder did not tell of."""
        return tuple((a, b) for a, b in view.dead.gaps if not any(a < d and c < b for c, d in self.told))

    @property
    def told(self) -> tuple[Span, ...]:
        """Where the recorder knows that samples were lost."""
        return tuple((place.start, place.stop) for place in self.recording.lost)

    @property
    def holes(self) -> list[Span]:
        """Spans that belong to no machine: knocks, drop-outs, jumps, repeated blocks, gaps of a log; sorted, they may overlap."""
        spans = [*self.steady.knocks, *find_bridges(self.recording), *self.told]
        for view in self.views:
            spans += [*view.dead.gaps, *view.repeats, *self.jumps(view)]
        return sorted(spans)


def _as_taken(recording: Recording, overview: Overview, pieces: list[Span]) -> tuple[Floats, Overview] | None:
    """The rows of a channel that lie in `pieces`, as they were before a log was put on an even grid: a spline rounds flat tops off."""
    taken, stamp = recording.taken, recording.stamp_s
    if taken is None or stamp is None or taken.time_s.size < LEAST:
        return None
    x = taken.samples[overview.row]
    inside = np.any([(taken.time_s >= stamp[a]) & (taken.time_s <= stamp[b - 1]) for a, b in pieces], axis=0)
    return x[inside], Overview.of(x, overview.rate_hz, overview.row)


def _view(overview: Overview, kept: Floats, as_taken: tuple[Floats, Overview] | None, full_scale: float | None, where: str) -> View:
    x, rate = overview.x, overview.rate_hz
    held = times_held(overview)
    repeats, looped = find_repeats(overview)
    tops, of = as_taken or (kept[:: max(round(held), 1)], overview)
    flat = (0.0, 0.0) if looped else flat_shares(tops, of, full_scale)
    slow = SlowSpectrum.of(kept, rate)
    dead = DeadRuns() if held > 1 else DeadRuns.of(overview)
    return View(
        overview=overview,
        frames=Frames.of(x, rate),
        variance=_variance(kept),
        slow=slow,
        held=held,
        flat=flat,
        dead=dead,
        breaks=Breaks.of(overview),
        repeats=() if looped else tuple(repeats),
        looped=looped,
        where=where,
    )


def _variance(x: Floats) -> float:
    """As numpy.var, in half its time."""
    centred = x - x.mean()
    return float(centred @ centred) / x.size


def overviews(recording: Recording) -> tuple[Overview, ...]:
    """Look at each vibration channel that moves; none in a recording below LEAST samples."""
    if recording.samples.shape[1] < LEAST:
        return ()
    seen = [Overview.of(recording.samples[row], recording.rate_hz, row) for row in recording.rows("vibration")]
    return tuple(o for o in seen if o.high > o.low)


def without(part: Span, holes: tuple[Span, ...]) -> list[Span]:
    """Pieces of `part` between `holes`; the whole part when nothing would be left."""
    pieces = []
    start, end = part
    for a, b in sorted(holes):
        if a > start:
            pieces.append((start, min(a, end)))
        start = max(start, b)
    if start < end:
        pieces.append((start, end))
    return pieces or [part]
