"""The pages that are handed over, on a phone: they are read downwards, never sideways."""

from dataclasses import replace

import pytest

from tests.browsers import CHROMIUM, sideways
from tests.test_proof import proof
from tests.test_report import contents
from vibekit.archive import Archive
from vibekit.catalogue import load_catalogue
from vibekit.finding import Evidence
from vibekit.gathering import contents_from_archive
from vibekit.place import find_place
from vibekit.proof_page import render_proof
from vibekit.report import Note, render

LONGEST = max(load_catalogue().conditions, key=lambda condition: len(condition.words)).condition
PHONES = (390, 360, 320)  # px: two phones of today (common practice, no source), and what WCAG 2.2, 1.4.10 asks for


def wordy(diagnosis):
    """The same with evidence whose weight takes the most words."""
    said = Evidence("1x stands 12 dB above the others", True, 3.2, LONGEST), Evidence("3x does not", False, -3.2, LONGEST)
    return replace(diagnosis, findings=tuple(replace(f, evidence=(*f.evidence, *said)) for f in diagnosis.findings))


def report(folder):
    with Archive(find_place(folder / "archive"), create=False) as archive:
        made = contents_from_archive(archive, "Wren-4")
    motors = tuple(replace(motor, diagnosis=wordy(motor.diagnosis)) for motor in made.motors)
    return replace(made, motors=motors, about=(*made.about, Note("serial", "L" * 80)))


@pytest.fixture(scope="module")
def chromium(playwright):
    browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
    yield browser
    browser.close()


@pytest.fixture(scope="module")
def pages(wren_bench):
    taken = contents()
    named = tuple(replace(m, readings=(replace(m.readings[0], file="recording_" * 12 + ".wav"),)) for m in taken.motors)
    return {
        "report of a craft": render(report(wren_bench)),
        "report of files": render(replace(taken, motors=named)),
        "before and after": render_proof(proof()),
    }


@pytest.mark.parametrize("width", PHONES)
@pytest.mark.parametrize("name", ["report of a craft", "report of files", "before and after"])
def test_no_page_is_read_sideways(chromium, pages, name, width):
    page = chromium.new_page(viewport={"width": width, "height": 844})
    page.set_content(pages[name])
    assert sideways(page) == []
    page.close()
