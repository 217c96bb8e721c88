"""Pages of the window through their widgets."""

import json
import shutil

import numpy as np
import pytest
import soundfile
from PySide6.QtCore import QEvent, QObject, Qt
from PySide6.QtWidgets import QApplication, QWidget

from tests.bench import SETUP
from tests.windows import WAIT_MS, answer, card, drop, opening, rest, texts
from vibekit.craft_file import craft_text
from vibekit.gui.plot import Plot
from vibekit.scene import POSITIONS, described, speed_rpm
from vibekit.wording import unit_words


@pytest.fixture
def opened(qtbot, tmp_path):
    """Opens windows on an archive, and closes them after the test."""
    with opening(qtbot, tmp_path) as open_on:
        yield open_on


@pytest.fixture
def window(opened, wren_bench, tmp_path):
    shutil.copytree(wren_bench / "archive", tmp_path / "archive")
    return opened(tmp_path / "archive")


def test_four_files_dropped_become_a_verdict_and_a_report(opened, qtbot, tmp_path, wren_bench, monkeypatch):
    window = opened(tmp_path / "archive")
    assert window.page is window.welcome
    file = tmp_path / "wren-4.toml"
    file.write_text(craft_text(described()), encoding="utf-8")
    window.take_in(str(file))
    rest(qtbot, window)
    assert [card.state.code for card in window.strip.cards] == ["cannot-tell"] * 4
    qtbot.mouseClick(window.tasks["measure"], Qt.MouseButton.LeftButton)
    page = window.page
    page.sensor.setCurrentIndex(page.sensor.findData("contact"))
    qtbot.keyClicks(page.speed, f"{speed_rpm()}rpm")
    qtbot.keyClicks(page.setup, SETUP)
    for position in POSITIONS:
        qtbot.mouseClick(card(window, position), Qt.MouseButton.LeftButton)
        drop(window, [wren_bench / f"landed-{position}-0.wav"])
        rest(qtbot, window)
        assert [item.position for item in page.pending] == [position]
        qtbot.mouseClick(page.keep, Qt.MouseButton.LeftButton)
        rest(qtbot, window)
    assert card(window, "south-west").state.code == "act"
    assert card(window, "south-west").what == "bearing rough or gritty"
    assert "bare" in card(window, "south-west").last
    assert len(window.session.changes) == 4
    qtbot.mouseClick(window.tasks["compare"], Qt.MouseButton.LeftButton)
    assert [member.position for member in window.page.group.members] == list(POSITIONS)
    qtbot.mouseClick(window.tasks["verdict"], Qt.MouseButton.LeftButton)
    said = texts(window.page)
    assert any("Do not fly." in text for text in said)
    assert any(text[:2] in ("1.", "2.", "3.") and "south-west" in text for text in said)  # what to act on
    for ending, name in (("html", "report"), ("csv", "numbers.csv"), ("json", "verdict.json")):
        answer(monkeypatch, tmp_path / name)
        qtbot.mouseClick(window.page.buttons[ending], Qt.MouseButton.LeftButton)
        rest(qtbot, window)
        assert "Written" in window.message.text()
    assert len(json.loads((tmp_path / "verdict.json").read_text(encoding="utf-8"))["motors"]) == 4
    assert (tmp_path / "numbers.csv").stat().st_size > 1000
    assert "bearing rough or gritty" in (tmp_path / "report.html").read_text(encoding="utf-8")
    qtbot.keyClick(window, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    rest(qtbot, window)
    assert [len(motor.kept) for motor in window.session.bench.case.motors] == [1, 1, 1, 0]


def test_a_file_that_cannot_be_judged_is_said_so_and_not_kept(window, qtbot, tmp_path):
    soundfile.write(tmp_path / "silent.wav", np.zeros(48_000), 48_000)
    window.go("measure")
    drop(window, [tmp_path / "silent.wav"])
    rest(qtbot, window)
    assert not window.page.keep.isEnabled()
    qtbot.mouseClick(window.page.repeat, Qt.MouseButton.LeftButton)
    assert window.page.pending == []
    drop(window, [tmp_path / "not-there.wav"])
    qtbot.waitUntil(lambda: "not-there.wav" in window.message.text(), timeout=WAIT_MS)


def test_a_click_on_a_line_says_what_it_is(window, qtbot):
    window.session.choose("north-west")
    window.go("compare")
    page, plot = window.page, window.page.over
    qtbot.wait(30)
    line = next(line for line in page.member.reading.orders if line.name == "one and a half")
    place = plot.view.mapFromScene(plot.scene_of(1.505, line.amplitude))
    qtbot.mouseClick(plot.view.viewport(), Qt.MouseButton.LeftButton, pos=place)
    assert page.asked == pytest.approx(1.5, abs=0.02)
    words = page.meaning.text()
    assert "One and a half" in words
    assert f"{1.5 * page.member.reading.speed.rpm / 60:.1f} Hz" in words
    assert "motor mount loose" in words
    assert "half orders" in words


def test_small_multiples_share_one_scale_and_a_click_chooses(window, qtbot):
    window.go("compare")
    page = window.page
    qtbot.mouseClick(page.apart, Qt.MouseButton.LeftButton)
    qtbot.wait(30)
    assert list(page.each) == list(POSITIONS)
    ranges = [plot.box.viewRange() for plot in page.each.values()]
    assert all(r == ranges[0] for r in ranges)
    page.each["south-east"].pressed.emit(1.0, 0.01)
    assert window.session.position == "south-east"


def test_every_comparison_of_each_motor_is_in_one_table(window, qtbot):
    window.session.choose("south-west")
    window.go("compare")
    page = window.page
    qtbot.mouseClick(page.every, Qt.MouseButton.LeftButton)
    rest(qtbot, window)
    assert [row[0] for row in page.table.rows] == list(POSITIONS)
    assert "act" in page.table.rows[2][1]
    assert "half orders" in page.table.rows[3][2]  # the loose mount
    assert any("half orders" in text for text in texts(page))
    assert not page.bars.isVisible()
    qtbot.mouseClick(page.together, Qt.MouseButton.LeftButton)
    assert page.table is None
    assert page.bars.isVisible()


def test_a_condition_is_laid_over(window):
    window.session.choose("south-west")
    window.go("compare")
    page = window.page
    before = len(page.over.item.listDataItems()) + len(page.over.item.curves)
    page.laid.setCurrentIndex(page.laid.findData("bearing-grit"))
    assert len(page.over.item.listDataItems()) + len(page.over.item.curves) > before
    assert "shape counts" in page.note.text()


def test_answers_by_eye_and_hand_are_kept(window, qtbot):
    window.session.choose("north-east")
    window.go("look")
    page = window.page
    assert not page.rows["north-east", "prop-edge"].buttons()[0].isEnabled()
    for question, position, word in (("battery-out", "", "yes"), ("props-off", "", "yes"), ("prop-edge", "north-east", "nicked")):
        button = next(b for b in page.rows[position, question].buttons() if b.text() == word)
        qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
    qtbot.mouseClick(page.keep, Qt.MouseButton.LeftButton)
    rest(qtbot, window)
    assert window.session.bench.conclusion("north-east").part == "propeller"
    assert card(window, "north-east").state.code == "act"


def test_the_past_shows_limits_and_a_pair(window, qtbot):
    window.session.choose("south-west")
    window.go("past")
    page = window.page
    page.names.setCurrentIndex(page.names.findData("roughness"))
    assert page.history.name == "roughness"
    assert page.before.currentData().id != page.after.currentData().id
    assert page.pair is not None
    qtbot.mouseClick(page.take_out, Qt.MouseButton.LeftButton)
    rest(qtbot, window)
    assert len(window.session.bench.motor("south-west").kept) == 2
    window.undo()
    rest(qtbot, window)
    assert len(window.session.bench.motor("south-west").kept) == 3


def test_light_and_dark_and_size_keep_what_is_chosen(window, qtbot):
    window.session.choose("south-west")
    window.go("past")
    qtbot.mouseClick(window.turn_button, Qt.MouseButton.LeftButton)
    assert window.look.theme == "dark"
    assert window.page.name == "past"
    assert next(card for card in window.strip.cards if card.isChecked()).position == "south-west"
    window.larger()
    assert window.look.scale > 1


def test_the_window_comes_back_as_it_was_left(opened, qtbot, wren_bench, tmp_path):
    shutil.copytree(wren_bench / "archive", tmp_path / "archive")
    window = opened(tmp_path / "archive")
    window.session.choose("north-west")
    window.go("verdict")
    window.turn()
    window.close()
    again = opened(tmp_path / "archive", None)
    assert again.look.theme == "dark"
    assert again.page.name == "verdict"
    assert again.session.position == "north-west"


def test_the_newest_of_its_kind_wins_and_faults_are_told(window, qtbot, capsys):
    done = []
    window.workers.start("sum", lambda step: sum(step(0.1, "slowly") or 1 for _ in range(2000)), lambda found: done.append(("old", found)))
    window.workers.start("sum", lambda step: 5, lambda found: done.append(("new", found)))
    rest(qtbot, window)
    assert done == [("new", 5)]
    with qtbot.waitSignal(window.workers.failed) as failed:
        window.workers.start("fault", lambda step: 1 / 0, done.append)
    assert "ZeroDivisionError" in failed.args[0]
    assert "nothing that was recorded is lost" in failed.args[0]
    assert "ZeroDivisionError" in capsys.readouterr().err
    assert done == [("new", 5)]


def test_the_keys_reach_every_page_and_rotor_and_every_plot_reads_out_in_units(window, qtbot):
    window.activateWindow()
    for number, name in enumerate(window.pages, 1):
        qtbot.keyClick(window, getattr(Qt.Key, f"Key_{number}"), Qt.KeyboardModifier.AltModifier)
        rest(qtbot, window)
        assert window.page.name == name
        for plot in (one for one in window.page.findChildren(Plot) if one.isVisible()):
            (left, right), (low, high) = plot.box.viewRange()
            said = plot.say((left + right) / 2, plot.down((low + high) / 2))
            assert unit_words(plot.upward[1]) in said
            assert any(character.isdigit() for character in said)
    for number, position in enumerate(POSITIONS, 1):
        qtbot.keyClick(window, getattr(Qt.Key, f"Key_{number}"), Qt.KeyboardModifier.ControlModifier)
        assert window.session.position == position
        assert card(window, position).isChecked()


def test_nothing_flashes_up_beside_the_window(window, qtbot):
    """A widget that is shown before it has its place is a window of its own for a moment, and takes the keys away."""
    flashed = []

    class Watch(QObject):
        def eventFilter(self, watched, event):
            if event.type() == QEvent.Type.Show and isinstance(watched, QWidget) and watched.isWindow():
                flashed.append(watched)
            return False

    watch = Watch()
    QApplication.instance().installEventFilter(watch)
    try:
        for page in window.pages.values():
            for position in POSITIONS:
                window.session.choose(position)
                window.go(page.name)
            rest(qtbot, window)
    finally:
        QApplication.instance().removeEventFilter(watch)
    assert flashed == []
    assert window.isActiveWindow()


def test_what_was_done_to_a_part_is_marked_and_a_swap_at_both_rotors(window, qtbot):
    window.session.choose("south-east")
    window.go("past")
    page = window.page
    page.part.setCurrentText("propeller")
    page.did.setCurrentText("swapped")
    qtbot.keyClicks(page.fitted, "west")
    qtbot.mouseClick(page.noted, Qt.MouseButton.LeftButton)
    assert "the others are north-east, south-west, north-west" in window.message.text()
    page.fitted.setText("south-west")  # turns the other way
    qtbot.mouseClick(page.noted, Qt.MouseButton.LeftButton)
    assert "only propellers of rotors that turn the same way" in window.message.text()
    page.fitted.setText("north-west")
    qtbot.mouseClick(page.noted, Qt.MouseButton.LeftButton)
    rest(qtbot, window)
    bench = window.session.bench
    assert [[a.fitted for a in bench.motor(p).actions] for p in ("south-east", "north-west")] == [["north-west"], ["south-east"]]
    assert "propeller swapped with north-west" in page.effects.text()
    assert "not measured after it" in page.effects.text()
    page.did.setCurrentText("refitted")
    qtbot.mouseClick(page.noted, Qt.MouseButton.LeftButton)
    rest(qtbot, window)
    written = [item.toPlainText() for item in page.trend.item.items if hasattr(item, "toPlainText")]
    assert "propeller swapped, propeller refitted" in written  # of one day side by side, not over each other
