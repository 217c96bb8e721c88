"""What `vibekit phone` says and keeps, without a phone: its words are those of the page, its readings those of the archive."""

import argparse
import re

import numpy as np
import pytest
import soundfile

from tests.test_imports import ROOT
from vibekit.archive import Archive
from vibekit.capture.phone.motion import HEADER
from vibekit.capture.phone.plan import Delivery
from vibekit.capture.reader import Reader
from vibekit.commands.keeping import Shelf
from vibekit.commands.phone import _Judge, _plan
from vibekit.craft_file import craft_from
from vibekit.place import find_place
from vibekit.settings import Settings
from vibekit.turning import WAYS

TEXT = 'name = "Wren-4"\nturned = "bench-controller"\n[[rotor]]\nposition = "north-east"\n'
RATE = 48_000


@pytest.mark.parametrize(("said", "shown"), [(None, "20 s"), ("8s", "8 s"), ("2min", "120 s")])
@pytest.mark.parametrize("test", ["bare", "prop", "run-up"])
def test_the_page_says_the_length_that_it_records(said, shown, test):
    plan = _plan(argparse.Namespace(position=None, length=said), craft_from(TEXT, "wren-4.toml"), Settings(test=test))
    assert re.findall(r"\d+ s\b", plan.how) == [shown]
    assert shown == f"{plan.seconds:g} s"


@pytest.mark.parametrize("way", WAYS.values(), ids=WAYS)
def test_each_step_that_names_a_time_names_the_one_stated(way):
    for step in way.plan:
        assert ("20 s" in step.how) == (step.test != "hand-spin")
        assert step.how_for(7.5) == step.how.replace("20 s", "7.5 s")
        assert step.how_for(None) == step.how


def test_a_log_that_the_phone_keeps_has_the_head_of_one_that_it_sends():
    page = (ROOT / "capture" / "phone" / "web" / "file.js").read_text(encoding="utf-8")
    assert f'const lines = ["{HEADER.rstrip()}"]' in page


def test_all_of_a_recording_stands_in_the_place_of_its_beginning(tmp_path, monkeypatch, capsys):
    """Else a phone that came back too late leaves two readings of one run, which count as two witnesses."""
    monkeypatch.setenv("VIBEKIT_ARCHIVE", str(tmp_path / "archive"))
    rng = np.random.default_rng(0)
    time = np.arange(8 * RATE) / RATE
    sound = sum(0.1 / k * np.sin(2 * np.pi * 100 * k * time) for k in (1, 2, 3)) + rng.normal(0, 0.01, len(time))
    paths = [tmp_path / "beginning.wav", tmp_path / "whole.wav", tmp_path / "another.wav"]
    for path, samples in zip(paths, (sound[: 4 * RATE], sound, np.roll(sound, 1000)), strict=True):
        soundfile.write(path, samples, RATE, subtype="FLOAT")
    judge = _Judge(Shelf(craft_from(TEXT, "wren-4.toml"), TEXT), Settings(test="bare"), Reader())
    judge(Delivery(paths[0], "north-east", "microphone"))
    with Archive(find_place()) as archive:
        (part,) = archive.readings("Wren-4")
    judge(Delivery(paths[1], "north-east", "microphone", beginnings=(paths[0],)))
    assert "it stands in its place" in capsys.readouterr().out
    judge(Delivery(paths[2], "north-east", "microphone"))
    with Archive(find_place()) as archive:
        kept = archive.readings("Wren-4")
        assert archive.kept_at(part.recording) == []
    assert [round(each.reading.duration_s) for each in kept] == [8, 8]
    assert part.stored.exists()
