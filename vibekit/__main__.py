"""`python -m vibekit`: the command, where its folder of programs is not on the path."""

import sys

from vibekit.cli import main

if __name__ == "__main__":
    sys.exit(main())
