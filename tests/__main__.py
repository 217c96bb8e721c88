"""python3 tests [pytest options]: set everything up and run the tests."""

import os
import sys

ROOT = os.path.dirname(os.path.dirname(os.path.realpath(__file__)))
sys.path[0] = ROOT  # not tests/: nothing there may shadow a library

from vibekit import _setup  # noqa: E402

if __name__ == "__main__":
    os.chdir(ROOT)  # pytest's testpaths counts only from here
    os.environ.setdefault("OMP_NUM_THREADS", "1")  # costs are counted in transforms of one thread
    _setup.ensure("tests")
    import pytest

    sys.exit(pytest.main())
