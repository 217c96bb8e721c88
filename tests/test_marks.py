import itertools
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from vibekit import marks
from vibekit.finding import Conclusion

# Simulation of colour-blind sight on linear RGB at full severity: Machado, Oliveira & Fernandes, IEEE Trans. Visualization and Computer
# Graphics 15 (2009) 1291-1298, table of matrices for severity 1.0, from memory
SIGHT = {
    "usual": np.eye(3),
    "protan": np.array([[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]),
    "deutan": np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]),
    "tritan": np.array([[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]),
}
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])  # IEC 61966-2-1:1999
WHITE = TO_XYZ.sum(axis=1)
THEMES = ("light", "dark")
STATE_PAIRS = list(itertools.combinations([state.code for state in marks.STATES], 2))


def linear(colour):
    """Linear RGB of "#rrggbb": W3C WCAG 2.1, definition of relative luminance (with the threshold of IEC 61966-2-1)."""
    c = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def luminance(colour):
    return float(linear(colour) @ [0.2126, 0.7152, 0.0722])


def contrast(one, other):
    """W3C WCAG 2.1, definition of contrast ratio."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def lab(rgb):
    """CIE 1976 L*a*b* (ISO/CIE 11664-4), white of sRGB."""
    t = TO_XYZ @ np.clip(rgb, 0, 1) / WHITE
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_the_ruler_reads_known_contrasts():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)  # WCAG 2.1: ratios range from 1 to 21
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)  # the lightest grey that passes 4.5:1 on white, from memory
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # the next one fails, from memory


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("name", [*(state.code for state in marks.STATES), "this", "baseline", "ink", "muted"])
def test_marks_and_lines_stand_out_from_the_paper(theme, name):
    colours = marks.colours(theme)
    assert contrast(colours[name], colours["paper"]) >= 3  # WCAG 2.1, 1.4.11 non-text contrast


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("name", ["ink", "muted", "this", "baseline"])
def test_text_can_be_read(theme, name):
    colours = marks.colours(theme)
    assert contrast(colours[name], colours["paper"]) >= 4.5  # WCAG 2.1, 1.4.3 contrast (minimum)


@pytest.mark.parametrize("theme", THEMES)
def test_lines_are_seen_over_the_band_of_the_others(theme):
    colours = marks.colours(theme)
    assert contrast(colours["this"], colours["others"]) >= 3
    assert contrast(colours["ink"], colours["others"]) >= 4.5


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize(("one", "other"), STATE_PAIRS)
def test_states_differ_in_grey(theme, one, other):
    colours = marks.colours(theme)
    assert abs(lab(linear(colours[one]))[0] - lab(linear(colours[other]))[0]) >= 7  # three times the just noticeable 2.3 (Mahy 1994)


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize(("one", "other"), STATE_PAIRS)
def test_states_differ_for_every_sight(theme, sight, one, other):
    colours = marks.colours(theme)
    seen = [lab(SIGHT[sight] @ linear(colours[name])) for name in (one, other)]
    assert np.linalg.norm(seen[0] - seen[1]) >= 20  # CIE 1976 difference, nine times the just noticeable 2.3 (Mahy 1994)


def test_states_differ_without_colour():
    for told in ("words", "glyph", "letters", "rank"):
        assert len({getattr(state, told) for state in marks.STATES}) == len(marks.STATES)
    assert len({(state.fill, state.dashed) for state in marks.STATES}) == len(marks.STATES)
    assert len({marks.shape_of(state) for state in marks.STATES}) == len(marks.STATES)


def test_each_colour_on_light_paper_stands_for_one_name():
    light = marks.colours("light")
    assert len(set(light.values())) == len(light)


@pytest.mark.parametrize("state", marks.STATES)
def test_shapes_are_svg_in_the_current_colour(state):
    root = ET.fromstring(f'<svg xmlns="http://www.w3.org/2000/svg">{marks.shape_of(state)}</svg>')
    inks = {element.get(a) for element in root.iter() for a in ("fill", "stroke")} - {None, "none"}
    assert inks == {"currentColor"}


def test_marks_are_written_in_what_the_terminal_can_write():
    for state in marks.STATES:
        assert marks.mark_for(state) == state.glyph
        assert marks.mark_for(state, "ascii") == state.letters
        assert marks.mark_for(state, "no such encoding") == state.letters
        state.letters.encode("ascii")


def conclusion(condition, action="none", probability=0.9):
    return Conclusion(condition, probability, "north-east", "propeller", action)


def test_states_follow_from_conclusions():
    assert marks.state_of(None) == marks.CANNOT_TELL
    assert marks.state_of(conclusion("undecided", "measure again", 0.6)) == marks.CANNOT_TELL
    assert marks.state_of(conclusion("undecided", "measure again")) == marks.WATCH  # something is wrong, but what
    assert marks.state_of(conclusion("healthy")) == marks.NO_FAULT_FOUND
    assert marks.state_of(conclusion("resonance", "measure again")) == marks.WATCH
    assert marks.state_of(conclusion("blade-damage", "replace propeller")) == marks.ACT
    assert marks.state_of(conclusion("something new", "tighten")) == marks.ACT


def test_the_most_pressing_state_is_that_of_the_craft():
    assert marks.most_pressing([marks.NO_FAULT_FOUND, marks.WATCH, marks.CANNOT_TELL]) == marks.WATCH
    assert marks.most_pressing([marks.NO_FAULT_FOUND, marks.ACT]) == marks.ACT
    assert marks.most_pressing([]) == marks.CANNOT_TELL
