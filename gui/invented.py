"""The demo's craft put into the archive, for looking around. No Qt."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from vibekit.analysis import analyze
from vibekit.archive import Archive
from vibekit.capture.reader import Reader
from vibekit.craft import settings_for
from vibekit.craft_file import craft_text
from vibekit.gui.steps import Step, quietly
from vibekit.inspection import Inspection
from vibekit.inspection_file import load_answers
from vibekit.kept import NewReading
from vibekit.packing import pack
from vibekit.scene import ANSWERS, PLAN, POSITIONS, described, make_recordings, speed_rpm

SETUP = "contact pick-up on the arm"


def put_invented(archive: Archive, step: Step = quietly) -> str:
    """Make the recordings of the demo's scene, analyse and keep them with its eye-and-hand check; give the craft's name."""
    craft = described()
    count = len(POSITIONS) * sum(2 * takes + 1 for _, takes in PLAN)
    new = []
    with TemporaryDirectory() as folder:
        for number, take in enumerate(make_recordings(Path(folder))):
            step(number / count, f"recording and analysing {take.position}, {number + 1} of {count}")
            settings = replace(settings_for(craft, take.position, take.test), sensor="contact", speed_rpm=float(speed_rpm()))
            reader = Reader()
            reading = analyze(reader.read(take.path), settings)
            new.append(NewReading(take.position, take.path, reading, SETUP, pack(reader), take.taken_at))
        answers = Path(folder) / "answers.toml"
        answers.write_text(ANSWERS, encoding="utf-8")
        archive.put_craft(craft_text(craft), craft)
        archive.put_readings(craft, new)
        archive.put_inspection(Inspection(craft.name or "", datetime.now(UTC), load_answers(answers, craft).answers))
    return craft.name or ""
