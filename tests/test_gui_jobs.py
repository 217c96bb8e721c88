"""Jobs that the window leads through step by step: a swap, balancing, a run-up."""

import shutil
from dataclasses import replace

import pytest
import soundfile
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QPushButton

from tests.windows import drop, opening, rest, texts
from vibekit.balance_job import Round
from vibekit.gui.session import Stated
from vibekit.rig import Fault, draw_craft, record
from vibekit.rig.scatter import draw_scatter
from vibekit.scene import bench_craft, speed_rpm


@pytest.fixture
def window(qtbot, wren_bench, tmp_path):
    shutil.copytree(wren_bench / "archive", tmp_path / "archive")
    with opening(qtbot, tmp_path) as open_on:
        yield open_on(tmp_path / "archive")


def test_a_swap_is_led_step_by_step_and_judged(window, qtbot, tmp_path):
    """Bare they are sound; with the propeller the nick moves from south-west to north-east, which turn the same way."""
    first, second = "south-west", "north-east"
    window.session.choose(first)
    qtbot.mouseClick(window.tasks["swap"], Qt.MouseButton.LeftButton)
    rest(qtbot, window)
    page = window.page
    assert page.test.pair == (first, second)
    assert [page.second.itemText(n) for n in range(page.second.count())] == [second]  # the others turn the other way
    assert any("Propeller on only behind a guard" in text for text in texts(page, "caution"))
    qtbot.mouseClick(page.refitted[first], Qt.MouseButton.LeftButton)
    rest(qtbot, window)
    assert [(a.part, a.did) for a in window.session.bench.motor(first).actions] == [("propeller", "reseated")]
    for visit, position, rotor, nicked, test in (
        ("before", first, 2, True, "prop"), ("before", second, 0, False, "prop"), ("before", first, 2, False, "bare"),
        ("after", first, 2, False, "prop"), ("after", second, 0, True, "prop"),
    ):  # fmt: skip
        window.go("swap")
        rest(qtbot, window)
        if visit == "after" and page.test.file.action is None:
            qtbot.mouseClick(page.swapped, Qt.MouseButton.LeftButton)
            rest(qtbot, window)
            assert not page.swapped.isEnabled()
        button = next(b for b in page.findChildren(QPushButton) if b.text() == f"Measure {position} …")
        qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
        measure = window.page
        assert (measure.name, measure.test, window.session.position) == ("measure", "prop", position)
        measure.choose_test(test)
        measure.speed.setText(str(speed_rpm()))
        fault = Fault("blade-damage", 12.0, rotor) if nicked else None
        recording, _ = record(bench_craft(), rotor=rotor, test=test, fault=fault, take=40 + rotor + 7 * (visit == "after"), duration_s=2.0)
        file = tmp_path / f"{visit}-{position}-{test}.wav"
        soundfile.write(file, recording.samples.T, round(recording.rate_hz), subtype="FLOAT")
        drop(window, [file])
        rest(qtbot, window)
        qtbot.mouseClick(measure.keep, Qt.MouseButton.LeftButton)
        rest(qtbot, window)
    window.go("swap")
    rest(qtbot, window)
    assert page.test.file.missing == ()
    assert page.test.words.startswith("Swap test of ")
    assert page.test.words in texts(page, "head")
    moved = {one.name: one for one in page.moved.drawn.series}
    assert set(moved) == {f"{first} stood out by", f"{first} at the swap", f"{second} at the swap"}
    fell, rose = moved[f"{first} at the swap"], moved[f"{second} at the swap"]
    at = int(rose.y.argmax())
    assert rose.y[at] > 3
    assert fell.y[fell.words.index(rose.words[at])] < 0
    window.go("verdict")
    assert any(text.startswith("Swap test of ") and f"{first} with {second}" in text for text in texts(window.page))
    window.undo()  # the last reading goes
    rest(qtbot, window)
    assert window.session.bench.swapped(second) is None


