import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def test_layers(tmp_path):
    package = tmp_path / "vibekit"
    package.mkdir()
    for part in [*(ROOT / "vibekit").iterdir(), ROOT / "capture", ROOT / "gui", ROOT / "reference_spectra"]:
        (package / part.name).symlink_to(part)
    lint = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([lint, "--no-logo", "--no-cache", ROOT / "pyproject.toml"], check=False, cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout
