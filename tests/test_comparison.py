"""What `vibekit compare` and `vibekit part` show of a craft with a past: the table, the alarms, what work did."""

import json
import math
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from tests.lives import draw_readings
from tests.test_shop import NOON, SETUP, described, keep, sibling
from vibekit.archive import Archive
from vibekit.casefile import WORK, open_case
from vibekit.catalogue import load_catalogue
from vibekit.change import Change
from vibekit.cli import main
from vibekit.comparison import COLUMNS, Beside, Comparison, compare_case, effects_words, folded, key_words, table_rows
from vibekit.handspin import FLICKS
from vibekit.history import FALSE_ALARMS, history_of, own_pasts
from vibekit.kept import PARTS, PartAction
from vibekit.place import find_place
from vibekit.problem import Problem, Screening
from vibekit.reading import Curve, Quantity, SpeedResult

SITTINGS, EVERY = 9, timedelta(days=10)
BEGAN = NOON - EVERY * (SITTINGS - 1)
GROWS = np.append(np.zeros(5), [1.5, 4.0, 7.0, 12.0])


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """Nine sittings of one craft: the mount of the second rotor comes loose, the fourth gets another propeller in between."""
    folder = tmp_path_factory.mktemp("bench")
    craft, rng = sibling(8, 0), np.random.default_rng(3)
    sound = np.zeros(SITTINGS)
    each = [draw_readings(craft, r, "prop", "contact", "loose-mount", GROWS if r == 1 else sound, rng) for r in range(4)]
    with Archive(find_place(folder / "archive")) as archive:
        for k in range(SITTINGS):
            keep(archive, folder, described("Wren-4"), [[one[k]] for one in each], BEGAN + k * EVERY)
        archive.put_action(PartAction("Wren-4", "south-west", "screws", "tightened", "", "", BEGAN + 5.5 * EVERY))
        archive.put_action(PartAction("Wren-4", "north-west", "propeller", "replaced", "new", "", BEGAN + 6.5 * EVERY))
    return folder / "archive"


@pytest.fixture(scope="module")
def compared(bench):
    with Archive(find_place(bench), create=False) as archive:
        case = open_case(archive, "Wren-4")
    return case, {c.position: c for c in compare_case(case)}


@pytest.fixture(autouse=True)
def archive_here(bench, monkeypatch):
    monkeypatch.setenv("VIBEKIT_ARCHIVE", str(bench))


def test_the_alarm_names_what_rises_and_when_it_began(compared):
    own = compared[1]["south-east"].own[0]
    assert (own.test, own.setup, len(own.course.visits)) == ("prop", SETUP, SITTINGS)
    assert {alarm.name for alarm in own.alarms} & {"comb", "half orders", "harmonics"}
    for alarm in own.alarms:
        assert BEGAN + 4 * EVERY <= alarm.since <= alarm.at <= BEGAN + 8 * EVERY
    assert own.pace == pytest.approx(36.5, abs=0.1)  # a sitting every ten days
    assert own.trends["comb"].shown
    quiet = [compared[1][position] for position in ("north-east", "south-west", "north-west")]
    assert not any(c.own[0].alarms for c in quiet)


def test_a_replaced_propeller_begins_a_new_baseline_and_tightened_screws_do_not(compared):
    assert len(compared[1]["north-west"].own[0].course.visits) == 2
    assert not compared[1]["north-west"].own[0].pace_known
    own = compared[1]["south-west"].own[0]
    assert len(own.course.visits) == SITTINGS
    assert own.course.restarts.tolist() == [k == 6 for k in range(SITTINGS)]


def test_each_piece_of_work_has_its_before_and_after(compared):
    (effect,) = compared[1]["north-west"].effects
    assert (effect.before, effect.after) == (BEGAN + 6 * EVERY, BEGAN + 7 * EVERY)
    assert {c.name for c in effect.changes} >= {"1x", "roughness"}
    assert all(np.isfinite(c.u95) for c in effect.changes)


def test_the_table_has_a_row_a_motor_and_says_everything_in_words_and_marks(compared):
    case, comparisons = compared
    ends = {position: d.conclusion for position, d in case.judge().items()}
    rows = {row[0]: row for row in table_rows(list(comparisons.values()), ends)}
    assert list(rows) == ["north-east", "south-east", "south-west", "north-west"]
    assert {len(row) for row in rows.values()} == {len(COLUMNS)}
    assert rows["south-east"][1] == "● act"
    assert rows["south-east"][2].startswith("▲ ")
    assert rows["south-east"][3].startswith("▲▲ ")
    assert "rising since 20" in rows["south-east"][3]
    assert all(row[4] == "– the shop" or row[4].startswith("– 0 other craft") for row in rows.values())
    plain = [cell for row in table_rows(list(comparisons.values()), ends, "ascii") for cell in row]
    assert any(cell.startswith("^^ ") for cell in plain)
    assert not any(mark in cell for cell in plain for mark in "▲▼●◐○◌–")
    assert f"one in {1 / FALSE_ALARMS:.0f} years" in key_words()


