"""ruff over everything, mypy --strict over engine, capture and commands."""

import subprocess
import sys
from pathlib import Path

from tests.test_imports import ROOT, package_tree


def test_ruff_finds_nothing():
    done = subprocess.run([sys.executable, "-m", "ruff", "check", "--no-cache", "."], check=False, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout


def test_mypy_strict_finds_nothing(tmp_path):
    tree = package_tree(tmp_path)
    config = Path(ROOT / "pyproject.toml")
    words = [sys.executable, "-m", "mypy", "--config-file", config, "--no-incremental", "-p", "vibekit"]
    done = subprocess.run(words, check=False, cwd=tree, capture_output=True, text=True, env={"MYPYPATH": str(tree), "PATH": ""})
    assert done.returncode == 0, done.stdout
