"""The catalogue of conditions is whole, says only what is allowed, and agrees with physics and with the rig."""

import cmath
import math
import re
import tomllib
from fnmatch import fnmatch
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from vibekit.catalogue import NO_SOURCE, load_catalogue, read_catalogue, reference_spectrum
from vibekit.clues import CLUE, CLUES
from vibekit.errors import UnreadableError, UsageError
from vibekit.likelihood import load_likelihoods
from vibekit.observation import UNCHANGED, WORDS
from vibekit.questions import QUESTIONS
from vibekit.settings import TESTS
from vibekit.wording import condition_words

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / "reference_spectra"
CONDITIONS = {
    "healthy", "prop-imbalance", "blade-damage", "rotor-imbalance", "bent-shaft", "loose-mount", "loose-propeller", "rub", "bearing-grit",
    "bearing-outer", "bearing-inner", "bearing-ball", "bearing-cage", "electrical", "resonance", "undecided",
}  # fmt: skip
FAULTS = sorted(CONDITIONS - {"healthy", "undecided"})
GUARDED = ("raft clamped", "guard and eye protection", "nobody in the plane of the propeller", "from afar")
MOVES = {"rises", "falls", "changes", "present"}
catalogue = load_catalogue()


def everywhere(condition):
    return [(s.clue, test, s.expect) for s in condition.evidence for test in s.tests]


def test_every_condition_is_there_once():
    assert sorted(c.condition for c in catalogue.conditions) == sorted(CONDITIONS)


def test_every_clue_serves_and_every_measured_one_is_known():
    assert {clue for name in FAULTS for clue, _, expect in everywhere(catalogue[name]) if expect in MOVES} == set(CLUES)
    assert set(WORDS) <= set(CLUES)


def test_words_are_the_same_wherever_a_condition_is_named():
    assert {c.condition: c.words for c in catalogue.conditions} == {c.condition: condition_words(c.condition) for c in catalogue.conditions}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_has_evidence_for_and_against(name):
    expected = {expect for _, _, expect in everywhere(catalogue[name])}
    assert expected & MOVES
    assert expected & {"unchanged", "absent"}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_leaves_no_trace_where_it_says_so(name):
    condition = catalogue[name]
    assert not [seen for seen in everywhere(condition) if seen[1] in condition.not_seen_in and seen[2] in MOVES]
    loud = {test for _, test, expect in everywhere(condition) if expect in MOVES}
    assert set(TESTS) - {"hand-spin"} <= loud | set(condition.not_seen_in)


def test_health_moves_nothing():
    assert {expect for _, _, expect in everywhere(catalogue["healthy"])} == {"unchanged", "absent"}


def test_the_eye_and_hand_check_and_the_catalogue_say_the_same():
    asked = {
        "prop-tight": "propeller loose", "prop-edge": "edge damage", "prop-cracks": "crack", "prop-root": "root whitening",
        "motor-mount": "mount loose", "motor-axial": "axial play", "motor-wobble": "wobble", "motor-rub": "rub felt",
    }  # fmt: skip
    for question in QUESTIONS:
        if question.id in asked:
            clue = asked[question.id]
            spoken = {name for choice in question.choices for name in choice.speaks_for}
            assert {name for name in FAULTS if catalogue[name].expects(clue, "inspection") == "present"} <= spoken, clue
            assert not {name for name in spoken if catalogue[name].expects(clue, "inspection") == "absent"}, clue


def test_look_alikes_look_alike_both_ways_and_some_clue_tells_them_apart():
    for one, other in combinations(catalogue.conditions, 2):
        assert (other.condition in one.look_alikes) == (one.condition in other.look_alikes), (one.condition, other.condition)
        if other.condition in one.look_alikes:
            both = {(s, t) for s, t, _ in everywhere(one)} & {(s, t) for s, t, _ in everywhere(other)}
            assert any((one.expects(*at) in MOVES) != (other.expects(*at) in MOVES) for at in both), (one.condition, other.condition, both)


def test_conditions_of_one_group_work_on_parts_of_one_kind():
    groups = {}
    for condition in catalogue.conditions:
        groups.setdefault(condition.group, set()).add(condition.part)
    assert groups == {
        "none": {"none"},
        "propeller": {"propeller"},
        "rotor": {"motor bell", "shaft", "bell or duct"},
        "fixing": {"motor mount", "propeller fixing"},
        "bearing": {"bearing"},
        "electrical": {"wiring or controller"},
        "frame": {"frame"},
    }


