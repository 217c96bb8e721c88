"""Find out from vibration and sound which motor or propeller is hurt, and prove that the fix worked."""

from pathlib import Path as _Path

__version__ = "0.1.0"

_root = _Path(__file__).resolve().parent.parent
if (_root / "pyproject.toml").is_file() and (_root / "capture").is_dir():
    __path__.append(str(_root))  # source checkout: vibekit.capture is ../capture
