"""The before-and-after document: what it says, and how it looks on paper."""

import math
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from tests.balance_runs import Bench, job, play
from tests.test_report import Page
from tests.wren4 import WELL, reading
from vibekit.errors import UsageError
from vibekit.kept import KeptReading, PartAction
from vibekit.pdf import on_paper, write_pdf
from vibekit.picture import Picture
from vibekit.proof import CLAIMS, LineChange, MotorProof, Pair, Proof, balancing_of, moved_words, summary_words
from vibekit.proof_page import render_proof
from vibekit.reading import OrderLine
from vibekit.repeatability import Repeatability, Spread, load_repeatability
from vibekit.report import Note
from vibekit.turning import BLADES, HANDS
from vibekit.visits import visit_at, visits_of

NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)
PIXEL = "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mP8z8BQDwAEhQGAhKmMIQAAAABJRU5ErkJggg=="


def pair():
    uneven = tuple(reading("north-east", WELL | {1.0: 0.051}, seed=n) for n in (2, 2, 2))
    even = tuple(reading("north-east", WELL | {1.0: 0.006}, seed=n) for n in (2, 2, 2))
    return Pair(uneven, even, ("pick-up on the arm", "pick-up on the arm"))


def motor(position="north-east", method="phase", **changes):
    balanced = balancing_of(play(job(method, ("blades@45", "hub@6"), 2), Bench.drawn(2))[0][-1])
    done = (Note("2026-03-01", "propeller balanced: 0.012 g at blade 1, 45 mm"),)
    made = MotorProof(position, (pair(),), done, (Note("propeller", "blades 2, diameter 149 mm"),), (balanced,), (Picture("nick", PIXEL),))
    return replace(made, **changes)


def proof(*motors):
    about = (Note("craft", "Wren-4"), Note("owner", "J. Amsler"), Note("measured with", "pick-up on the arm"))
    shown = (Picture("the propeller, marked to its shaft", PIXEL),)
    return Proof("Wren-4", NOON, "0.1.0", "2026-03-01", "2026-03-02", motors or (motor(), motor("south-east", "amplitude")), about,
                 ("Balanced for a camera job.",), shown, (*HANDS, *BLADES), ("south-west: no readings on the day after",))  # fmt: skip


@pytest.fixture(scope="module")
def page():
    return render_proof(proof())


def test_the_page_says_it_all(page):
    seen = Page(page)
    assert len(seen.ids) == len(set(seen.ids))
    assert set(seen.references) <= {f"#{name}" for name in seen.ids}
    for said in ("J. Amsler", "1x fell", "Balanced for a camera job", "marked to its shaft", "What this document does not claim", *CLAIMS,
                 "is left; G 6.3 allows", "change as vectors", "change of its size", "no readings on the day after", "vibekit 0.1.0",
                 "02" * 32, "permission to fly", HANDS[0]):  # fmt: skip
        assert said in seen.text, said
    assert page.count("<svg") >= 4  # two overlays, vectors of one motor, amplitudes of the other


def test_two_visits_of_one_day_are_told_apart(page):
    assert "Vibration and sound on 2026-03-01 and on 2026-03-02." in Page(page).text
    same = Page(render_proof(replace(proof(motor()), after="2026-03-01"))).text
    assert "Vibration and sound on 2026-03-01, first and last visit of that day." in same


def test_no_number_without_an_interval(page):
    """Every amplitude, change and rest in a table's cell has its interval beside it, or says why there is none."""
    seen = Page(page)
    numbers = [cell for cell in seen.cells if any(unit in cell for unit in (" g", " dB", "°", "rpm")) and cell[:1].isdigit()]
    stated = ("g at", "g off", "rotor of", "mm")  # masses mounted and what was stated are no measurements
    assert numbers
    assert [cell for cell in numbers if "±" not in cell and " to " not in cell and not any(word in cell for word in stated)] == []


def test_the_same_contents_give_the_same_page(page):
    assert render_proof(proof()) == page


def test_change_of_a_line_in_closed_form():
    """Exact maths: 20 lg(0.5) = -6.0206 dB; relative intervals of 3 % and 4 % together 5 %, 0.434 dB."""
    before, after = (OrderLine(1.0, "1x", size, u95, "g", 1e-4) for size, u95 in ((0.1, 0.003), (0.05, 0.002)))
    decibel, u95 = LineChange(before, after).decibel
    assert decibel == pytest.approx(-6.0206, abs=1e-4)
    assert u95 == pytest.approx(8.6859 * 0.05, rel=1e-4)
    assert LineChange(before, after).words == "fell"
    assert LineChange(after, before).words == "rose"
    assert LineChange(before, replace(before, amplitude=0.1005)).words == "no change shown"
    assert LineChange(*[replace(before, amplitude=1e-4, u95=5e-5)] * 2).words == "in noise both times"
    gone = LineChange(before, replace(after, amplitude=0.001, u95=0.004))  # at most 0.005 beside 0.1 +- 3 %: 20 lg(0.05) + 0.26
    assert gone.decibel == (pytest.approx(-26.0206 + 8.6859 * 0.03, abs=1e-4), math.inf)
    assert (gone.words, LineChange(gone.after, before).words) == ("fell", "rose")
    assert math.isnan(LineChange(gone.after, before).decibel[0])


