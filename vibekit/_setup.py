"""Make .venv, install this checkout and its Debian packages, then start again inside .venv.

Standard library only: `python3 demo` and `python3 tests` call ensure() before anything is installed.
"""

import sys

if sys.version_info < (3, 11):  # noqa: UP036 - before anything that an older Python cannot read
    sys.exit(f"setup: vibekit needs Python 3.11 or newer; this is {sys.version.split()[0]}")

import contextlib
import hashlib
import importlib.util
import os
import shlex
import shutil
import subprocess
import time
import tomllib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
STAMP = VENV / "vibekit-setup"
PART = VENV / "vibekit-setup.part"  # there while pip works: if we die then, the next run starts afresh
PYTHON = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
EXTRAS = {"demo": "all", "tests": "test"}
QT = ["libglib2.0-0", "libgl1", "libegl1", "libfontconfig1", "libxkbcommon0", "libdbus-1-3"]  # for the window
SOUND = ["libportaudio2"]
MICROPHONE = ["pulseaudio", "pulseaudio-utils", "libasound2-plugins"]  # one made of software, for the tests
PDF = ["libpango-1.0-0", "libpangoft2-1.0-0"]
APT: dict[str, list[str]] = {"demo": [*SOUND, *PDF], "tests": ["postgresql", *QT, *SOUND, *PDF, *MICROPHONE, "chromium"]}
_held: list[int] = []  # the lock, handed to children: it outlives us if we are killed while pip runs


def say(text: str) -> None:
    print(f"setup: {text}", file=sys.stderr, flush=True)


@contextlib.contextmanager
def one_at_a_time() -> Iterator[None]:
    if sys.platform == "win32":
        yield
        return
    import fcntl

    with open(ROOT / ".venv.lock", "w") as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            say("another run is setting up; waiting for it")
            fcntl.flock(handle, fcntl.LOCK_EX)
        _held[:] = [handle.fileno()]
        yield
        _held.clear()