def test_cautions_stand_where_a_hand_or_a_spinning_propeller_is_near():
    for c in catalogue.conditions:
        assert "The maker's instructions, local rules and licensed practice decide" in c.caution, c.condition
        assert "Battery out" in c.caution or c.condition == "healthy", c.condition
        guarded = all(words in c.caution for words in GUARDED)
        assert guarded or "ropeller off" in c.caution, c.condition
        assert guarded or c.not_seen_in != ("hand-spin", "bare"), c.condition
        assert c.action != "balance" or "trial weights so that they cannot leave" in c.caution, c.condition


def test_no_text_permits_a_flight():
    for path in FOLDER.glob("*.toml"):
        text = path.read_text(encoding="utf-8").lower()
        assert not re.search(r"safe to fly|fit to fly|ready to fly|may fly|can fly|cleared", text), path.name
    assert "no permission to fly" in catalogue["healthy"].caution


def test_a_source_is_one_and_the_same_in_every_file():
    references = {}
    for condition in catalogue.conditions:
        for source in condition.sources:
            assert references.setdefault(source.cite, source) == source
    assert all(re.search(r"\b(19|20)\d\d\b", cite) and cite[-4:] in s.reference + cite for cite, s in references.items())
    assert sum(s.source != NO_SOURCE for c in catalogue.conditions for s in c.evidence) >= 60


def test_a_wheel_takes_every_file_along():
    tools = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    assert "vibekit.reference_spectra" in tools["packages"]
    taken = tools["package-data"]["vibekit.reference_spectra"]
    data = [p.name for p in FOLDER.iterdir() if p.is_file() and p.suffix != ".py"]
    assert [name for name in data if not any(fnmatch(name, pattern) for pattern in taken)] == []


def test_unlike_blades_give_the_orders_the_catalogue_names():
    """Superposition of B blades at order q, |sum of a_b exp(-2 pi i q b / B)|: alike ones leave multiples of B (Gutin, NACA TM 1195)."""

    def order(q, blades):
        return abs(sum(a * cmath.exp(-2j * math.pi * q * b / len(blades)) for b, a in enumerate(blades)))

    alike, unlike = (1.0, 1.0, 1.0), (1.0, 0.9, 1.0)
    between, multiples = [1, 2, 4, 5], [3, 6]
    assert max(order(q, alike) for q in between) < 1e-12
    assert min(order(q, unlike) for q in between) > 0.09
    assert all(order(q, unlike) != pytest.approx(order(q, alike), rel=0.01) for q in multiples)
    assert catalogue["healthy"].expects("other orders", "prop") == "unchanged"
    assert catalogue["blade-damage"].expects("other orders", "prop") == "rises"
    assert catalogue["blade-damage"].expects("blade pass", "prop") == "changes"
    assert catalogue["blade-damage"].expects("other orders", "bare") is None


@pytest.mark.parametrize("name", FAULTS)
@pytest.mark.parametrize("test", ["bare", "prop"])
def test_the_rig_shows_what_the_catalogue_says(name, test):
    """How much more often a clue moves under the rig's strongest fault than in health: never where it should not, often for some clue."""
    likelihoods = load_likelihoods()
    row = {condition: i for i, (condition, _) in enumerate(likelihoods.states)}  # the last severity of a condition is its strongest
    excess = {}
    for clue, where in {key[:2] for key in likelihoods.tables}:
        table = likelihoods.table(clue, where, None)
        expect = catalogue[name].expects(clue, where)
        if where == test and expect:
            moved = 1 - table[:, UNCHANGED] if expect == "changes" else table[:, UNCHANGED + 1 :].sum(axis=1)
            excess[clue, expect] = moved[row[name]] - moved[row["healthy"]]
    assert excess
    assert not {claim: e for claim, e in excess.items() if claim[1] in MOVES and e < -0.1}
    assert not {claim: e for claim, e in excess.items() if claim[1] not in MOVES and e > 0.5}
    if test not in catalogue[name].not_seen_in:
        assert max(e for claim, e in excess.items() if claim[1] in MOVES) > 0.3


@pytest.mark.parametrize("name", FAULTS)
@pytest.mark.parametrize("test", ["bare", "prop"])
def test_every_fault_has_its_spectra(name, test):
    orders, envelope = reference_spectrum(name, test), reference_spectrum(name, test, "envelope")
    for curve, top in ((orders, 50), (envelope, 12)):
        assert curve is not None
        assert curve.x[0] == pytest.approx(0.1)
        assert curve.x[-1] == pytest.approx(top)
        assert np.isfinite(curve.y).all()


