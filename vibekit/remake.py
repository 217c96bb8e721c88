"""Which numbers of a reading differ from those of the same reading made again."""

import dataclasses
import math
from collections import Counter
from typing import Any

import numpy as np

from vibekit.reading import Reading

CLOSE = 1e-9  # relative; another processor or library may round the last digits otherwise
NOT_MEASURED = {"file", "engine"}


def differences(old: Reading, new: Reading) -> tuple[str, ...]:
    """Name every number and word that differs, one line each with its old and new value; empty when the readings agree to 9 digits."""
    lines: list[str] = []
    for field in dataclasses.fields(Reading):
        if field.name not in NOT_MEASURED:
            _compare(field.name, getattr(old, field.name), getattr(new, field.name), lines)
    return tuple(lines)


def _compare(path: str, old: Any, new: Any, lines: list[str]) -> None:
    if isinstance(old, np.ndarray) and isinstance(new, np.ndarray):
        if old.shape != new.shape:
            lines.append(f"{path}: {old.size} values, now {new.size}")
        elif off := int(np.sum(~np.isclose(old, new, rtol=CLOSE, atol=CLOSE * _largest(old), equal_nan=True))):
            lines.append(f"{path}: {off} of {old.size} values differ, at most by {np.nanmax(np.abs(old - new)):.3g}")
    elif isinstance(old, tuple) and isinstance(new, tuple):
        _compare_lists(path, old, new, lines)
    elif dataclasses.is_dataclass(old) and type(old) is type(new):
        for field in dataclasses.fields(old):
            _compare(f"{path} {field.name}", getattr(old, field.name), getattr(new, field.name), lines)
    elif not _same(old, new):
        lines.append(f"{path}: {_shown(old)}, now {_shown(new)}")


def _compare_lists(path: str, old: tuple[Any, ...], new: tuple[Any, ...], lines: list[str]) -> None:
    before, after = _labelled(old), _labelled(new)
    lines += [f"{path} {label}: gone" for label in before if label not in after]
    lines += [f"{path} {label}: new" for label in after if label not in before]
    for label in before:
        if label in after:
            _compare(f"{path} {label}", before[label], after[label], lines)


def _labelled(items: tuple[Any, ...]) -> dict[str, Any]:
    """Give each item a label that stays its own when others come and go: its name, kind or code, counted where it repeats."""
    seen: Counter[str] = Counter()
    labelled: dict[str, Any] = {}
    for item in items:
        name = next((str(getattr(item, key)) for key in ("name", "kind", "code") if hasattr(item, key)), "")
        seen[name] += 1
        labelled[name if name and seen[name] == 1 else f"{name} #{seen[name]}".strip()] = item
    return labelled


def _same(old: Any, new: Any) -> bool:
    if isinstance(old, float) and isinstance(new, float):
        return math.isclose(old, new, rel_tol=CLOSE) or (math.isnan(old) and math.isnan(new))
    return bool(old == new)


def _largest(values: np.ndarray[Any, Any]) -> float:
    finite = values[np.isfinite(values)]
    return float(np.abs(finite).max()) if finite.size else 0.0


def _shown(value: Any) -> str:
    return f"{value:.9g}" if isinstance(value, float) else str(value)
