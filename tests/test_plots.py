import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from tests.wren4 import BEARING, WELL, order_curve, reading, readings
from vibekit import plots
from vibekit.change import CHANGES, change
from vibekit.errors import UsageError
from vibekit.frame import COLUMNS, Frame, frame_of, key_lines, span, tallest
from vibekit.outline import outline_of
from vibekit.reading import Curve, OrderLine
from vibekit.repeatability import load_repeatability
from vibekit.standing import OUTLIER, standings
from vibekit.wording import SHORT

SVG = "{http://www.w3.org/2000/svg}"


def drawn(figure):
    return ET.fromstring(plots.to_svg(figure, "p"))


def group(svg, id):
    return next(g for g in svg.iter(f"{SVG}g") if g.get("id") == id)


def path_of(svg, id):
    """Points of a drawn line, in the units of the picture."""
    d = group(svg, id).find(f"{SVG}path").get("d")
    return np.array([[float(n) for n in pair] for pair in re.findall(r"[ML] (\S+) (\S+)", d)])


def axis(svg, letter):
    """Positions of the ticks of an axis and the words beside them."""
    ticks = [g for g in svg.iter(f"{SVG}g") if re.fullmatch(rf"p-{letter}tick_\d+", g.get("id") or "")]
    place = [float(next(tick.iter(f"{SVG}use")).get(letter)) for tick in ticks]
    return np.array(place), [next(tick.iter(f"{SVG}text")).text for tick in ticks]


