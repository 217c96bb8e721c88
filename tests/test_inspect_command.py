"""The command that asks eye and hand, as it is typed."""

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.typed_commands import at_bench, opened, run, run_json, typed
from vibekit.checking import check

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(autouse=True)
def bench(tmp_path, monkeypatch):
    return at_bench(tmp_path, monkeypatch)


def test_inspect_asks_goes_back_skips_and_keeps_photos(bench, capsys, monkeypatch):
    Path("tip.jpg").write_bytes(b"a photo")
    typed(monkeypatch, "no\nyes\n1\nb\nslips\n\n\n\nyes\nnote 3 mm from tip\nphoto tip.jpg\nphoto none.jpg\nnicked\nq\n")
    status, out, _ = run(capsys, "inspect", "wren.toml")
    assert status == 0
    assert out.index("Battery out") < out.index("Is the battery out")
    assert "none.jpg: No such file" in out
    assert "replace it in pairs" in out
    assert "Kept: 4 of 32 answers, 1 photo" in out
    with opened() as archive:
        (inspection,) = archive.inspections("Wren-4")
        said = [(a.position, a.question, a.answer, a.note, len(a.photos)) for a in inspection.answers]
        assert said == [
            ("", "battery-out", "yes", "", 0),
            ("north-east", "prop-tight", "slips", "", 0),
            ("", "props-off", "yes", "", 0),
            ("north-east", "prop-edge", "nicked", "3 mm from tip", 1),
        ]
        assert archive.photo(inspection.answers[3].photos[0].sha256).read_bytes() == b"a photo"
        assert check(archive).problems == ()


def test_inspect_keeps_what_was_answered_when_the_input_ends(bench, capsys, monkeypatch):
    typed(monkeypatch, "yes\ntight\n")
    status, out, _ = run(capsys, "inspect", "wren.toml")
    assert status == 0
    assert "Stopped at question 3 of 32" in out
    with opened() as archive:
        assert len(archive.inspections("Wren-4")[0].answers) == 2


def test_inspect_keeps_what_was_answered_at_ctrl_c(bench):
    heard = "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler)"  # a shell's background job ignores Ctrl-C
    command = [sys.executable, "-c", f"{heard}; from vibekit.cli import main; sys.exit(main(['inspect', 'wren.toml']))"]
    env = {"PYTHONPATH": str(ROOT), "VIBEKIT_ARCHIVE": str(bench / "archive"), "PATH": ""}
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=bench, env=env) as asking:
        asking.stdin.write("yes\ntight\n")
        asking.stdin.flush()
        for line in asking.stdout:
            if "right hand" in line:
                break
        time.sleep(0.3)
        asking.send_signal(signal.SIGINT)
        rest = asking.stdout.read()
        assert asking.wait(20) == 0
    assert "Stopped at question 3" in rest
    with opened() as archive:
        assert [a.answer for a in archive.inspections("Wren-4")[0].answers] == ["yes", "tight"]


def test_nothing_answered_is_nothing_kept(bench, capsys, monkeypatch):
    typed(monkeypatch, "\n" * 40)
    status, out, _ = run(capsys, "inspect", "wren.toml")
    assert status == 0
    assert "nothing was kept" in out
    assert not (bench / "archive").exists()


def test_inspect_takes_answers_from_a_file(bench, capsys):
    Path("tip.jpg").write_bytes(b"a photo")
    Path("answers.toml").write_text(
        'date = 2026-03-01T12:00:00Z\nbattery-out = "yes"\n[north-east]\nmotor-turn = "rough"\n'
        'prop-edge = { answer = "nicked", note = "tip", photos = ["tip.jpg"] }\nphase-resistance = "105 104  106 mohm"\n'
    )
    kept = run_json(capsys, "inspect", "wren.toml", "--answers", "answers.toml")
    assert kept["at"] == "2026-03-01T12:00:00+00:00"
    assert [a["answer"] for a in kept["answers"]] == ["yes", "rough", "nicked", "105 104 106 mohm"]
    assert any("bearing-grit" in e["for_conditions"] for e in kept["evidence"])
    with opened() as archive:
        assert len(archive.inspections("Wren-4")[0].answers) == 4


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("[north]\nprop-edge = 'clean'", "'north'; Wren-4 has"),
        ("[north-east]\nprop-egde = 'clean'", "did you mean 'prop-edge'"),
        ("[north-east]\nprop-edge = 'fine'", "'fine'"),
        ("[north-east]\nprop-edge = 3", "must be a text"),
        ("[north-east]\nprop-edge = { answer = 'clean', photo = 'x' }", "photos"),
        ("[north-east]\nprop-edge = { answer = 'clean', photos = ['none.jpg'] }", "none.jpg"),
        ("prop-edge = 'clean'", "no question of the whole craft"),
        ("date = 'yesterday'", "date is 'yesterday'"),
        ("battery-out = ", "no TOML"),
    ],
)
def test_answers_that_do_not_fit_are_refused_in_one_line(bench, capsys, text, named):
    Path("answers.toml").write_text(text)
    status, _, err = run(capsys, "inspect", "wren.toml", "--answers", "answers.toml")
    assert status == 2
    assert named in err
    assert "answers.toml" in err
    assert err.count("\n") == 1
    assert not (bench / "archive").exists()