def test_the_spectra_show_their_fault():
    """1x of an uneven propeller rises with the propeller only, of an uneven bell bare too (Rao, Mechanical Vibrations, section 3.7)."""

    def at(name, test, order):
        curve = reference_spectrum(name, test)
        return curve.y[np.argmin(np.abs(curve.x - order))]

    for name, test, rises in (("prop-imbalance", "prop", True), ("prop-imbalance", "bare", False), ("rotor-imbalance", "bare", True)):
        assert (at(name, test, 1) - at("healthy", test, 1) > 6) == rises, (name, test)
    assert at("blade-damage", "prop", 3) - at("healthy", "prop", 3) > 3
    assert reference_spectrum("undecided") is None


def write(folder, edit=lambda text: text, name="prop-imbalance"):
    text = (FOLDER / "prop-imbalance.toml").read_text(encoding="utf-8")
    text = re.sub(r"look_alikes = .*", "look_alikes = []", re.sub(r"prior = .*", "prior = 0.12", text))
    (folder / f"{name}.toml").write_text(edit(text), encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('clue = "2x"', 'clue = "3x"', r"clue is '3x'; choose one of '1x', '2x'"),
        ('expect = "rises"', 'expect = "present"', r"expect is 'present'; choose one of 'rises'"),
        ('tests = ["inspection"]', 'tests = ["prop"]', r"test is 'prop'; choose one of 'inspection'"),
        ('tests = ["bare"]', "tests = []", r"tests is empty"),
        ('tests = ["bare"]', 'tests = "bare"', r"tests is 'bare'; it must be a list of texts"),
        ('action = "balance"', 'action = "mend"', r"action is 'mend'; choose one of"),
        ('action = "balance"', 'action = "clean"', r"act begins 'Balance the propeller, or fit '; it must begin with the action, 'clean'"),
        ('part = "propeller"', 'part = "wing"', r"part is 'wing'"),
        ("prior = 0.12", "prior = 1.2", r"prior is 1.2; it must be from 0 to below 1"),
        ("prior = 0.12", 'prior = "rare"', r"prior is 'rare'; it must be a number"),
        ('why = "', 'because = "', r"because is not a key; choose among"),
        ('caution = "', 'caution = ""#', r"caution is ''; it must be text"),
        ('words = "propeller uneven"\n', "", r"words is missing"),
        ('source = "Rao 2011, section 3.7 (rotating unbalance)"', 'source = "hearsay"', r"evidence has the source 'hearsay'"),
        ('cite = "Gutin 1936"', 'cite = "Gutin 1935"', r"evidence has the source 'Gutin 1936"),
        ('tests = ["bare"]\nexpect', 'tests = ["prop"]\nexpect', r"evidence '1x' in test 'prop' is given twice"),
        ('condition = "prop-imbalance"', 'condition = "propeller"', r"condition is 'propeller'; choose one of 'prop-imbalance'"),
        ('not_seen_in = ["hand-spin"', 'not_seen_in = ["dream"', r"not_seen_in is 'dream'"),
    ],
)
def test_a_wrong_file_is_named_in_one_line(tmp_path, old, new, says):
    def edit(text):
        assert old in text
        return text.replace(old, new, 1)

    with pytest.raises(UsageError, match=says) as caught:
        read_catalogue(write(tmp_path, edit))
    assert str(caught.value).startswith("prop-imbalance.toml: ")
    assert "\n" not in str(caught.value)


def test_evidence_must_be_tables(tmp_path):
    with pytest.raises(UsageError, match=r"evidence is \['1x'\]; write \[\[evidence\]\] and its keys below"):
        read_catalogue(write(tmp_path, lambda text: text.split("[[evidence]]")[0] + 'evidence = ["1x"]'))


def test_a_file_that_is_no_toml_is_named(tmp_path):
    with pytest.raises(UnreadableError, match=r"prop-imbalance\.toml is not TOML: "):
        read_catalogue(write(tmp_path, lambda text: text.replace('"', "", 1)))


def test_conditions_must_fit_together(tmp_path):
    with pytest.raises(UsageError, match=r"priors of all conditions sum to 0\.12; they must sum to 1"):
        read_catalogue(write(tmp_path))
    with pytest.raises(UsageError, match=r"look-alike of 'prop-imbalance' is 'rub'"):
        read_catalogue(write(tmp_path, lambda text: text.replace("look_alikes = []", 'look_alikes = ["rub"]')))


def test_an_unknown_condition_is_refused():
    with pytest.raises(UsageError, match=r"condition is 'tired'; choose one of 'bearing-ball'"):
        catalogue["tired"]


def test_clues_say_where_they_are_had():
    assert CLUE["crack"].tests == ("inspection",)
    assert CLUE["no-load current"].tests == ("bench",)
    assert CLUE["1x"].tests == TESTS
