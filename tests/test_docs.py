"""The documents are true: commands are named, examples parse, files exist."""

import re
import shlex
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

import vibekit
from vibekit import cli

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
FENCED = re.compile(r"^```\n(.*?)^```$", re.MULTILINE | re.DOTALL)
EXAMPLES = [line for block in FENCED.findall(README) for line in block.splitlines() if line.startswith("vibekit ")]


@pytest.mark.parametrize("name", cli.COMMANDS)
def test_readme_names_every_command(name):
    assert re.search(rf"`?vibekit {name}\b", README)


def test_readme_has_examples():
    assert len(EXAMPLES) >= 10


@pytest.mark.parametrize("line", EXAMPLES)
def test_every_example_parses(line, monkeypatch):
    """With the real parser; the command itself is not run."""
    words = shlex.split(line)[1:]
    seen = []
    monkeypatch.setattr(import_module(f"vibekit.commands.{words[0]}"), "run", lambda args: seen.append(args.command) or 0)
    assert cli.main(words) == 0
    assert seen == [words[0]]


def test_readme_names_no_command_that_is_not_there():
    named = set(re.findall(r"`vibekit ([a-z]+)", README)) | {line.split()[1] for line in EXAMPLES}
    assert named <= set(cli.COMMANDS)


def test_readme_opens_with_the_job_and_the_two_commands():
    assert "\n```\npython3 demo\npython3 tests\n```\n" in README
    assert (ROOT / "tests" / "__main__.py").exists()
    assert (ROOT / "demo" / "__main__.py").exists()


def test_the_package_runs_as_a_module_too():
    done = subprocess.run([sys.executable, "-m", "vibekit", "--version"], check=True, cwd=ROOT, capture_output=True, text=True)
    assert done.stdout == f"vibekit {vibekit.__version__}\n"


def test_readme_permits_no_flight():
    assert "no answer of the kit is a permission to fly" in " ".join(README.split())


@pytest.mark.parametrize("document", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_every_file_named_exists(document):
    prose = FENCED.sub("", document)
    named = {word for word in re.findall(r"`([\w./-]+)`", prose) if re.search(r"/|\.(py|md|toml|csv|sh)$", word)}
    assert named
    assert [name for name in sorted(named) if not (ROOT / name).exists()] == []


def test_the_folders_of_the_house_exist():
    house = next(block for block in FENCED.findall(DEVELOPERS) if block.startswith("vibekit/"))
    assert all((ROOT / line.split()[0]).is_dir() for line in house.splitlines())