def sized(like, sizes):
    """Readings whose 1x has these amplitudes."""
    return tuple(replace(like, orders=tuple(replace(o, amplitude=a) if o.name == "1x" else o for o in like.orders)) for a in sizes)


def test_a_mean_is_no_surer_than_running_again_lets_it_be():
    """Two readings that agree by chance are not surer than three that scatter."""
    like = reading("north-east", WELL, seed=4)
    known = load_repeatability().of("1x", "prop", "accelerometer")
    change = Pair(sized(like, (0.01, 0.01)), sized(like, (0.008, 0.01, 0.012)), ("", "")).change("1x")
    freedom = known.worth + 3
    variance = (known.worth * known.deviation**2 + 2 * 0.2**2) / freedom  # Smyth (2004), eq. 4
    reach = float(stats.t.ppf(0.975, freedom)) * math.sqrt(variance) * 0.01
    assert change.u95 == pytest.approx((reach / math.sqrt(2), reach / math.sqrt(3)))
    loud = sized(replace(like, orders=tuple(replace(o, u95=0.02) for o in like.orders)), (0.01, 0.01))
    assert Pair(loud, loud, ("", "")).change("1x").u95[0] == pytest.approx(0.02 / math.sqrt(2))  # noise alone is wider


@pytest.mark.parametrize(("before", "after"), [(1, 1), (2, 3), (3, 3)])
def test_intervals_of_changes_hold_the_truth(monkeypatch, before, after):
    """Nothing changed; scatter is drawn anew for each motor, as the moderated t takes it to be (Smyth 2004, eq. 3), and small."""
    like = replace(reading("north-east", {1.0: 0.01}, seed=4), orders=(OrderLine(1.0, "1x", 0.01, 0.0, "g", 1e-6),))
    known = Spread(0.03, 4.0, 0.5)
    monkeypatch.setattr("vibekit.proof.load_repeatability", lambda: Repeatability({("1x", "prop", "accelerometer"): known}))
    rng, held, cases = np.random.default_rng(before + 10 * after), 0, 1000
    for _ in range(cases):
        deviation = known.deviation * math.sqrt(known.worth / rng.chisquare(known.worth))
        sides = [sized(like, 0.01 * np.exp(deviation * rng.standard_normal(n))) for n in (before, after)]
        decibel, u95 = Pair(*sides, ("", "")).change("1x").decibel
        held += abs(decibel) <= u95
    low, high = stats.binom.ppf((0.0005, 0.9995), cases, 0.95)
    assert low <= held <= high


def test_one_recording_on_a_side_proves_no_more_than_running_again_does_by_itself():
    before, after = pair().before[:1], pair().after[:1]
    once = Pair(before, after, ("", ""))
    half = replace(after[0], orders=tuple(replace(o, amplitude=before[0].orders[i].amplitude / 1.5) for i, o in enumerate(after[0].orders)))
    assert once.few
    assert not pair().few
    assert once.change("1x").words == "fell"  # to a ninth
    assert replace(once, after=(half,)).change("1x").words == "no change shown"  # as `vibekit compare` would say
    known = load_repeatability().of("1x", "prop", "accelerometer")
    wide = float(stats.t.ppf(0.975, known.worth)) * known.deviation
    assert replace(once, after=(half,)).change("1x").repeat == pytest.approx((wide, wide))
    assert max(pair().change("1x").repeat) < wide / math.sqrt(3)
    assert "three on either side tell more" in render_proof(proof(motor(pairs=(once,))))
    assert "three on either side tell more" not in render_proof(proof(motor()))


def test_1x_is_told_once_and_what_has_no_bounds_shows_none():
    """The sentence on 1x names the line; what else changed is told after it."""
    told = motor()
    assert re.match(r"1x fell by \d+\.\d+ ± \d+\.\d+ dB: ", summary_words(told))  # the direction is said once
    assert "\N{MINUS SIGN}" not in summary_words(told)
    assert moved_words(told) == "Nothing else changed beyond what running again does by itself."
    same = pair().before
    assert summary_words(motor(pairs=(Pair(same, same, ("", "")),))).startswith("1x shows no change: ")
    gone = replace(same[0], orders=tuple(replace(o, amplitude=0.0, u95=1e-5) if o.name == "3x" else o for o in same[0].orders))
    came, went = Pair((gone,) * 3, same, ("", "")), Pair(same, (gone,) * 3, ("", ""))
    assert [(p.change("3x").words, p.change("3x").bounded) for p in (came, went)] == [("rose", False), ("fell", True)]
    assert went.change("3x").by.startswith("by at least ")
    assert came.change("3x").by == ""
    assert "not measured dB" not in render_proof(proof(motor(pairs=(came, went))))


