"""The report of a craft: one HTML file that needs nothing else, to read on a screen or on paper."""

import math
import os
import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from vibekit import marks, wording
from vibekit.comparison import folded, key_words
from vibekit.craft_verdict import CraftVerdict, craft_verdict, pressing, suspect_words
from vibekit.drawings import coast_downs, drawings_of, groups_of, side_by_side
from vibekit.errors import UsageError
from vibekit.finding import Conclusion, Diagnosis
from vibekit.outline import outline_of
from vibekit.pdf import Paper, write_pdf
from vibekit.picture import Picture
from vibekit.quantity_list import hidden_words, quantity_rows
from vibekit.reading import Reading
from vibekit.turning import ADVICE

if TYPE_CHECKING:
    import jinja2
    from markupsafe import Markup


@dataclass(frozen=True, slots=True)
class Note:
    """A line with what it is about: a question and its answer, a day and what was done, a label and its value."""

    label: str
    text: str


@dataclass(frozen=True, slots=True)
class MotorPage:
    """What the report says about one motor.

    position: the owner's name of the rotor; readings: oldest first; baselines: earlier readings of the same motor when it was well
    diagnosis: of this motor, None when it was not judged
    about: its motor, propeller and bearings; inspection: questions and answers; parts: what was done, by day
    propeller_or_motor: what swaps, bare readings and refits say, a sentence each
    """

    position: str
    readings: tuple[Reading, ...] = ()
    baselines: tuple[Reading, ...] = ()
    diagnosis: Diagnosis | None = None
    about: tuple[Note, ...] = ()
    inspection: tuple[Note, ...] = ()
    parts: tuple[Note, ...] = ()
    photos: tuple[Picture, ...] = ()
    propeller_or_motor: tuple[str, ...] = ()

    @property
    def conclusion(self) -> Conclusion | None:
        """The conclusion for this motor, None when it was not judged."""
        return self.diagnosis.conclusion if self.diagnosis else None

    @property
    def state(self) -> marks.State:
        """How this motor stands."""
        return marks.state_of(self.conclusion)

    @property
    def not_recorded(self) -> list[str]:
        """Kinds of bench test without a usable recording, in words."""
        return wording.not_recorded(reading.settings.test for reading in self.readings if reading.screening.usable)


@dataclass(frozen=True, slots=True)
class ReportContents:
    """Everything a report holds.

    title: usually the craft's name; made_at: when the report was made; motors: in running order; engine: version that made it
    about: craft, owner, job, set-up; cautions: for all work on this craft; not_tested: in words
    left_open: what is not known of the craft and what that leaves open
    comparison: rows of the table of each motor against every reference, see vibekit.comparison
    """

    title: str
    made_at: datetime
    motors: tuple[MotorPage, ...]
    engine: str
    about: tuple[Note, ...] = ()
    cautions: tuple[str, ...] = ()
    not_tested: tuple[str, ...] = ()
    left_open: tuple[str, ...] = ()
    comparison: tuple[tuple[str, ...], ...] = ()

    def __post_init__(self) -> None:
        if not self.motors:
            raise UsageError("a report has 0 motors; it needs at least one: add a recording first")

    @property
    def state(self) -> marks.State:
        """How the craft stands: as its most pressing motor."""
        return marks.most_pressing(motor.state for motor in self.motors)

    @property
    def verdict(self) -> CraftVerdict | None:
        """The one conclusion for the craft, None when no motor was judged."""
        judged = {m.position: m.diagnosis for m in self.motors if m.diagnosis}
        looked = [m.position for m in self.motors if m.inspection]
        return craft_verdict(judged, {m.position: m.readings for m in self.motors}, looked) if judged else None

    @property
    def in_order_of_need(self) -> list[MotorPage]:
        """The motors, most pressing first; among equals what may come off, then the surest."""
        return sorted(self.motors, key=lambda m: (m.state.rank, pressing(m.conclusion) if m.conclusion else (math.inf, 0.0)))

    @property
    def steps(self) -> list[tuple[marks.State, str, str]]:
        """What to do, most pressing first: state, motors and action; motors that ask for the same are named together."""
        found: dict[tuple[marks.State, str], list[str]] = {}
        for motor in self.in_order_of_need:
            if motor.state is not marks.NO_FAULT_FOUND:
                found.setdefault((motor.state, _action(motor)), []).append(motor.position)
        return [(state, wording.listed(positions), action) for (state, action), positions in found.items()]