def exponent(words):
    """Decimal logarithm of what a tick says: "10⁻²" or "0.05"."""
    power = words.removeprefix("10").translate(str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789"))
    return math.log10(float(words)) if words.isascii() else float(power)


def words_of(svg):
    return [text.text for text in svg.iter(f"{SVG}text")]


@pytest.mark.parametrize(("order", "amplitude"), [(7.3, 0.02), (1.0, 0.5), (11.94, 0.003)])
def test_a_known_tone_appears_at_its_order_and_amplitude_through_the_drawn_axes(order, amplitude):
    one = replace(readings()["north-west"], orders=(), curves=(order_curve({order: amplitude}, last=12.02),))
    svg = drawn(plots.order_spectrum(one, frame_of("order", [one])))
    x, words = axis(svg, "x")
    across = np.polyfit(x, [float(word) for word in words], 1)
    y, words = axis(svg, "y")
    up = np.polyfit(y, [exponent(word) for word in words], 1)
    line = path_of(svg, "p-this")
    top = line[line[:, 1].argmin()]
    assert np.polyval(across, top[0]) == pytest.approx(order, abs=0.01)  # half a line of the spectrum
    assert 10 ** np.polyval(up, top[1]) == pytest.approx(amplitude, rel=0.01)  # hundredths of a point in some hundred points


def test_a_defect_order_is_marked_where_the_geometry_puts_it():
    one = readings()["north-east"]
    svg = drawn(plots.envelope_spectrum(one, frame_of("envelope", [one])))
    x, words = axis(svg, "x")
    across = np.polyfit(x, [float(word) for word in words], 1)
    label = next(text for text in svg.iter(f"{SVG}text") if text.text == "outer race")
    # BPFO = n/2 (1 - d/D cos a): Randall & Antoni, Mech. Syst. Signal Process. 25 (2011) 485-520, section 2
    assert np.polyval(across, float(label.get("x"))) == pytest.approx(7 / 2 * (1 - 1.2 / 5.0), abs=0.02)
    assert BEARING.outer == pytest.approx(2.66)


def test_every_axis_names_quantity_and_unit_and_key_lines_are_named():
    r = readings()
    others = [r["south-west"], r["north-west"]]
    svg = drawn(plots.order_spectrum(r["south-east"], frame_of("order", list(r.values())), [r["north-west"]], others))
    words = words_of(svg)
    for wanted in (
        "order (multiples of shaft speed)",
        "peak amplitude, g",
        "1x",
        "blade pass",
        "this motor",
        "others",
        "baseline",
        "noise",
    ):
        assert wanted in words
    assert path_of(svg, "p-baseline").shape[0] > 100


def test_a_curve_in_another_unit_is_not_drawn_beside():
    r = readings()
    loud = r["north-west"]
    other = replace(loud, curves=(replace(loud.curves[0], y_unit="m/s2"),))
    svg = drawn(plots.order_spectrum(r["south-east"], frame_of("order", [r["south-east"]]), [], [other]))
    assert "others" not in words_of(svg)


def test_curves_in_two_units_share_no_frame():
    one = readings()["north-west"]
    other = replace(one, curves=(replace(one.curves[0], y_unit="m/s2"),))
    with pytest.raises(UsageError, match="in g, m/s2"):
        frame_of("order", [one, other])


def test_a_frame_holds_what_it_was_made_for():
    r = list(readings().values())
    frame = frame_of("order", r)
    assert frame.low < min(line.floor for one in r for line in one.orders)
    assert frame.high > max(line.amplitude for one in r for line in one.orders)
    assert frame.order_max == 16  # 14 is the last line, twelve per cent of room, whole orders
    assert frame_of("envelope", r).is_level
    assert frame_of("run-up", r) is None
    assert frame_of("order", [replace(r[0], curves=())]) is None


def test_a_silent_spectrum_can_be_drawn():
    one = readings()["north-west"]
    still = replace(one, orders=(), curves=(replace(one.curves[0], y=np.zeros(one.curves[0].x.size)),))
    assert "peak amplitude, g" in words_of(drawn(plots.order_spectrum(still, frame_of("order", [still]))))


def test_thinning_out_keeps_each_peak_at_its_place():
    curve = order_curve({3.14: 1.0, 9.98: 2.0}, seed=7)
    frame = Frame(12.0, 1e-6, 4.0, "g")
    x, y = tallest(curve, frame)
    assert x.size <= COLUMNS
    assert set(x) <= set(curve.x)
    assert {3.14, 9.98} <= {round(float(at), 2) for at in x[y >= 1.0]}
    centre, low, high = span([curve, replace(curve, y=0.5 * curve.y)], frame)
    assert high.max() == 2.0
    assert low[high.argmax()] == 1.0
    assert centre[high.argmax()] == pytest.approx(9.98, abs=12 / COLUMNS)


def test_key_lines_stand_out_by_more_than_their_interval():
    one = readings()["north-west"]
    lines = tuple(OrderLine(order, f"{order}x", amplitude, 0.1, "g", 0.2) for order, amplitude in ((1.0, 0.31), (2.0, 0.29), (99.0, 1.0)))
    again = (*lines, OrderLine(1.0, "1x y", 0.35, 0.1, "g", 0.2))
    assert [line.name for line in key_lines(replace(one, orders=again), Frame(12, 1e-3, 1, "g"))] == ["1.0x"]


def test_ids_take_the_prefix_and_colours_are_variables():
    r = readings()
    text = plots.to_svg(plots.order_multiples(list(r.items()), frame_of("order", list(r.values()))), "all")
    ids = re.findall(r'\bid="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    assert all(id.startswith("all-") for id in ids)
    assert set(re.findall(r'(?:url\(#|href="#)([^")]+)', text)) <= set(ids)
    assert not re.search(r"#[0-9a-f]{6}", text)
    assert "var(--this)" in text
    assert set(words_of(ET.fromstring(text))) >= set(r)


def test_the_same_figure_gives_the_same_text():
    r = readings()
    frame = frame_of("order", list(r.values()))
    one, two = (plots.to_svg(plots.order_spectrum(r["north-east"], frame, [], [r["south-east"]]), "p") for _ in range(2))
    assert one == two


def test_the_highest_point_of_a_run_up_is_named():
    rpm = np.linspace(2000, 9000, 701)
    curves = tuple(
        Curve(name, rpm, np.exp(-(((rpm - peak) / 500) ** 2)), "rpm", "g", 10.0) for name, peak in (("1x", 6110.0), ("2x", 3050.0))
    )
    one = readings()["north-west"]
    assert plots.run_up(one) is None
    words = words_of(drawn(plots.run_up(replace(one, curves=curves))))
    assert {"1x: largest at 6110 rpm", "2x: largest at 3050 rpm", "shaft speed, rpm"} <= set(words)


def test_standings_are_the_changes_that_evidence_quotes():
    r = readings()
    mine, others = r["south-west"], [r[p] for p in ("north-east", "south-east", "north-west")]
    rows = {row.name: row for row in standings(mine, others, load_repeatability())}
    assert set(rows) <= set(CHANGES)
    for name, row in rows.items():
        quoted = change(name, (mine,), others, load_repeatability(), peers=True)
        assert (row.difference, row.u95) == (quoted.delta, quoted.u95)
    assert rows["1x"].before is None
    assert len(rows["1x"].others) == 3
    assert np.median(rows["1x"].others) == pytest.approx(0, abs=1e-9)  # zero is the middle of the others


def test_the_band_of_the_others_is_that_of_the_modified_z_score():
    # Iglewicz & Hoaglin (1993), ASQC vol. 16: an outlier has 0.6745 |x - median| / MAD above 3.5; 0.6745 is the normal's upper quartile
    assert pytest.approx(3.5 / norm.ppf(0.75), rel=1e-4) == OUTLIER
    r = readings()
    row = next(row for row in standings(r["south-west"], [r[p] for p in ("north-east", "south-east", "north-west")], load_repeatability()))
    middle = np.median(row.others)
    assert row.half_band == pytest.approx(OUTLIER * np.median(np.abs(np.array(row.others) - middle)))
    assert standings(r["south-west"], [r["north-west"]], load_repeatability())[0].half_band == 0


def test_standings_know_the_past():
    r = readings()
    before = reading("south-west", WELL, seed=9)
    row = next(
        row for row in standings(r["south-west"], [r["north-west"], r["north-east"]], load_repeatability(), [before]) if row.name == "1x"
    )
    past = change("1x", (r["south-west"],), (before,), load_repeatability())
    assert row.before == pytest.approx(row.difference - past.delta)
    assert standings(r["south-west"], [], load_repeatability(), [before]) == ()


def test_the_strip_of_standings_shows_each_row():
    r = readings()
    rows = standings(r["south-west"], [r[p] for p in ("north-east", "south-east", "north-west")], load_repeatability(), [r["south-west"]])
    words = words_of(drawn(plots.standing_strip(rows, 40.0)))
    assert {SHORT.get(row.name, row.name) for row in rows} <= set(words)
    assert "level against the middle of the other motors, dB" in words


@pytest.mark.parametrize(
    ("positions", "spots"),
    [
        (("north-east", "south-west"), ((1, -1), (-1, 1))),
        (("front", "right", "back", "left"), ((0, -1), (1, 0), (0, 1), (-1, 0))),
        (("rear left", "Front Right"), ((-1, 1), (1, -1))),
    ],
)
def test_the_outline_follows_names_that_tell_a_direction(positions, spots):
    found = outline_of(positions)
    for spot, (x, y) in zip(found, spots, strict=True):
        length = math.hypot(x, y)
        assert (spot.x, spot.y) == pytest.approx((x / length, y / length), abs=1e-12)


@pytest.mark.parametrize(
    "positions", [("north-east", "arm two"), ("1", "2"), ("north", "upper north"), ("left", "port"), ("north",), ("north-south", "east")]
)
def test_no_outline_rather_than_a_wrong_one(positions):
    assert outline_of(positions) == ()
