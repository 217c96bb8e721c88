"""Balancing through the whole path: recordings of the rig in, masses out, put on the rig, recorded again; kept whatever stops it."""

import io
import json
import os
import signal
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime

import pytest
import soundfile

from vibekit.analysis import analyze
from vibekit.archive import Archive
from vibekit.balance_job import BalanceJob, Round, Take
from vibekit.balance_step import next_step
from vibekit.cli import main
from vibekit.craft_file import craft_text
from vibekit.curable import check_reading, find_obstacles
from vibekit.errors import UsageError
from vibekit.mode import FrameMode
from vibekit.place import find_place
from vibekit.rig import Disturbance, Fault, draw_craft, record
from vibekit.rig.scatter import draw_scatter
from vibekit.scene import described
from vibekit.spots import spots_from
from vibekit.vector import vector_of

NAME, POSITION = "Wren-4", "north-east"


class Shop:
    """The invented workshop: a rig rotor that takes weights, and an archive. The sensor stays put, so its gain does."""

    def __init__(self, folder, seed, tacho=True):
        self.folder, self.tacho, self.made = folder, tacho, 0
        self.craft = replace(draw_craft(seed), gain_scatter_db=0.05)
        motor = self.craft.motors[0]
        self.unbalance = motor.bell_gmm + motor.prop_gmm + draw_scatter(self.craft, 0, "prop", 0, 0).refit_gmm
        self.toml = folder / "wren-4.toml"
        propeller = replace(described().rotors[0].propeller, blades=self.craft.blades, mass_g=round(self.craft.prop_g, 1))
        rotors = tuple(replace(rotor, propeller=propeller) for rotor in described().rotors)
        self.toml.write_text(craft_text(replace(described(), rotors=rotors)), encoding="utf-8")

    def recordings(self, count, weights=()):
        paths = []
        for _ in range(count):
            self.made += 1
            added = sum((weight.unbalance for weight in weights), 0j)
            recording, _ = record(self.craft, take=self.made, refit=0, tacho=self.tacho, added_gmm=added)
            paths.append(str(self.folder / f"run-{self.made}.wav"))
            soundfile.write(paths[-1], recording.samples.T, round(recording.rate_hz), subtype="FLOAT")
        return paths

    def words(self, *files):
        roles = "vibration,tacho" if self.tacho else "vibration"
        return ["balance", str(self.toml), POSITION, *files, "--sensor", "contact", "--roles", roles]

    @property
    def job(self):
        with Archive(find_place()) as archive:
            return archive.balances(NAME, POSITION)[-1].job


@pytest.fixture(autouse=True)
def archive(tmp_path, monkeypatch):
    monkeypatch.setenv("VIBEKIT_ARCHIVE", str(tmp_path / "archive"))


@pytest.mark.parametrize(("seed", "method", "share"), [(17, "phase", 0.1), (20, "phase", 0.1), (5, "amplitude", 0.2)])
def test_from_recordings_to_masses_and_back(tmp_path, capsys, seed, method, share):
    """The rig knows the truth: what is left, as a share of the first unbalance."""
    shop = Shop(tmp_path, seed, tacho=method == "phase")
    begin = ["--method", method, "--places", "blades@45", "hub@6", "--step", "0.0005", "--rotor-mass", "25", "--setup", "on the arm"]
    begin += [] if shop.tacho else ["--speed", f"{shop.craft.test_rpm:.0f}rpm"]
    assert main([*shop.words(*shop.recordings(3)), *begin]) == 0
    while next_step(shop.job).kind not in ("finished", "refused"):
        step = next_step(shop.job)
        assert main(shop.words(*shop.recordings(3, step.weights))) == 0
    job, said = shop.job, capsys.readouterr().out
    assert next_step(job).kind == "finished"
    left = abs(shop.unbalance + sum(weight.unbalance for weight in job.now.weights)) / abs(shop.unbalance)
    assert left <= share
    assert "pulls with" in said
    assert "Fix every weight so that it cannot leave" in said
    with Archive(find_place()) as archive:
        assert len(archive.balances(NAME)[0].recordings) == shop.made
        assert [a.did for a in archive.actions(NAME, POSITION)][-1] == "balanced"
        trials = sum(len(r.takes) for r in job.rounds if r.stage == "trial")
        assert len(archive.readings(NAME, POSITION)) == shop.made - trials  # with a trial weight on it is no state of the motor
    if method == "phase" and seed == 17:
        path = tmp_path / "proof.html"
        day = f"{job.rounds[0].takes[0].at.astimezone():%Y-%m-%d}"
        assert main(["report", NAME, "--before", day, "--after", day, "-o", str(path), "--note", "marked to its shaft"]) == 0
        text = path.read_text(encoding="utf-8")
        assert "1x fell" in text
        assert "marked to its shaft" in text
        assert job.rounds[0].takes[0].sha256 in text