def _action(motor: MotorPage) -> str:
    return wording.sentence(wording.action_words(motor.conclusion)).rstrip(".")


def render(contents: ReportContents) -> str:
    """Give the report as one HTML page: style and pictures inside, no script, nothing fetched.

    The same contents give the same text.
    """
    groups = groups_of([(motor.position, motor.readings, motor.baselines) for motor in contents.motors])
    drawn = {id(member.reading): drawings_of(group, member) for group in groups for member in group.members}
    columns, rows, idle = folded(contents.comparison)
    page = environment().get_template("report.html")
    return page.render(
        report=contents,
        sheet=style_sheet(),
        columns=columns,
        rows=rows,
        key=" ".join([key_words(), *idle]),
        states=marks.STATES,
        together=[drawing for group in groups for drawing in (coast_downs(group), side_by_side(group)) if drawing is not None],
        drawings=lambda reading: drawn.get(id(reading), []),
        advice=f"{ADVICE} Nothing here is a permission to fly.",
        outline=outline_of([motor.position for motor in contents.motors]),
    )


def check_name(path: str | Path) -> Path:
    """Give the path of a report. Raises UsageError when its name ends in neither .html nor .pdf."""
    path = Path(path)
    if path.suffix.lower() not in (".html", ".htm", ".pdf"):
        raise UsageError(f"report file is {str(path)!r}; its name must end in .html or .pdf")
    return path


def write_report(contents: ReportContents, path: str | Path, paper: Paper = "A4") -> None:
    """Write the report; a file of that name is replaced in one step or not at all.

    Raises UsageError when the name ends in neither .html nor .pdf, the place cannot be written, or a PDF cannot be made here.
    """
    write_page(render(contents), path, paper)


def write_page(page: str, path: str | Path, paper: Paper = "A4") -> None:
    """Write a page as HTML or PDF, as the file's name says. Raises as `write_report` does."""
    path = check_name(path)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        if path.suffix.lower() == ".pdf":
            write_pdf(page, part, paper)
        else:
            part.write_text(page, encoding="utf-8")
        part.replace(path)
    except OSError as error:
        raise UsageError(f"report file {str(path)!r} cannot be written: {error.strerror}; choose another place") from None
    finally:
        part.unlink(missing_ok=True)


def headline(contents: ReportContents) -> str:
    """Say in one or two sentences how the craft stands."""
    return wording.headline({motor.position: motor.state for motor in contents.motors})


def environment() -> "jinja2.Environment":
    """Give the templates with their filters: words come from vibekit.wording, numbers with their intervals."""
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    made = Environment(loader=PackageLoader("vibekit"), autoescape=True, undefined=StrictUndefined)
    made.filters |= {
        "brief": lambda motor: "not measured" if motor.conclusion is None else wording.conclusion_words(motor.conclusion),
        "condition": wording.condition_words,
        "factor": wording.factor,
        "file": lambda name: re.split(r"[/\\\\]", name)[-1],  # where it lay is nobody else's concern
        "headline": headline,
        "hidden": hidden_words,
        "interval": wording.with_interval,
        "line_words": wording.line_words,
        "likelihood": wording.likelihood,
        "moment": lambda moment: moment.strftime("%Y-%m-%d %H:%M %Z").strip(),
        "quantities": quantity_rows,
        "sensor": lambda reading: wording.SENSOR_WORDS[reading.settings.sensor],
        "sentence": wording.sentence,
        "shape": lambda state: Markup(marks.shape_of(state)),
        "speed": wording.speed_words,
        "stated": lambda reading: wording.settings_words(reading.settings),
        "act": lambda motor: wording.act_words(motor.conclusion),
        "caution": lambda motor: [text for text in [wording.caution_words(motor.conclusion)] if text],
        "suspect": suspect_words,
        "title": wording.title_of,
        "verdict": lambda motor: wording.verdict(motor.conclusion, motor.not_recorded),
    }
    return made


def style_sheet() -> "Markup":
    """Give the style sheet with the palette."""
    from importlib.resources import files

    from markupsafe import Markup

    light, dark = (
        ":root { " + " ".join(f"--{name}: {colour};" for name, colour in marks.colours(theme).items()) + " }" for theme in ("light", "dark")
    )
    sheet = (files("vibekit.templates") / "style.css").read_text(encoding="utf-8")
    return Markup(f"{light}\n@media screen and (prefers-color-scheme: dark) {{ {dark} }}\n{sheet}")
