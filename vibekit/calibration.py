"""Make the tables that verdicts rest on, from craft drawn on the rig: `python -m vibekit.calibration [CRAFT]`.

likelihoods.csv: how often each condition, at each severity, gives each step of each clue. trust.csv: how far each clue counts beside
the others. repeatability.csv: what repeating a measurement and taking another good motor do to each quantity. Each craft is measured
healthy (the baseline), then with every condition at several severities, bare, with its propeller, run up and in flight, through the
same chain as a user's recording.
"""

from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from vibekit.catalogue import load_catalogue
from vibekit.likelihood_table import SeenCase, likelihood_table
from vibekit.made_table import FOLDER, craft_wanted, made_by
from vibekit.observation import observe
from vibekit.reading import Reading
from vibekit.repeat_table import make_repeatability
from vibekit.repeatability import Repeatability, load_repeatability
from vibekit.rig.population import WIDE
from vibekit.rig_case import EVERY, RigCase, craft_cases, every_fault
from vibekit.trust import fit_trust

HEALTHY = 3
THIN = (2, 1)  # recordings of the baseline, and later
REPEATED = 30  # craft for the repeatability
FIRST_SEED = 1_000_000  # tests draw their craft from other seeds
MADE = made_by("vibekit.calibration")


def seen_cases(case: RigCase, repeatability: Repeatability) -> list[SeenCase]:
    """What is observed of a case on the rig: with every take, and with THIN takes of each test, since users take more or fewer."""
    condition, severity = (case.fault.condition, f"{case.fault.severity:g}") if case.fault else ("healthy", "0")
    before, later = THIN
    designs = ((case.now, case.baseline), (_first(case.now, later), _first(case.baseline, before)))
    return [SeenCase(condition, severity, observe(now, baseline, repeatability)) for now, baseline in designs]


def _first(readings: Sequence[Reading], count: int) -> list[Reading]:
    """The first so many readings under each test."""
    tests = dict.fromkeys(r.settings.test for r in readings)
    return [r for test in tests for r in [r for r in readings if r.settings.test == test][:count]]


def _seen(job: tuple[int, Repeatability]) -> list[SeenCase]:
    """Every case of one craft; half of the craft are known to the user in blades, magnets and bearing."""
    seed, repeatability = job
    cases = craft_cases(seed, every_fault(), HEALTHY, EVERY, known=seed % 2 == 0, population=WIDE)
    return [seen for case in cases for seen in seen_cases(case, repeatability)]


def write_tables(folder: Path, craft: list[list[SeenCase]]) -> None:
    """Write likelihoods.csv and trust.csv from the cases of each craft."""
    prior = {c.condition: c.prior for c in load_catalogue().conditions if c.prior > 0}
    (folder / "likelihoods.csv").write_text(MADE + likelihood_table(case for cases in craft for case in cases), encoding="utf-8")
    rows = "".join(f"{clue},{power:.2f}\n" for clue, power in fit_trust(craft, prior).items())
    (folder / "trust.csv").write_text(f"{MADE}clue,power\n{rows}", encoding="utf-8")


def main() -> None:
    """Write the tables into `reference_spectra/` of this checkout."""
    craft = craft_wanted(120)
    with ProcessPoolExecutor() as pool:
        (FOLDER / "repeatability.csv").write_text(
            MADE + make_repeatability(range(FIRST_SEED - REPEATED, FIRST_SEED), pool), encoding="utf-8"
        )
        load_repeatability.cache_clear()
        jobs = [(seed, load_repeatability()) for seed in range(FIRST_SEED, FIRST_SEED + craft)]
        write_tables(FOLDER, list(pool.map(_seen, jobs)))


if __name__ == "__main__":
    main()
