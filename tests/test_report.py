import base64
import io
import math
import re
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser

import numpy as np
import pytest
from PIL import Image

from tests.wren4 import POSITIONS, WELL, diagnoses, reading, readings
from vibekit.errors import UsageError
from vibekit.picture import Picture, read_picture
from vibekit.problem import Problem, Screening
from vibekit.reading import Curve, SpeedResult
from vibekit.report import MotorPage, Note, ReportContents, headline, render, write_report
from vibekit.turning import BLADES, HANDS, POWER

VOID = {"meta", "br", "img", "link", "input", "hr", "col", "wbr"}
EVIL = '<script>alert("1")</script>\'" onload=x'


class Page(HTMLParser):
    """What a page holds; fails where tags do not close in order."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.ids, self.references, self.addresses, self.tags, self.cells, self.words = [], [], [], [], [], [], []
        self.feed(text)
        self.close()
        assert not self.open, f"not closed: {self.open}"

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        if tag not in VOID:
            self.open.append(tag)
        self._look(attributes)
        if tag in ("td", "th", "dd"):
            self.cells.append("")

    def handle_startendtag(self, tag, attributes):
        self.tags.append(tag)
        self._look(attributes)

    def _look(self, attributes):
        for name, value in attributes:
            assert not name.startswith("on"), f"an event handler: {name}"
            if name == "id":
                self.ids.append(value)
            if name in ("href", "xlink:href", "src", "data", "action"):
                (self.references if value.startswith("#") else self.addresses).append(value)
            self.references += re.findall(r"url\((#[^)]+)\)", value or "")

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "title"):
            self.words.append(data)
        if any(tag in ("td", "th", "dd") for tag in self.open):
            self.cells[-1] += data

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


def contents(**changes):
    r, d = readings(), diagnoses()
    motors = tuple(MotorPage(p, (r[p],), (), d[p]) for p in POSITIONS)
    about = (Note("workshop", "Lerchenfeld Rotor Bench, Amsel"), Note("owner", "J. Amsler"))
    made_at = datetime(2026, 11, 25, 14, 0, tzinfo=UTC)
    whole = ReportContents("Wren-4", made_at, motors, "0.1.0", about, (*HANDS, *POWER, *BLADES), ("spun by hand", "flight"))
    return replace(whole, **changes)


@pytest.fixture(scope="module")
def text():
    return render(contents())


@pytest.fixture(scope="module")
def page(text):
    return Page(text)


def test_nothing_is_fetched_and_no_script_is_needed(text, page):
    assert not [address for address in page.addresses if not address.startswith("data:")]
    assert "script" not in page.tags
    assert "link" not in page.tags
    assert set(re.findall(r"https?://[^\s\"'<)]+", text)) <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
    assert "@import" not in text
    assert not re.search(r"url\(['\"]?(?!#)", text)


def test_ids_are_unique_and_what_is_referred_to_exists(page):
    assert len(page.ids) == len(set(page.ids))
    assert {reference.removeprefix("#") for reference in page.references} <= set(page.ids)


def test_the_first_screen_says_what_to_do(page):
    start = page.text[: page.text.index("All motors side by side")]
    assert "North-east, south-east and south-west call for work. No fault found on north-west by these tests." in start
    for position, state in zip(POSITIONS, ("act", "act", "act", "no fault found"), strict=True):
        assert re.search(rf"{position} {state}", start)
    first = start[start.index("Do first") :]
    assert first.index("south-west") < first.index("south-east") < first.index("north-east")  # what may come off, then the surest
    assert "Caution" in first
    assert "Not tested: spun by hand; flight." in start
    assert "Nothing here is a permission to fly." in start


def test_verdicts_come_with_evidence_probabilities_and_look_alikes(page):
    assert "Bearing rough or gritty: very likely (93 %)." in page.text
    assert "3x stands 19 dB above the middle of the other motors" in page.text
    assert "13 times likelier than otherwise" in page.text
    assert "1.3 times less likely than otherwise" in page.text
    assert "propeller uneven unlikely (17 %)" in page.text
    assert "No fault found by these tests; not tested: spun by hand, run bare, without propeller, run up with its propeller." in page.text


def test_every_motor_has_its_cautions(page):
    assert page.text.count("Caution") == 2 + len(POSITIONS)


def test_every_number_of_a_reading_has_an_interval_and_a_unit(page):
    values = [cell for cell in page.cells if re.search(r"\d ± \d|\d \(interval|at most", cell)]
    lines = sum(len(r.orders) + sum(q.unit == "dB" for q in r.quantities) for r in readings().values())
    assert len([v for v in values if re.search(r"\)?·?[\d⁻⁰-⁹]* ?(g|dB)\b", v)]) == lines
    bare = [cell for cell in page.cells if re.fullmatch(r"[-−]?\d+(\.\d+)?", cell.strip())]
    assert bare == []


def test_each_number_can_be_made_again(page):
    for one in readings().values():
        assert one.file in page.text
        assert one.sha256 in page.text
    assert "14 poles" in page.text
    assert "bearing 7 balls 1.2/5 mm at 0°" in page.text
    assert "order tracked to the tacho" in page.text


def test_the_screening_is_told(page):
    assert "note (hum): A mains line at 50 Hz is present." in page.text
    assert page.text.count("Screening found nothing wrong with the recording.") == 3


def test_all_drawings_of_one_kind_have_one_scale(text):
    for kind in ("order", "envelope"):
        ticks = [re.findall(rf'id="drawn-1-{n}-{kind}-[xy]tick_\d+"', text) for n in range(1, 5)]
        assert ticks[0]
        assert len({len(each) for each in ticks}) == 1


def test_what_the_user_wrote_is_text_only():
    r, d = readings(), diagnoses()
    motors = [MotorPage(p, (replace(r["north-east"], file=EVIL, engine=EVIL),), (), d["north-east"]) for p in (EVIL, "north-east")]
    motors[1] = replace(motors[1], inspection=(Note(EVIL, EVIL),), parts=(Note(EVIL, EVIL),), about=(Note(EVIL, EVIL),))
    evil = Page(render(contents(title=EVIL, motors=tuple(motors), about=(Note(EVIL, EVIL),), not_tested=(EVIL,), left_open=(EVIL,))))
    assert "script" not in evil.tags
    assert evil.text.count('<script>alert("1")</script>') >= 12


def test_the_same_contents_give_the_same_page():
    one, two = (render(contents(motors=contents().motors[:1])) for _ in range(2))
    assert one == two


def test_the_baseline_is_drawn_and_listed():
    motors = list(contents().motors)
    before = replace(reading("south-east", WELL, seed=9), file="before.wav")
    motors[1] = replace(motors[1], baselines=(before,))
    with_past = Page(render(contents(motors=tuple(motors[:2]))))
    assert "over 1 other motor (grey) and its baseline (dashed)" in with_past.text
    assert "south-east, baseline" in with_past.text


def test_a_baseline_may_be_the_very_same_recording():
    one = readings()["north-west"]
    twice = Page(render(contents(motors=(MotorPage("north-west", (one,), (readings()["north-west"],), None),))))
    assert twice.text.count(one.sha256) == 2


def test_without_a_shaft_speed_the_noise_is_drawn():
    one = readings()["north-west"]
    noise = Curve("noise", np.geomspace(50, 10_000, 60), np.linspace(-60, -90, 60), "Hz", "dB re 1 g^2/Hz", 3.0)
    still = replace(one, orders=(), curves=(noise,), speed=SpeedResult("none"))
    shown = Page(render(contents(motors=(MotorPage("north-west", (still,), (), None),))))
    assert "without a shaft speed there are no orders" in shown.text
    assert "noise, dB re 1 g^2/Hz" in shown.text
    assert "frequency, Hz" in shown.text


def test_a_reading_of_another_set_up_is_not_drawn_over():
    motors = list(contents().motors[:3])
    one = motors[2].readings[0]
    heard = replace(one, settings=replace(one.settings, sensor="microphone"), channels=(("vibration", "FS"),))
    motors[2] = replace(motors[2], readings=(heard,))
    mixed = Page(render(contents(motors=tuple(motors))))
    assert mixed.text.count("over 1 other motor (grey)") == 4
    assert mixed.text.count("with nothing to compare it with") == 2


def test_a_motor_without_a_reading_is_named():
    motors = (contents().motors[0], MotorPage("north-west"))
    missing = Page(render(contents(motors=motors)))
    assert "2 north-west cannot tell not measured" in missing.text
    assert "north-west: Record this motor." in missing.text
    assert "Not judged: there is no recording to judge by." in missing.text


def test_numbers_that_are_none_can_be_written():
    one = readings()["north-east"]
    lines = (replace(one.orders[1], amplitude=math.nan), replace(one.orders[2], u95=math.nan))
    quantities = (replace(one.quantities[1], value=math.nan), replace(one.quantities[2], u95=math.nan))
    stop = Screening((Problem("too-short", "stop", "Too short. Record longer."),))
    odd = replace(one, orders=lines, quantities=quantities)
    unfit = replace(one, orders=(), quantities=(), curves=(), screening=stop)
    motors = (MotorPage("north-east", (odd, unfit), (), diagnoses()["north-east"]),)
    strange = Page(render(contents(motors=motors)))
    assert "not measured" in strange.text
    assert "interval not known" in strange.text
    assert "not fit to judge" in strange.text
    assert "nan" not in strange.text
    assert "inf" not in re.findall(r"\w+", strange.text)


def test_motors_that_ask_for_the_same_are_named_together():
    """Eight motors without a verdict make one step, not eight; a single motor stands beside nothing."""
    names = [f"arm {n}" for n in range(1, 9)]
    asked = contents(motors=tuple(MotorPage(name) for name in names))
    assert [(state.code, positions) for state, positions, _ in asked.steps] == [("cannot-tell", "arm 1, arm 2, arm 3, arm 4, arm 5, arm 6, "
                                                                                  "arm 7 and arm 8")]  # fmt: skip
    assert "All motors side by side" in render(asked)
    assert "All motors side by side" not in render(contents(motors=(MotorPage("arm 1"),)))


def test_headlines_agree_in_number():
    some = contents()
    assert headline(replace(some, motors=some.motors[:1])) == "North-east calls for work."
    assert headline(replace(some, motors=some.motors[3:])) == "No fault found on north-west by these tests."
    assert headline(replace(some, motors=(MotorPage("a"), MotorPage("b")))) == "What is up with a and b cannot be told yet."


def test_a_report_needs_a_motor():
    with pytest.raises(UsageError, match="0 motors"):
        contents(motors=())


def test_a_report_is_written_whole_or_not_at_all(tmp_path, monkeypatch):
    target = tmp_path / "report.html"
    target.write_text("old")
    write_report(contents(motors=contents().motors[:1]), target)
    assert target.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    written = target.read_text(encoding="utf-8")
    monkeypatch.setattr("pathlib.Path.replace", lambda self, to: (_ for _ in ()).throw(OSError(28, "No space left on device")))
    with pytest.raises(UsageError, match="No space left"):
        write_report(contents(motors=contents().motors[1:2]), target)
    assert target.read_text(encoding="utf-8") == written
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]


@pytest.mark.parametrize("name", ["report.doc", "report", "report.html.gz"])
def test_other_kinds_of_file_are_refused(tmp_path, name):
    with pytest.raises(UsageError, match=r"\.html"):
        write_report(contents(), tmp_path / name)


def test_a_place_that_is_not_there_is_one_line(tmp_path):
    with pytest.raises(UsageError, match="choose another place") as caught:
        write_report(contents(motors=contents().motors[:1]), tmp_path / "nowhere" / "report.html")
    assert "\n" not in str(caught.value)


def test_photos_are_upright_small_and_tell_no_place(tmp_path):
    exif = Image.Exif()
    exif[0x0112] = 6  # orientation: turn by 90 degrees
    exif[0x010F] = "maker of the camera"
    exif.get_ifd(0x8825)[1] = "N"  # position
    Image.new("RGB", (2400, 1600), "white").save(tmp_path / "blade.jpg", exif=exif)
    photo = read_picture(tmp_path / "blade.jpg", "nick at the tip")
    raw = base64.b64decode(photo.data)
    with Image.open(io.BytesIO(raw)) as picture:
        assert picture.size == (800, 1200)
        assert not picture.getexif()
    assert b"maker" not in raw
    motors = (replace(contents().motors[1], photos=(photo, Picture("<b>", photo.data))),)
    shown = Page(render(contents(motors=motors)))
    assert [address[:23] for address in shown.addresses] == ["data:image/jpeg;base64,"] * 2
    assert "nick at the tip" in shown.text


def test_what_is_no_picture_is_refused(tmp_path):
    (tmp_path / "blade.jpg").write_text("no picture")
    with pytest.raises(UsageError, match=r"nothing\.jpg': there is no such file"):
        read_picture(tmp_path / "nothing.jpg", "")
    with pytest.raises(UsageError, match="cannot be read as a picture"):
        read_picture(tmp_path / "blade.jpg", "")
