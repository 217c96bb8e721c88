"""The window's model, without Qt: what a bench holds, what is kept, what is undone, what is written."""

import csv
import json
import math
import shutil
import subprocess
import sys
from datetime import UTC, datetime

import numpy as np
import pytest

from tests.bench import SETUP, write_take
from vibekit.errors import UsageError
from vibekit.gui.draft import Draft
from vibekit.gui.invented import put_invented
from vibekit.gui.laid_over import conditions_to_lay, laid_over
from vibekit.gui.session import Session, Stated
from vibekit.gui.steps import StoppedError
from vibekit.history import comparable_kinds, history_of, measured_names
from vibekit.inspection import GivenAnswer
from vibekit.kept import PartAction
from vibekit.line_meaning import clues_at, meaning_of
from vibekit.place import find_place
from vibekit.scene import POSITIONS, described, speed_rpm
from vibekit.settings import Settings


@pytest.fixture
def session(wren_bench, tmp_path):
    shutil.copytree(wren_bench / "archive", tmp_path / "archive")
    with Session(find_place(tmp_path / "archive")) as session:
        session.show(session.gather("Wren-4"))
        yield session


def test_the_model_needs_no_qt():
    code = (
        "import sys, vibekit.gui.session, vibekit.gui.draft, vibekit.gui.laid_over, vibekit.gui.invented\n"
        "print([name for name in sys.modules if name.startswith(('PySide6', 'pyqtgraph'))])"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout.strip() == "[]"


def test_a_bench_holds_every_rotor_in_running_order_with_its_state(session):
    bench = session.bench
    assert bench.positions == POSITIONS
    assert session.position == POSITIONS[0]
    assert {position: bench.state(position).code for position in POSITIONS} == {
        "north-east": "cannot-tell", "south-east": "cannot-tell", "south-west": "act", "north-west": "act",
    }  # fmt: skip
    assert bench.conclusion("south-west").condition == "bearing-grit"
    assert [group.how for group in bench.groups] == ["run bare, without propeller"]


def test_choosing_a_rotor_tells_the_watchers_once(session):
    told = []
    session.watchers.append(lambda: told.append(session.position))
    session.choose("south-west")
    session.choose("south-west")
    assert told == ["south-west"]
    with pytest.raises(UsageError, match=r"'west'.*north-east, south-east"):
        session.choose("west")


def test_what_is_measured_is_kept_only_when_asked_and_undone(session, tmp_path):
    file = write_take(tmp_path, "again", 0, hurt=False, number=7)
    steps = []
    stated = Stated("north-east", "bare", float(speed_rpm()), "contact", SETUP)
    found = session.measure([file], stated, lambda share, words: steps.append((share, words)))
    assert steps == [(0.0, "analysing again.wav")]
    assert found[0].reading.settings.blades is None
    assert found[0].reading.settings.poles == described().rotors[0].motor.poles
    assert len(session.gather("Wren-4").motor("north-east").kept) == 3
    assert session.keep(found) == 1
    assert session.keep(found) == 0
    assert len(session.gather("Wren-4").motor("north-east").kept) == 4
    assert session.undo() == "1 reading of north-east kept"
    assert len(session.gather("Wren-4").motor("north-east").kept) == 3
    with pytest.raises(UsageError, match="nothing was changed"):
        session.undo()


def test_a_reading_taken_out_comes_back_the_same(session):
    kept = session.bench.motor("south-west").kept[-1]
    session.take_out(kept)
    assert len(session.gather("Wren-4").motor("south-west").kept) == 2
    session.undo()
    back = session.gather("Wren-4").motor("south-west").kept[-1]
    assert (back.recording, back.setup, back.taken_at) == (kept.recording, kept.setup, kept.taken_at)
    assert back.reading.quantities == kept.reading.quantities


def test_answers_and_actions_change_the_verdict_and_are_undone_in_turn(session):
    now = datetime.now(UTC)
    session.keep_answers([GivenAnswer("north-east", "prop-edge", "nicked")])
    assert session.gather("Wren-4").conclusion("north-east").part == "propeller"
    session.keep_action([PartAction("Wren-4", "north-east", "propeller", "replaced", "new pair", "", now)])
    assert len(session.gather("Wren-4").motor("north-east").actions) == 1
    assert session.undo() == "noted: north-east: propeller replaced"
    assert session.undo() == "1 answers of the eye-and-hand check kept"
    assert session.gather("Wren-4").conclusion("north-east").condition == "undecided"


def test_long_work_ends_where_it_is_stopped(session, tmp_path):
    def step(share, words):
        raise StoppedError

    with pytest.raises(StoppedError):
        session.measure([tmp_path / "never-read.wav"], Stated("north-east"), step)


def test_numbers_verdict_and_report_are_written(session, tmp_path):
    rows = list(csv.DictReader(session.write(tmp_path / "numbers.csv").read_text(encoding="utf-8").splitlines()))
    kept = [item for motor in session.bench.case.motors for item in motor.kept]
    assert len(rows) == sum(len(item.reading.orders) + len(item.reading.quantities) for item in kept)
    first = next(row for row in rows if row["position"] == "south-west" and row["what"] == "1x" and row["order"] == "1")
    line = session.bench.motor("south-west").kept[0].reading.orders[1]
    assert math.isclose(float(first["value"]), line.amplitude, rel_tol=1e-8)
    assert math.isclose(float(first["u95"]), line.u95, rel_tol=1e-8)
    told = json.loads(session.write(tmp_path / "verdict.json").read_text(encoding="utf-8"))
    assert [motor["position"] for motor in told["motors"]] == list(POSITIONS)
    page = session.write(tmp_path / "report.html").read_text(encoding="utf-8")
    assert "bearing rough or gritty" in page
    with pytest.raises(UsageError, match=r"nowhere.*choose another place"):
        session.write(tmp_path / "nowhere" / "numbers.csv")


def test_a_line_is_named_by_its_order_and_by_what_it_is_counted_to(session):
    member = session.bench.member(session.bench.groups[0], "north-west")
    found = meaning_of(member.reading, 1.51, session.bench.verdicts["north-west"])
    assert (found.name, found.order, found.clues) == ("one and a half", 1.5, ("half orders",))
    assert found.hz == pytest.approx(1.5 * member.reading.speed.rpm / 60)
    assert found.causes[0] == "motor mount loose"
    assert found.fed
    assert all(text.startswith("half orders") for text in found.fed)
    assert meaning_of(member.reading, 13.37).clues == ()


def test_a_line_of_the_envelope_is_named_by_the_bearing(session):
    member = session.bench.member(session.bench.groups[0], "south-west")
    outer = member.reading.settings.bearings[0].outer
    found = meaning_of(member.reading, outer, envelope=True)
    assert (found.name, found.clues) == ("outer race", ("outer race",))
    assert "bearing damaged (outer race)" in found.causes
    assert meaning_of(member.reading, 3 * outer, envelope=True).name == "outer race, 3x"


@pytest.mark.parametrize(
    ("order", "settings", "clues"),
    [
        (1.0, Settings("prop", blades=2), ("1x",)),
        (2.0, Settings("prop", blades=2), ("2x", "blade pass")),
        (3.0, Settings("prop", blades=3), ("blade pass",)),
        (3.0, Settings("prop", blades=2), ("harmonics", "other orders")),
        (7.0, Settings("bare", poles=14), ("electrical lines",)),
        (4.5, Settings("bare"), ("half orders",)),
        (0.2, Settings("bare"), ()),
    ],
)
def test_lines_are_counted_as_the_engine_counts_them(order, settings, clues):
    """The groups of vibekit.analysis._order_levels."""
    assert clues_at(order, settings) == clues


def test_a_reference_is_laid_at_the_level_of_the_sound_past(session):
    member = session.bench.member(session.bench.groups[0], "south-west")
    curve = laid_over("bearing-grit", member, "order")
    first = np.median([r.orders[1].amplitude for r in member.baselines])
    at = int(np.argmin(np.abs(curve.x - 1.0)))
    assert curve.y[max(at - 3, 0) : at + 4].max() == pytest.approx(first, rel=0.6)  # the grit of the rig leaves 1x about where it was
    assert curve.y_unit == "FS"
    assert {"bearing-grit", "prop-imbalance"} <= {condition for condition, _ in conditions_to_lay()}


def test_a_history_has_the_sound_middle_and_limits_of_repeating(session):
    motor = session.bench.motor("south-west")
    assert comparable_kinds(motor.kept) == [("bare", SETUP)]
    assert measured_names(motor.kept)[0] == "1x"
    assert "outer race" in measured_names(motor.kept)
    assert "outer race shown" not in measured_names(motor.kept)
    past = history_of(motor.kept, motor.past, motor.actions, "roughness")
    assert len(past.moments) == 3
    assert past.middle == pytest.approx(past.values[:2].mean())
    assert past.act > past.watch > past.middle + float(past.u95.max())  # repeating does more than one reading's own interval
    assert [when for when, _ in past.limits] == sorted({k.when for k in motor.kept})  # one a sitting
    assert past.values[2] > past.watch  # grit


def test_hands_come_first_in_a_check():
    draft = Draft(described())
    asked = {(a.question.id, a.position): a for a in draft.asked}
    edge, tight, off = asked["prop-edge", "south-west"], asked["prop-tight", "south-west"], asked["props-off", ""]
    assert [draft.waits_for(a) for a in (tight, off, edge)] == ["battery-out"] * 3
    draft.give(asked["battery-out", ""], "yes")
    assert [draft.waits_for(a) for a in (tight, off, edge)] == ["", "", "props-off"]
    draft.give(off, "no")
    assert draft.waits_for(edge) == "props-off"
    draft.give(off, "yes")
    assert draft.give(edge, "nicked").stop
    with pytest.raises(UsageError, match="shiny"):
        draft.give(edge, "shiny")
    assert [answer.question for answer in draft.answers] == ["battery-out", "props-off", "prop-edge"]


def test_an_empty_archive_takes_the_invented_craft(tmp_path, monkeypatch):
    monkeypatch.setattr("vibekit.gui.invented.PLAN", (("bare", 1),))
    monkeypatch.setattr("vibekit.scene.PLAN", (("bare", 1),))
    with Session(find_place(tmp_path / "archive")) as session:
        assert session.crafts() == []
        steps = []
        name = put_invented(session.archive, lambda share, words: steps.append(share))
        assert [craft.name for craft in session.crafts()] == [name] == ["Wren-4"]
        assert steps == sorted(steps)
        assert len(steps) == 12
        assert session.gather(name).motor("south-east").answers[0].answer == "nicked"