def test_what_cannot_be_compared_is_said():
    other = replace(pair(), setups=("a", "b"))
    assert "set-ups as noted differ" in summary_words(motor(pairs=(other,)))
    slow = tuple(replace(r, speed=replace(r.speed, rpm=7000.0)) for r in pair().before)
    assert "speeds differ" in summary_words(motor(pairs=(replace(pair(), before=slow),)))


def kept(at, name):
    return KeptReading(name, "Wren-4", "north-east", f"{name}.wav", name * 16, None, "", {}, at, at, reading("north-east", WELL), None)


def test_visits_are_parted_by_work_and_by_twelve_hours():
    minutes = [kept(NOON + timedelta(minutes=m), f"{m:04}") for m in (0, 1, 30, 31, 24 * 60)]
    balanced = PartAction("Wren-4", "north-east", "propeller", "balanced", "", "", NOON + timedelta(minutes=20))
    visits = visits_of(minutes, [balanced])
    assert [len(v.kept) for v in visits] == [2, 2, 1]
    day = f"{NOON.astimezone():%Y-%m-%d}"
    assert visit_at(visits, day, first=True) is visits[0]
    assert visit_at(visits, day, first=False) is visits[1]
    assert visit_at(visits, f"{(NOON + timedelta(minutes=29)).astimezone():%Y-%m-%dT%H:%M}", first=True) is visits[1]
    assert visit_at(visits, "2025-01-01", first=True) is None
    with pytest.raises(UsageError, match="write it such as 2026-03-01"):
        visit_at(visits, "yesterday", first=True)


def test_nothing_to_compare_is_refused():
    with pytest.raises(UsageError, match="no motor of Wren-4 has readings both on 2026-03-01 and on 2026-03-02"):
        Proof("Wren-4", NOON, "0.1.0", "2026-03-01", "2026-03-02", ())
    with pytest.raises(UsageError, match=r"on 2026-03-01 \(north-east: one visit only\); `vibekit archive show`"):
        Proof("Wren-4", NOON, "0.1.0", "2026-03-01", "2026-03-01", (), missing=("north-east: one visit only",))
    with pytest.raises(UsageError, match="the other way round"):
        Proof("Wren-4", NOON, "0.1.0", "2026-03-02", "2026-03-01", ())


@pytest.mark.parametrize(("paper", "width_mm"), [("A4", 210), ("letter", 215.9)])
def test_sheets(paper, width_mm):
    """ISO 216 and ANSI/ASME Y14.1 (from memory): 210 mm and 8.5 inch wide. One sheet of summary, nothing beyond a sheet's margins."""
    weasyprint = pytest.importorskip("weasyprint")
    sheets = weasyprint.HTML(string=on_paper(render_proof(proof(motor())), paper)).render().pages
    assert all(sheet.width == pytest.approx(width_mm / 25.4 * 96, rel=1e-3) for sheet in sheets)
    assert ["motor-1" in sheet.anchors for sheet in sheets[:2]] == [False, True]  # one sheet of summary
    for sheet in sheets:
        margin = 14 / 25.4 * 96
        for box in sheet._page_box.descendants():
            if hasattr(box, "text") and box.text.strip():
                assert margin - 1 <= box.position_x
                assert box.position_x + box.width <= sheet.width - margin + 1, box.text


def test_a_pdf_is_written(tmp_path, page):
    pytest.importorskip("weasyprint")
    path = tmp_path / "proof.pdf"
    write_pdf("<style>@page { margin: 1cm } p { color: var(--ink) }</style><p>x</p>", path)
    assert path.read_bytes().startswith(b"%PDF-")
    paper = on_paper(page)
    assert "var(--ink)" not in paper
    assert "prefers-color-scheme: dark" not in paper


def test_what_a_pdf_needs_is_said_in_one_line(monkeypatch, tmp_path):
    import builtins

    real = builtins.__import__

    def refuse(error):
        def fake(name, *rest, **named):
            if name == "weasyprint":
                raise error
            return real(name, *rest, **named)

        return fake

    for error, said in ((ModuleNotFoundError("weasyprint"), "pip install 'vibekit"), (OSError("cannot load library"), "libpango-1.0-0")):
        monkeypatch.setattr(builtins, "__import__", refuse(error))
        with pytest.raises(UsageError, match=said) as caught:
            write_pdf("<p>x</p>", tmp_path / "x.pdf")
        assert "\n" not in str(caught.value)