def key(kind: str) -> str:
    """What the installation depends on: not ruff's or pytest's settings."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    limits = ROOT / "constraints.txt"
    parts = [project["build-system"], project["project"], project["tool"]["setuptools"], EXTRAS[kind], sys.version, str(ROOT)]
    return hashlib.sha256(repr([parts, limits.exists() and limits.read_bytes()]).encode()).hexdigest()


def ready(kind: str) -> bool:
    """The stamp holds a line 'kind key' for each kind set up."""
    try:
        return f"{kind} {key(kind)}" in STAMP.read_text().splitlines()
    except OSError:
        return False


def run(what: str, command: list[str], env: dict[str, str] | None = None) -> None:
    """Run quietly; on failure show the end of the output and stop with one line."""
    done = subprocess.run(command, check=False, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                          text=True, errors="replace", env=env, cwd=ROOT, pass_fds=_held)  # fmt: skip
    if done.returncode:
        print("\n".join(done.stdout.splitlines()[-25:]), file=sys.stderr)
        sys.exit(f"setup: {what} failed (exit {done.returncode}): {shlex.join(command)}")


def debian(packages: list[str]) -> None:
    """Install what is missing if we may; otherwise say how. What needs none of it works all the same."""
    if not (packages and shutil.which("apt-get") and shutil.which("dpkg-query")):
        return
    query = ["dpkg-query", "-W", "-f", "${Package} ${db:Status-Status}\n", *packages]
    have = subprocess.run(query, check=False, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True).stdout.splitlines()
    need = [p for p in packages if f"{p} installed" not in have]
    if not need:
        return
    if os.geteuid() != 0:
        say("missing, so parts may not work: sudo apt-get install " + " ".join(need))
        return
    say(f"installing {len(need)} Debian packages: {' '.join(need)}")
    apt = ["apt-get", "-qq", "-y", "-o", "DPkg::Lock::Timeout=300", "-o", "Acquire::Retries=1"]
    env = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    try:
        run("apt-get update", [*apt, "update"], env)
        run("apt-get install", [*apt, "install", "--no-install-recommends", *need], env)
    except SystemExit as error:
        say(f"going on without them: {str(error.code).removeprefix('setup: ')}")


def make_possible() -> None:
    """See to it that this Python can make a virtual environment."""
    if importlib.util.find_spec("ensurepip") is not None:
        return
    package = f"python{sys.version_info[0]}.{sys.version_info[1]}-venv"
    if os.geteuid() == 0:
        debian([package])
        importlib.invalidate_caches()
    if importlib.util.find_spec("ensurepip") is None:
        sys.exit(f"setup: this Python cannot make .venv; on Debian or Ubuntu: sudo apt-get install {package}")


def make(kind: str) -> None:
    began = time.monotonic()
    tag = f"{sys.version_info[0]}.{sys.version_info[1]}"
    made_here = False
    with contextlib.suppress(OSError):  # the line "command =" in pyvenv.cfg: scripts in .venv hold absolute paths
        made_here = str(VENV) in (VENV / "pyvenv.cfg").read_text(encoding="utf-8")
    probe = [str(PYTHON), "-I", "-c", f"import sys, pip; sys.exit('%d.%d' % sys.version_info[:2] != '{tag}')"]
    if not made_here or PART.exists() or subprocess.run(probe, check=False, stderr=subprocess.DEVNULL).returncode:
        say(f"{'replacing' if VENV.exists() else 'making'} .venv with Python {tag}")
        if VENV.is_symlink():
            VENV.unlink()  # --clear would empty what it points to, which is not ours
        run("making .venv", [sys.executable, "-m", "venv", "--clear", str(VENV)])
    say(f"installing vibekit[{EXTRAS[kind]}] into .venv (one to five minutes)")
    PART.write_text("".join(f"{k} {key(k)}\n" for k in {kind, "demo"}))  # a test set-up serves the demo too
    STAMP.unlink(missing_ok=True)
    limits = ["-c", "constraints.txt"] if (ROOT / "constraints.txt").exists() else []
    # --no-compile: Python compiles what it imports at its first start, which is a small part of what comes with it
    run("pip install", [str(PYTHON), "-I", "-m", "pip", "install", "-q", "--no-user", "--no-input", "--disable-pip-version-check",
                        "--progress-bar", "off", "--no-compile", *limits, "-e", f".[{EXTRAS[kind]}]"])  # fmt: skip
    PART.replace(STAMP)
    say(f"done in {time.monotonic() - began:.0f} s")


def ensure(kind: str) -> None:
    """Set up for the folder `kind`; then, unless we run inside .venv already, start it again with .venv's Python."""
    inside = VENV.exists() and os.path.samefile(sys.prefix, VENV)
    again = os.environ.pop("VIBEKIT_SETUP", "") == str(VENV)  # from the process that became this one
    if inside and again:
        return
    if again:
        sys.exit(f"setup: {PYTHON} does not start inside {VENV}: delete {VENV} and run again")
    try:
        if ready(kind):
            debian(APT[kind])
        else:
            with one_at_a_time():
                make_possible()
                with ThreadPoolExecutor(1) as beside:  # neither needs the other, and both wait for the network and the disc
                    packages = beside.submit(debian, APT[kind])
                    if not ready(kind):  # the run that we waited for may have done it
                        make(kind)
                packages.result()
    except KeyboardInterrupt:
        sys.exit("\nsetup: stopped; run the same command again")
    except PermissionError as error:
        sys.exit(f"setup: cannot write {error.filename}")
    if inside:
        return
    env = {k: v for k, v in os.environ.items() if k != "PYTHONHOME"} | {"VIBEKIT_SETUP": str(VENV)}
    line = [str(PYTHON), str(ROOT / kind), *sys.argv[1:]]
    if os.name == "nt":  # execv on Windows neither waits nor quotes
        sys.exit(subprocess.call(line, env=env))
    sys.stdout.flush()
    sys.stderr.flush()
    os.execve(PYTHON, line, env)