def test_kill_9_between_two_runs_loses_nothing(tmp_path):
    shop = Shop(tmp_path, 17)
    first, second, third = shop.recordings(3)
    words = [*shop.words(), "--method", "phase", "--places", "blades@45", "hub@6", "--step", "0.001"]
    start = [sys.executable, "-c", "import sys; from vibekit.cli import main; sys.exit(main())"]
    talk = subprocess.Popen([*start, *words], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=os.environ)
    talk.stdin.write(f"{first}\n{second}\n")
    talk.stdin.flush()
    for line in talk.stdout:
        if "run-2.wav: 1x" in line:
            break
    talk.send_signal(signal.SIGKILL)
    talk.communicate()
    assert [len(r.takes) for r in shop.job.rounds] == [2]
    assert main(shop.words(third)) == 0
    assert [len(r.takes) for r in shop.job.rounds] == [3]
    assert next_step(shop.job).kind == "trial"
    assert main(["archive", "check"]) == 0


def test_a_conversation(tmp_path, monkeypatch, capsys):
    """Questions are asked; a wrong answer is told and asked again; other weights than asked for are counted."""
    shop = Shop(tmp_path, 17)
    lines = ["nothing.wav", *shop.recordings(2), "mounted hole 9=1", "mounted blade 1=0.02"]
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n".join(lines) + "\n"))
    assert main([*shop.words(), "--method", "phase", "--places", "blades@45", "--repeats", "2"]) == 0
    said = capsys.readouterr().out
    assert "nothing.wav" in said
    assert "write such as 'blade 1=0.012'" in said
    assert [(w.spot.name, w.mass_g) for w in shop.job.now.weights] == [("blade 1", 0.02)]
    assert shop.job.now.stage == "trial"
    trial = shop.recordings(2, shop.job.now.weights)
    assert main([*shop.words(*trial), "--json"]) in (0, 1)
    step = json.loads(capsys.readouterr().out)
    assert step["schema"] == "vibekit.balance/1"
    assert step["step"]["kind"] in ("correct", "trial", "finished")
    assert main([*shop.words(), "--end", "propeller broke"]) == 0
    assert shop.job.ended == "propeller broke"
    assert main([*shop.words(), "--end", "x", "--trim", "--method", "phase", "--places", "blades@45", "--setup", ""]) == 0
    with Archive(find_place()) as archive:
        assert len(archive.balances(NAME)) == 2
        assert archive.balances(NAME)[-1].job.borrowed


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--method", "phase", "--places", "blade@45"], "write blades@45"),
        (["--method", "loud", "--places", "blades@45"], "method is 'loud'; choose one of 'phase', 'amplitude'"),
        (["--method", "phase", "--places", "blades@45", "--tape", "0.1"], "--tape is '0.1'"),
        (["--method", "phase", "--places", "blades@45", "--pieces", "a"], "--pieces is 'a'"),
        (["--method", "amplitude", "--places", "blades@45"], "mirror image"),
        (["--method", "phase", "--places", "blades@45", "--grade", "6.3", "--repeats", "1", "--json"], "repeats is 1"),
        (["--method", "phase", "--places", "blades@45", "--grade", "0"], "grade is 0; it must be above 0"),
        (["--method", "phase", "--places", "blades@45", "--rotor-mass", "-3"], "rotor_g is -3"),
        (["--method", "phase", "--places", "blades@45", "--test", "bare"], "--test is 'bare'"),
    ],
)
def test_wrong_usage_is_one_line(tmp_path, capsys, more, said):
    shop = Shop(tmp_path, 17)
    assert main([*shop.words(), *more]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1


def as_found(craft, fault=None, tacho=True):
    job, readings = BalanceJob(NAME, POSITION, "phase", spots_from(["blades@45"], craft.blades), propeller_g=4.0), []
    for take in range(3):
        recording, _ = record(craft, take=take, refit=0, tacho=tacho, fault=fault)
        settings = craft.settings("prop")
        readings.append(analyze(recording, settings))
        job = job.add(Take(vector_of(recording, settings), f"{take}.wav", f"{take}", datetime.now(UTC)))
    return job, readings


def test_what_balancing_cannot_cure_is_refused_with_the_reason():
    craft = replace(draw_craft(17), gain_scatter_db=0.05)
    job, readings = as_found(craft)
    sound, _ = record(craft, test="bare", take=9)
    bent, _ = record(craft, test="bare", take=9, fault=Fault("bent-shaft", 30.0, 0))
    bare = [analyze(each, craft.settings("bare")) for each in (sound, bent)]
    assert find_obstacles(job, readings, bare[:1]) == ()
    assert [o.code for o in find_obstacles(job, readings, bare[1:])] == ["bent-shaft"]
    mode = FrameMode(craft.test_hz * 1.05, 0.3, 0.03, 0.002)
    near = find_obstacles(job, readings, modes=[mode, FrameMode(craft.test_hz * 2, 0.3, 0.03, 0.002)])
    assert [o.code for o in near] == ["resonance"]
    assert "above the shaft" in near[0].reason
    loose = find_obstacles(*as_found(craft, Fault("loose-mount", 30.0, 0)))
    assert {o.code for o in loose} & {"loose", "unsteady"}
    refused = next_step(replace(job, obstacles=near))
    assert refused.kind == "refused"
    assert "at least 15 % away" in refused.text
    assert next_step(replace(job, obstacles=near, overruled=True)).kind == "trial"


def test_a_recording_that_is_not_fit_is_refused():
    craft = draw_craft(17)
    recording, _ = record(craft, disturbance=Disturbance(overload_db=6))
    with pytest.raises(UsageError, match="cut flat"):
        check_reading(analyze(recording, craft.settings("prop")))


def test_the_rig_carries_added_weights():
    """Exact maths: unbalances add; the rig states the amplitude of 1x without noise."""
    craft = draw_craft(3)
    motor, seat = craft.motors[0], draw_scatter(craft, 0, "prop", 0, 0).refit_gmm
    first = motor.bell_gmm + motor.prop_gmm + seat
    sizes = [record(craft, refit=0, added_gmm=added)[1].amplitude[1.0] for added in (0, -2 * first / 3)]
    lift = record(craft, refit=0, added_gmm=-first)[1].amplitude[1.0]  # blades unlike in lift leave a little 1x of their own
    assert sizes[1] == pytest.approx(sizes[0] / 3, abs=2 * lift)


def test_a_wrong_recording_is_taken_back(tmp_path, capsys):
    """Recording by recording and weight by weight, with what was kept beside the job."""
    shop = Shop(tmp_path, 17)
    assert main([*shop.words(*shop.recordings(2)), "--method", "phase", "--places", "blades@45", "hub@6", "--repeats", "2"]) == 0
    found, step = shop.job, next_step(shop.job)
    forgotten = shop.recordings(1)  # nobody mounted the weight
    assert main(shop.words(*forgotten)) == 0
    capsys.readouterr()
    assert main([*shop.words(), "--back", "--json"]) == 0
    assert "Taken back: run-3.wav." in capsys.readouterr().err
    assert next_step(shop.job).kind == "record"
    assert main([*shop.words(), "--back", "--json"]) == 0
    assert "Taken back: the weights of the trial." in capsys.readouterr().err
    assert shop.job == found
    assert next_step(shop.job) == step
    assert main(shop.words(*shop.recordings(2, step.weights))) == 0
    step = next_step(shop.job)
    assert step.kind == "correct"
    assert main(shop.words(*shop.recordings(1, step.weights))) == 0
    with Archive(find_place()) as archive:
        assert (len(archive.actions(NAME, POSITION)), len(archive.readings(NAME, POSITION))) == (1, 3)
    assert main([*shop.words(), "--back", "--json"]) == 0
    with Archive(find_place()) as archive:
        assert (len(archive.actions(NAME, POSITION)), len(archive.readings(NAME, POSITION))) == (0, 2)
    for _ in range(6):
        assert main([*shop.words(), "--back", "--json"]) == 0
    capsys.readouterr()
    assert main([*shop.words(), "--back", "--json"]) == 2
    assert "nothing to take back" in capsys.readouterr().err
    assert shop.job.rounds == (Round("as found"),)


def test_what_is_given_while_a_job_goes_on_counts_or_is_refused(tmp_path, capsys):
    shop = Shop(tmp_path, 17)
    begin = ["--method", "phase", "--places", "blades@45", "--repeats", "2", "--json"]
    assert main([*shop.words("nothing.wav"), *begin]) == 2  # a mistyped name begins nothing that later options would be lost on
    assert main([*shop.words(*shop.recordings(2)), *begin, "--grade", "2.5"]) == 0
    assert (shop.job.grade, shop.job.rotor_g) == (2.5, None)
    assert main([*shop.words(), "--places", "blades@45", "hub@6", "--rotor-mass", "25", "--pieces", "0.01,0.02", "--json"]) == 0
    job = shop.job
    assert ({spot.radius_mm for spot in job.spots}, job.rotor_g, job.stock.pieces_g, job.grade) == ({45, 6}, 25, (0.01, 0.02), 2.5)
    assert sum(len(r.takes) for r in job.rounds) == 2
    capsys.readouterr()
    for words, said in (
        (["--method", "amplitude"], "--method is amplitude, and the job that is open was begun with phase"),
        (["--repeats", "3"], "--repeats is 3, and the job that is open was begun with 2"),
        (["--speed", "6000rpm"], "--speed is 6000 rpm, and the job that is open was begun with none"),
    ):
        assert main([*shop.words(), *words, "--json"]) == 2
        error = capsys.readouterr().err.splitlines()
        assert said in error[-1]
        assert "--new" in error[-1]
    assert shop.job == job
