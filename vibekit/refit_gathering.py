"""What refitting does, from what the archive keeps of a rotor."""

from collections.abc import Sequence

from vibekit.kept import KeptReading, PartAction
from vibekit.refit import RESEATED, RefitStudy, fittings_of, study
from vibekit.repeatability import load_repeatability
from vibekit.visits import visits_of


def refit_studies(kept: Sequence[KeptReading], actions: Sequence[PartAction], position: str) -> tuple[RefitStudy, ...]:
    """Each visit in which the propeller of one rotor was measured steadily, oldest first. Work on a part ends a visit, reseating not."""
    steady = [k for k in kept if k.reading.screening.usable and k.settings.test in ("prop", "bare", "hand-spin")]
    found = []
    for visit in visits_of(steady, [a for a in actions if a.did != RESEATED]):
        fittings = tuple(tuple(k.comparable for k in fitting) for fitting in fittings_of(visit.kept, actions))
        if fittings:
            found.append(study(position, fittings, load_repeatability()))
    return tuple(found)
