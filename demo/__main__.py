"""python3 demo [FILE...]: set everything up and show the whole job, on an invented craft or on your own recordings."""

import os
import sys

ROOT = os.path.dirname(os.path.dirname(os.path.realpath(__file__)))
sys.path[0] = ROOT  # not demo/: nothing there may shadow a library

from vibekit import _setup  # noqa: E402

if __name__ == "__main__":
    _setup.ensure("demo")
    from vibekit.cli import main

    sys.exit(main(["demo", *sys.argv[1:]]))
