"""`vibekit gui`: the window."""

import argparse

from vibekit.errors import UsageError


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of `gui`."""
    parser.add_argument(
        "--pictures", metavar="FOLDER", help="show nothing; draw every page of the window on an invented craft as PNG files"
    )


def run(args: argparse.Namespace) -> int:
    """Show the window until it is closed."""
    try:
        from vibekit.gui.app import open_window
    except ImportError as error:
        raise UsageError(
            f"the window needs Qt ({error}): pip install 'vibekit[gui]'; on Debian and Ubuntu also "
            "sudo apt-get install libgl1 libegl1 libfontconfig1 libxkbcommon0 libdbus-1-3"
        ) from None
    from vibekit.place import find_place

    if args.pictures:
        from vibekit.gui.pictures import draw_pictures

        for path in draw_pictures(args.pictures):
            print(path)
        return 0
    return open_window(find_place())
