"""Four rotors by one person, from the first command to the report, on a stopwatch: the rig plays into a sound card.

Real time, some four minutes of it: VIBEKIT_STOPWATCH=1 runs it.
"""

import os
import re
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile

from tests.null_sink import RATE, lacking, null_sink
from tests.rounds import round_of
from tests.test_imports import ROOT
from vibekit.rig import Fault
from vibekit.scene import POSITIONS, bench_craft

LONGEST_S = 600.0
WORDS_S = 238 / 60  # read silently (Brysbaert, J. Memory and Language 109 (2019) 104047, from memory)
CRAFT = "\n".join(
    ['name = "Wren-4"', 'turned = "maker-single-motor"', *(f'[[rotor]]\nposition = "{p}"\npropeller = {{ blades = 2 }}' for p in POSITIONS)]
)
CLI = [sys.executable, "-u", "-c", "import sys; from vibekit.cli import main; sys.exit(main())"]


@pytest.mark.skipif("VIBEKIT_STOPWATCH" not in os.environ, reason="minutes of real time: VIBEKIT_STOPWATCH=1 runs it")
def test_from_start_to_page_in_less_than_ten_minutes(tmp_path, capsys):
    """All that is shown is read at the pace of a careful reader; between two rotors their changing takes up to 9 s."""
    if lacking():
        pytest.skip(lacking())
    environment = os.environ | {"VIBEKIT_ARCHIVE": str(tmp_path / "archive"), "OMP_NUM_THREADS": "1"}
    (tmp_path / "wren-4.toml").write_text(CRAFT)
    fault = Fault("blade-damage", 8.0, 2)
    made = round_of(bench_craft(), np.random.default_rng(12), fault=fault, run_s=(8.0, 9.0), rest_s=(3.0, 9.0), rate=RATE)
    sound = made.recording.samples[0]
    soundfile.write(tmp_path / "played.wav", sound * (0.7 / np.max(np.abs(sound))), RATE, subtype="PCM_16")
    with null_sink(tmp_path) as sink:
        environment |= {name: os.environ[name] for name in ("PULSE_SERVER", "ALSA_CONFIG_PATH")}
        words = ["record", tmp_path / "wren-4.toml", "--round", "--test", "prop", "--sensor", "contact", "--device", "default"]
        began = time.monotonic()
        with subprocess.Popen(
            [*CLI, *words, "--setup", "contact pick-up on the hub"], cwd=ROOT, env=environment, text=True, bufsize=1,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        ) as recording:  # fmt: skip
            shown = ""
            while "n to leave" not in shown:
                shown += recording.stdout.read(1)
            time.sleep(len(shown.split()) / WORDS_S)
            recording.stdin.write("\n")
            while "recording" not in (line := recording.stdout.readline()):
                shown += line
            sink.play(tmp_path / "played.wav")
            shown += recording.stdout.read()
            assert recording.wait() == 0, shown
        recorded = time.monotonic()
        page = tmp_path / "wren-4.html"
        subprocess.run([*CLI, "report", "Wren-4", "-o", page], cwd=ROOT, env=environment, check=True, capture_output=True)
        took = time.monotonic() - began
    with capsys.disabled():
        print(f"\n{took:.0f} s from start to page, {took - (recorded - began):.0f} s of them for the page\n{shown}")
    assert "8 runs kept for Wren-4" in shown
    assert re.search(r"^First.*south-west", shown, re.MULTILINE)
    assert "south-west" in page.read_text(encoding="utf-8")
    assert took < LONGEST_S
