"""Who may import whom (import-linter), and what a start of the program may cost."""

import subprocess
import sys
from pathlib import Path

import pytest

from vibekit.cli import COMMANDS

ROOT = Path(__file__).resolve().parent.parent
ABOVE = ("__main__", "cli", "commands")
HARDWARE = ("PySide6", "pyqtgraph", "sounddevice", "serial", "aiohttp")
HEAVY = ("scipy", "matplotlib", "librosa", "sqlalchemy", "alembic", "rich", "jinja2", "soundfile", "av", "numpy")


def package_tree(folder: Path) -> Path:
    """The package as it lies when installed, made of links: grimp looks only below `vibekit/`."""
    package = folder / "vibekit"
    package.mkdir()
    for part in [*(ROOT / "vibekit").iterdir(), ROOT / "capture", ROOT / "gui", ROOT / "reference_spectra"]:
        (package / part.name).symlink_to(part)
    return folder


def engine() -> list[str]:
    parts = [p for p in (ROOT / "vibekit").iterdir() if p.suffix == ".py" or (p / "__init__.py").is_file()]
    return sorted(p.stem for p in parts if p.stem not in (*ABOVE, "__init__"))


def contracts() -> str:
    names = [f"vibekit.{name}" for name in engine()]
    return f"""
[importlinter]
root_package = vibekit
include_external_packages = True

[importlinter:contract:layers]
name = cli and commands above gui above capture above the engine
type = layers
containers = vibekit
layers =
    __main__
    cli : commands
    gui
    capture
    {" : ".join([*engine(), "reference_spectra"])}
exhaustive = True

[importlinter:contract:hardware]
name = the engine knows no window, sound card, serial port or network
type = forbidden
source_modules =
    {(chr(10) + "    ").join(names)}
forbidden_modules =
    {(chr(10) + "    ").join(HARDWARE)}

[importlinter:contract:capture]
name = capture knows the engine's data types only
type = forbidden
allow_indirect_imports = True
source_modules =
    vibekit.capture
forbidden_modules =
    vibekit.analysis
    vibekit.diagnosis
    vibekit.archive
    vibekit.report
"""


def test_layers(tmp_path):
    tree = package_tree(tmp_path)
    (tree / "contracts.ini").write_text(contracts(), encoding="utf-8")
    lint = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run(
        [lint, "--no-logo", "--no-cache", "--config", "contracts.ini"], check=False, cwd=tree, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize(
    "each", [[["--help"]], [["--version"]], [[command, "--help"] for command in COMMANDS]], ids=["help", "version", "all"]
)
def test_help_loads_nothing_heavy(each):
    code = (
        "import sys\nfrom vibekit.cli import main\n"
        f"for words in {each!r}:\n    try:\n        main(words)\n    except SystemExit:\n        pass\n"
        f"print(*sorted(set(name.split('.')[0] for name in sys.modules) & set({HEAVY!r})))"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, cwd=ROOT, capture_output=True, text=True)
    loaded = done.stdout.splitlines()[-1].split()
    assert set(loaded) <= ({"numpy"} if len(each) > 1 else set())
