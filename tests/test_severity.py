"""Industrial severity zones, and that nobody shows one for a drone's motor."""

import ast
from pathlib import Path

import pytest

from vibekit.errors import UsageError
from vibekit.severity import BAND_HZ, BOUNDARY_RANGES, BOUNDARY_RATIOS, SMALL_MACHINES, industrial_zone

ROOT = Path(__file__).resolve().parent.parent


def test_limits_of_small_machines():
    """ISO 10816-1:1995, Annex B, Table B.1, class I: from memory; it agrees with ISO 20816-1's ratios, rounded."""
    assert SMALL_MACHINES == (0.71, 1.8, 4.5)
    assert [round(0.71 * ratio, 1) for ratio in BOUNDARY_RATIOS[1:]] == [1.8, 4.5]


def test_present_wording():
    """ISO 20816-1:2016, Annex C, Tables C.1 and C.2; 6.3.2.3: published. Small machines stand at the low end of each range."""
    assert BOUNDARY_RANGES == ((0.71, 4.5), (1.8, 9.3), (4.5, 14.7))
    assert BOUNDARY_RATIOS == (1, 2.56, 6.4)
    assert tuple(low for low, _ in BOUNDARY_RANGES) == SMALL_MACHINES
    assert BAND_HZ == (10, 1000)


def test_a_boundary_belongs_to_the_better_zone():
    assert [industrial_zone(v) for v in (0, 0.71, 0.72, 1.8, 1.81, 4.5, 4.51)] == ["A", "A", "B", "B", "C", "C", "D"]
    with pytest.raises(UsageError, match="velocity is nan mm/s rms; it must be 0 or above"):
        industrial_zone(float("nan"))


def test_no_zone_is_shown_for_a_drone_motor():
    """ISO 10816-1's scope, from memory: industrial machines only. So nothing in the kit may import the zones."""
    for folder in ("vibekit", "capture", "gui", "demo"):
        for file in (ROOT / folder).rglob("*.py"):
            for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
                names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
                names += [alias.name for alias in node.names] if isinstance(node, ast.Import | ast.ImportFrom) else []
                assert not {"vibekit.severity", "severity"} & set(names), file