def test_balancing_is_led_step_by_step_to_its_end(window, qtbot, tmp_path):
    """The rig takes the weights that are named, and knows what is left."""
    rig = replace(draw_craft(17), gain_scatter_db=0.05)
    motor = rig.motors[0]
    unbalance = motor.bell_gmm + motor.prop_gmm + draw_scatter(rig, 0, "prop", 0, 0).refit_gmm
    window.session.choose("south-west")
    window.go("balance")
    page = window.page
    page.rotor.setValue(25.0)
    page.pieces.setText("0.001,0.002,0.005,0.01,0.02,0.05,0.1")
    qtbot.mouseClick(page.begin, Qt.MouseButton.LeftButton)
    made = 0
    while page.bench.step.kind not in ("finished", "refused") and made < 30:
        step = page.bench.step
        if step.kind == "record":
            files = []
            for _ in range(sum(step.missing)):
                made += 1
                added = sum((weight.unbalance for weight in step.weights), 0j)
                recording, _ = record(rig, take=made, refit=0, tacho=True, added_gmm=added, duration_s=3.0)
                files.append(tmp_path / f"run-{made}.wav")
                soundfile.write(files[-1], recording.samples.T, round(recording.rate_hz), subtype="FLOAT")
            drop(page, files)
            rest(qtbot, window)
            continue
        assert any(" g at " in text for text in texts(page))
        assert "Fix every weight" in " ".join(texts(page, "caution"))
        qtbot.mouseClick(page.done, Qt.MouseButton.LeftButton)
        window.session.choose("north-east")
        window.session.choose("south-west")  # it goes on where it stood
    assert page.bench.step.kind == "finished"
    left = abs(unbalance + sum(weight.unbalance for weight in page.bench.job.now.weights)) / abs(unbalance)
    assert left < 0.15
    vectors = {one.name: one for one in page.polar.drawn.series}
    assert len(vectors) == len(page.bench.job.rounds)
    found, check = vectors["1: as found"], list(vectors.values())[-1]
    assert check.y[0] < 0.3 * found.y[0]
    qtbot.mouseClick(page.another, Qt.MouseButton.LeftButton)
    assert page.bench is None
    qtbot.mouseClick(page.begin, Qt.MouseButton.LeftButton)
    assert (page.bench.step.kind, page.bench.job.rounds) == ("record", (Round("as found"),))


def test_balancing_is_taken_back_step_by_step(window, qtbot, tmp_path):
    """A job keeps readings and work beside itself; they go with the step that kept them."""
    window.session.choose("south-west")
    window.go("balance")
    page = window.page

    def stands():
        motor = window.session.bench.motor("south-west")
        job = page.bench.job if page.bench else None
        return (len(motor.kept), len(motor.actions), job)

    seen = [stands()]
    qtbot.mouseClick(page.begin, Qt.MouseButton.LeftButton)
    seen.append(stands())
    files = [tmp_path / f"run-{take}.wav" for take in range(3)]
    for take, file in enumerate(files):
        recording, _ = record(bench_craft(), rotor=2, test="prop", take=60 + take, refit=3, tacho=True, duration_s=2.0)
        soundfile.write(file, recording.samples.T, round(recording.rate_hz), subtype="FLOAT")
    drop(page, files)
    rest(qtbot, window)
    seen.append(stands())
    page._do("balancing in spite of what speaks against it", page.bench.overrule)
    seen.append(stands())
    qtbot.mouseClick(page.done, Qt.MouseButton.LeftButton)
    assert page.bench.job.now.stage == "trial"
    assert [len(motor.kept) for motor in window.session.bench.case.motors] == [3, 3, 6, 3]
    while seen:
        qtbot.mouseClick(window.undo_button, Qt.MouseButton.LeftButton)
        rest(qtbot, window)
        assert stands() == seen.pop()
        if not window.session.changes:
            break
    assert seen == []


def test_a_run_up_is_shown_with_its_map_and_growth(window, qtbot, tmp_path):
    recording, _ = record(bench_craft(), rotor=0, test="run-up", duration_s=6.0)
    file = tmp_path / "up.wav"
    soundfile.write(file, recording.samples.T, round(recording.rate_hz), subtype="FLOAT")
    session = window.session
    session.keep(session.measure([file], Stated("north-east", "run-up", sensor="contact")))
    window.reload()
    rest(qtbot, window)
    session.choose("north-east")
    window.go("run-up")
    page = window.page
    qtbot.wait(30)
    assert page.map.map.kind == "order map"
    rpm = float(page.map.map.rpm[-1])
    page._pressed(2.0, rpm)
    assert page.asked_hz == pytest.approx(2 * rpm / 60)
    qtbot.mouseClick(page.hertz, Qt.MouseButton.LeftButton)
    assert page.map.map.x_unit == "Hz"
    assert page.growth is not None
