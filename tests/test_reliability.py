"""How far verdicts can be trusted: the reckoning on made outcomes, and that the documents say what the kept table holds."""

import re
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from vibekit.catalogue import load_catalogue
from vibekit.finding import Conclusion
from vibekit.made_table import rows_of, table_text
from vibekit.reliability import Outcome, calibration_error, reliability, summary, verdict_table
from vibekit.reliability_plot import confusion_picture, reliability_picture

ROOT = Path(__file__).resolve().parent.parent
FAULTS = [c.condition for c in load_catalogue().conditions if c.prior > 0 and c.condition != "healthy"]


def outcome(condition, said, probability, also=()):
    conclusion = Conclusion(said, probability, None, "", "", also=also)
    return Outcome(condition, 0.0 if condition == "healthy" else 4.0, conclusion, ((said, probability),))


def stated(rng, probability, right, count):
    """Outcomes in which `probability` was said of conditions that were there as often as `right`."""
    for _ in range(count):
        said, other = rng.choice(FAULTS, 2, replace=False)
        yield outcome(str(said if rng.random() < right else other), str(said), probability)


def test_honest_probabilities_lie_on_the_line_and_too_sure_ones_beside_it():
    rng = np.random.default_rng(0)
    prior = {c.condition: c.prior for c in load_catalogue().conditions}
    honest = [o for p in (0.1, 0.4, 0.8, 0.99) for o in stated(rng, p, p, 1500)]
    weight = {c: prior[c] / n for c, n in Counter(o.condition for o in honest).items()}
    for b in reliability(honest):
        here = [o for o in honest if abs(o.stated[0][1] - b.stated) < 0.01]
        there = np.average([o.is_right for o in here], weights=[weight[o.condition] for o in here])  # by hand
        assert b.there == pytest.approx(there)
        assert b.low < b.there < b.high
    assert calibration_error(reliability(honest)) < 0.06  # faults that are brought in often weigh more than they do here
    sure = list(stated(rng, 0.95, 0.5, 2000))
    assert calibration_error(reliability(sure)) > 0.3


def test_a_conclusion_that_names_the_condition_beside_another_is_neither_right_nor_wrong():
    beside = outcome("bearing-ball", "bearing-cage", 0.9, ("bearing-ball",))
    assert (beside.is_right, beside.is_wrong) == (False, False)
    assert outcome("rub", "electrical", 0.9).is_wrong
    assert not outcome("rub", "undecided", 0.0).is_wrong
    assert "bearing-ball,4,bearing-cage,1,1" in verdict_table([beside])


def test_the_pictures_stand_by_themselves():
    rng = np.random.default_rng(1)
    outcomes = [*stated(rng, 0.9, 0.8, 300), outcome("healthy", "undecided", 0.0)]
    for picture in (reliability_picture(reliability(outcomes)), confusion_picture(outcomes)):
        assert picture.lstrip().startswith("<?xml")
        assert "<svg" in picture
    assert "1 sound motors: 0 called faulty" in summary(outcomes)


def test_the_readme_says_what_the_table_holds():
    text = table_text("verdicts.csv")
    rows = [row | {"cases": int(row["cases"])} for row in rows_of(text)]
    faults = [row for row in rows if row["condition"] != "healthy"]
    total = sum(row["cases"] for row in faults)
    right = sum(row["cases"] for row in faults if row["condition"] == row["concluded"])
    wrong = sum(row["cases"] for row in faults if row["concluded"] not in (row["condition"], "undecided") and row["beside"] == "0")
    sound = [row for row in rows if row["condition"] == "healthy"]
    called = sum(row["cases"] for row in sound if row["concluded"] not in ("healthy", "undecided"))
    readme = re.sub(r"\s+", " ", (ROOT / "README.md").read_text(encoding="utf-8"))
    assert f"{total} simulated faults" in readme
    assert f"right in {100 * right / total:.0f} of 100" in readme
    assert f"wrong in {100 * wrong / total:.1f}" in readme
    assert f"f {sum(row['cases'] for row in sound)} sound motors it calls {called} faulty" in readme
    for name in ("reliability.svg", "verdicts.svg"):
        assert f"reference_spectra/{name}" in readme
        assert (ROOT / "reference_spectra" / name).stat().st_size < 200_000