def test_compare_prints_the_table_first_and_gives_it_to_programs(compared, capsys):
    assert main(["compare", "Wren-4"]) == 0
    out = capsys.readouterr().out
    assert out.index("beside the others") < out.index("For and against")
    assert "screws tightened (prop)" in out
    assert main(["compare", "Wren-4", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["comparisons"]
    ill = next(c for c in told if c["position"] == "south-east")
    history = ill["history"][0]
    assert history["false_alarms_a_year"] == FALSE_ALARMS
    assert history["alarms"]
    assert {t["name"] for t in history["trends"]} >= {"1x", "roughness", "comb"}
    assert {"others", "past", "shop", "actions"} <= ill.keys()


def test_numbers_give_level_change_trend_and_alarm_of_each_quantity(compared, capsys):
    assert main(["compare", "Wren-4", "--numbers"]) == 0
    out = capsys.readouterr().out
    rows = out[out.index("south-east, run with") : out.index("south-west, run with")].splitlines()
    row = next(line for line in rows if " half orders " in line)
    assert row.count("±") == 3
    assert row.rstrip().endswith("in alarm")
    assert "at 37 sittings a year" in out


def test_a_flight_has_a_past_too(compared):
    motor = compared[0].motors[0]
    kept = [replace(k, reading=replace(k.reading, settings=replace(k.settings, test="flight"))) for k in motor.kept]
    (own,) = own_pasts(kept, kept[:-1], ())
    assert "roughness" in own.course.names
    assert "comb" not in own.course.names  # rotors at unlike speeds put lines anywhere
    (none,) = own_pasts([replace(k, reading=replace(k.reading, powers=(), quantities=())) for k in kept], (), ())
    assert none.alarms == ()


@pytest.mark.parametrize(("growth", "alarmed"), [(1.0, False), (1.5, True)])
def test_a_motor_spun_by_hand_is_charted_by_its_drag_however_hard_it_was_flicked(compared, growth, alarmed):
    """Sittings repeat within 5 %; three flicks each, 4 % (common practice, no source). From the sixth on the drag has grown."""
    rng = np.random.default_rng(3)
    past = compared[0].motors[0].kept[:9]
    kept = []
    for i, one in enumerate(past):
        seconds = 6.0 / (growth if i >= 5 else 1.0) * np.exp(rng.normal(0, math.hypot(0.05, 0.04 / math.sqrt(3))))
        drag = Quantity("drag", -20 * math.log10(seconds), 0.5, "dB")
        speed = replace(one.reading.speed, rpm=rng.uniform(250, 600))
        reading = replace(one.reading, settings=replace(one.settings, test="hand-spin"), quantities=(drag,), speed=speed)
        kept.append(replace(one, reading=reading))
    (own,) = own_pasts(kept, kept[:5], ())
    assert own.course.names == ("drag",)
    assert len(own.course.visits) == len(kept)
    assert [alarm.name for alarm in own.alarms] == (["drag"] if alarmed else [])
    history = history_of(kept, kept[:5], (), "drag")
    assert history.watch > history.middle
    assert history.trend.slope > 0 or not alarmed


def test_readings_at_another_speed_with_another_sensor_or_of_moved_gain_are_no_sitting_of_a_course(compared):
    motor = compared[0].motors[0]
    first, second, third, *rest = motor.kept
    fast = replace(first.reading, speed=SpeedResult("typed", 1.3 * first.reading.speed.rpm))
    loud = replace(second.reading, screening=Screening((Problem("gain-control", "warning", "the level moved"),)))
    heard = replace(third.reading, settings=replace(third.settings, sensor="microphone"))
    kept = [replace(k, reading=r) for k, r in zip((first, second, third), (fast, loud, heard), strict=True)]
    (own,) = own_pasts([*kept, *rest], rest[:-1], ())
    assert (len(own.course.visits), own.course.left_out) == (SITTINGS - 3, 3)


def test_part_without_words_shows_what_was_done_and_what_it_did(compared, capsys):
    assert main(["part", "Wren-4", "north-west"]) == 0
    assert "propeller replaced with new (prop): " in capsys.readouterr().out
    assert main(["part", "Wren-4", "north-west", "--json"]) == 0
    (action,) = json.loads(capsys.readouterr().out)["actions"]
    assert (action["did"], action["part"], action["test"]) == ("replaced", "propeller", "prop")
    assert main(["part", "Wren-4", "north-east"]) == 0
    assert "Nothing was noted" in capsys.readouterr().out
    assert main(["part", "Wren-4", "north-east", "--did", "cleaned"]) == 2
    assert "--did and --what go together" in capsys.readouterr().err


def test_the_report_shows_the_table_on_its_first_sheet(compared, tmp_path):
    from vibekit.gathering import contents_from_archive
    from vibekit.report import render

    with Archive(find_place(), create=False) as archive:
        page = render(contents_from_archive(archive, "Wren-4"))
    assert page.index("beside the others") < page.index("Do first")
    assert "rising since" in page


def test_a_motor_that_was_not_recorded_has_its_row(compared):
    case, _ = compared
    north_west = case.motors[-1]
    case = replace(case, motors=(*case.motors[:-1], replace(north_west, now=(), past=(), kept=(), shelves=())))
    assert table_rows(compare_case(case), {})[-1] == ("north-west", "◌ cannot tell", "– not recorded", "–", "–")


def test_no_number_is_shown_whose_interval_says_nothing_moved():
    row, line = Change("harmonics", -0.8, 3.7, 3.4, 1.0, 1, 3, 1.9), Change("1x", 4.0, 2.0, 3.1, 1.0, 1, 3, 1.0)
    lone = Comparison("north-east", (Beside("prop", (row,)),), (), (), (), ())
    both = replace(lone, others=(Beside("prop", (row, line)),))
    cells = [cells[2] for cells in table_rows([lone, both], {})]
    assert cells == ["▲ harmonics, each a little", "▲ 1x +4.0 ± 2.0 dB, and 1 more"]


def test_a_motor_that_drags_is_not_called_alike(compared):
    """Coast times from 500 to 150 rpm as of drag in proportion: the third motor has twice that of the others."""
    case, _ = compared
    times = {m.position: np.array([0.98, 1.0, 1.02]) / (2 if m.position == "south-west" else 1) for m in case.motors}

    def spun(motor):
        kept = motor.now[0]
        flicks = Curve(FLICKS, np.arange(3.0), times[motor.position], "flick", "s", 0.01)
        settings = replace(kept.reading.settings, test="hand-spin")
        return replace(motor, now=(replace(kept, reading=replace(kept.reading, settings=settings, curves=(flicks,))),))

    found = compare_case(replace(case, motors=tuple(map(spun, case.motors))))
    assert [c.position for c in found if c.drags] == ["south-west"]
    (cell,) = (row[2] for row in table_rows(found, {}) if row[0] == "south-west")
    assert cell.startswith("▲ drag 2.00 times theirs (1.")
    assert "alike" not in cell


def test_work_after_the_last_reading_asks_for_another_instead_of_the_same_work(compared):
    case, _ = compared
    before = case.judge()
    ill = case.motors[1]
    assert (ill.position, before[ill.position].conclusion.condition) == ("south-east", "loose-propeller")
    for part, did, condition in (
        ("propeller", "refitted", "undecided"),
        ("screws", "tightened", "undecided"),
        ("bearings", "cleaned", "loose-propeller"),
        ("wiring", "cleaned", "loose-propeller"),
    ):
        done = PartAction("Wren-4", ill.position, part, did, "", "", NOON + timedelta(hours=1))
        worked = replace(case, motors=(case.motors[0], replace(ill, actions=(done,)), *case.motors[2:]))
        verdicts = worked.judge()
        assert verdicts[ill.position].conclusion.condition == condition
        told = worked.verdict(verdicts)
        assert (told.next_position, told.words.startswith("Do not fly.")) == (ill.position, True)
        assert f"{part} {did} on 20" in told.next_step


def test_every_part_of_the_catalogue_says_which_work_may_have_mended_it():
    parts = {condition.part for condition in load_catalogue().conditions} - {"none"}
    assert set(WORK) == parts
    assert {part for work in WORK.values() for part in work} == set(PARTS)


def test_what_no_motor_could_be_compared_with_is_said_once():
    rows = [("a", "act", "= alike", "– no sound past", "–"), ("b", "watch", "– not recorded", "– no sound past", "–")]
    columns, left, said = folded(rows)
    assert columns == COLUMNS[:3]
    assert left == [row[:3] for row in rows]
    assert said == ["Its own past: not compared, no sound past.", "The shop's archive: not compared."]
    assert folded(rows[:1])[0] == COLUMNS[:3]
    assert folded([]) == (COLUMNS, [], [])


def test_a_piece_of_work_is_told_once_for_the_tests_that_saw_the_same(compared):
    effect = compared[1]["south-west"].effects[0]
    unseen = replace(effect, after=None)
    assert effects_words([unseen, replace(unseen, test="bare")])[0].endswith("screws tightened (prop, bare): not measured after it")
    assert len(effects_words([effect, replace(unseen, test="bare")])) == 2
