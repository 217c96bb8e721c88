"""python3 tests [pytest options]: set everything up and run the tests; without options all of them, on all cores."""

import os
import subprocess
import sys

ROOT = os.path.dirname(os.path.dirname(os.path.realpath(__file__)))
ALONE = "tests/benchmarks", "tests/test_sound_card.py"  # ratios of times, and sound that must not wait: nothing else runs beside them
sys.path[0] = ROOT  # not tests/: nothing there may shadow a library

from vibekit import _setup  # noqa: E402

if __name__ == "__main__":
    os.chdir(ROOT)  # pytest's testpaths counts only from here
    os.environ.setdefault("OMP_NUM_THREADS", "1")  # costs are counted in transforms of one thread
    _setup.ensure("tests")
    import pytest

    if sys.argv[1:]:
        sys.exit(pytest.main())
    alone = subprocess.call([sys.executable, "-m", "pytest", *ALONE])
    ignored = [f"--ignore={each}" for each in ALONE]
    others = pytest.main(["-n", "logical", "--dist", "loadfile", "--no-loadscope-reorder", *ignored])
    if alone:
        print(f"{' or '.join(ALONE)} failed, see above (exit {alone})")
    sys.exit(others or alone)
