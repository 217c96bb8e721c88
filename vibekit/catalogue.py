"""The catalogue of conditions: what each looks like, what to do about it, and where that knowledge is from.

One TOML file a condition in `reference_spectra/`. Beside it lies `<condition>.csv`, what the rig's spectra look like under it.
"""

import csv
import math
import tomllib
from collections.abc import Collection
from dataclasses import dataclass, fields
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import numpy as np

from vibekit.clues import CLUE, CLUES
from vibekit.errors import UnreadableError, UsageError, check_choice
from vibekit.settings import TESTS

if TYPE_CHECKING:
    from vibekit.reading import Curve

ACTIONS = (
    "measure again",
    "clean",
    "tighten",
    "refit",
    "balance",
    "replace propeller",
    "replace bearing or motor",
    "check controller",
    "none",
)
PARTS = (
    "propeller",
    "motor bell",
    "shaft",
    "bearing",
    "motor mount",
    "propeller fixing",
    "bell or duct",
    "wiring or controller",
    "frame",
    "none",
)
GROUPS = ("propeller", "rotor", "fixing", "bearing", "electrical", "frame", "none")
NO_SOURCE = "common practice, no source"
_WORDS: dict[Any, str] = {str: "text", float: "a number", bool: "true or false", tuple[str, ...]: "a list of texts"}
_Kind = TypeVar("_Kind")


@dataclass(frozen=True, slots=True)
class Reference:
    """A published source. cite: short name as evidence gives it; from_memory: recalled, not seen in print."""

    cite: str
    reference: str
    from_memory: bool


@dataclass(frozen=True, slots=True)
class Symptom:
    """What one clue does under a condition.

    clue: a name of vibekit.clues; tests: where that holds; expect: rises, falls, unchanged, changes, present or absent
    why: words for the report; source: begins with the `cite` of a Reference, or is NO_SOURCE. Raises UsageError.
    """

    clue: str
    tests: tuple[str, ...]
    expect: str
    why: str
    source: str

    def __post_init__(self) -> None:
        check_choice("clue", self.clue, CLUES)
        clue = CLUE[self.clue]
        check_choice("expect", self.expect, clue.expectations)
        if not self.tests:
            raise UsageError(f"tests is empty; name at least one of {', '.join(map(repr, clue.tests))}")
        for test in self.tests:
            check_choice("test", test, clue.tests)


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition: its words for the user, what to do, and what it looks like.

    words, part, action: what the user reads; act: what to do, beginning with the action; why: the physics
    next_step: the one measurement that tells it from its look-alikes; caution: stands beside every step
    group: conditions of one group call for work on the same part; prior: share among craft brought in
    not_seen_in: tests in which it leaves no trace; evidence: one Symptom a clue and test. Raises UsageError.
    """

    condition: str
    words: str
    part: str
    action: str
    group: str
    prior: float
    act: str
    why: str
    next_step: str
    caution: str
    look_alikes: tuple[str, ...]
    speed_scaling: str
    not_seen_in: tuple[str, ...]
    evidence: tuple[Symptom, ...]
    sources: tuple[Reference, ...]

    def __post_init__(self) -> None:
        check_choice("part", self.part, PARTS)
        check_choice("action", self.action, ACTIONS)
        check_choice("group", self.group, GROUPS)
        for test in self.not_seen_in:
            check_choice("not_seen_in", test, TESTS)
        if not 0 <= self.prior < 1:
            raise UsageError(f"prior is {self.prior:g}; it must be from 0 to below 1")
        if not self.act.lower().startswith(self.action):
            raise UsageError(f"act begins {self.act[:30]!r}; it must begin with the action, {self.action!r}")
        _check_once("evidence", [f"{s.clue!r} in test {test!r}" for s in self.evidence for test in s.tests])
        cites = [source.cite for source in self.sources]
        _check_once("source", cites)
        named = [s.source for s in self.evidence if s.source != NO_SOURCE]
        for source in named:
            if not source.startswith(tuple(cites)):
                raise UsageError(f"evidence has the source {source!r}; begin with the cite of a source below, or write {NO_SOURCE!r}")
        for cite in cites:
            if not any(source.startswith(cite) for source in named):
                raise UsageError(f"source {cite!r} is named by no evidence; name it or take it out")

    def expects(self, clue: str, test: str) -> str | None:
        """What this condition makes of a clue in a kind of test; None when it says nothing about it."""
        return next((s.expect for s in self.evidence if s.clue == clue and test in s.tests), None)


@dataclass(frozen=True, slots=True)
class Catalogue:
    """All conditions, by name. Raises UsageError when they do not fit together."""

    conditions: tuple[Condition, ...]

    def __post_init__(self) -> None:
        names = [c.condition for c in self.conditions]
        for condition in self.conditions:
            for other in condition.look_alikes:
                check_choice(f"look-alike of {condition.condition!r}", other, [name for name in names if name != condition.condition])
        total = math.fsum(c.prior for c in self.conditions)
        if not math.isclose(total, 1, abs_tol=1e-9):
            raise UsageError(f"priors of all conditions sum to {total:g}; they must sum to 1")

    def __getitem__(self, name: str) -> Condition:
        """Give the condition of this name. Raises UsageError."""
        check_choice("condition", name, [c.condition for c in self.conditions])
        return next(c for c in self.conditions if c.condition == name)


@cache
def load_catalogue() -> Catalogue:
    """Give the kit's own catalogue; read once."""
    return read_catalogue(files("vibekit.reference_spectra"))


def read_catalogue(folder: Traversable) -> Catalogue:
    """Read every TOML file of a folder. Raises UnreadableError for what is no TOML, UsageError for what says something not allowed."""
    paths = sorted((path for path in folder.iterdir() if path.name.endswith(".toml")), key=lambda path: path.name)
    return Catalogue(tuple(_read_condition(path) for path in paths))


def reference_spectrum(
    condition: str, test: Literal["bare", "prop"] = "prop", kind: Literal["order", "envelope"] = "order"
) -> "Curve | None":
    """Give the spectrum that the rig gives for a condition at severity 8, as `vibekit.rig.spectra` made it; None when none is kept.

    order: dB re the same motor's 1x when healthy; envelope: squared envelope of the high band, dB re its mean
    Raises UsageError for an unknown condition.
    """
    from vibekit.reading import Curve

    path = files("vibekit.reference_spectra") / f"{load_catalogue()[condition].condition}.csv"
    if not path.is_file():
        return None
    column = f"{test}_db" if kind == "order" else f"{test}_envelope_db"
    rows = csv.DictReader(path.read_text(encoding="utf-8").splitlines())
    order, level = np.array([(float(row["order"]), float(row[column])) for row in rows if row[column]]).T
    return Curve(kind, order, level, "order", "dB re healthy 1x" if kind == "order" else "dB re mean", float(order[1] - order[0]))


def _read_condition(path: Traversable) -> Condition:
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UnreadableError(f"{path.name} is not TOML: {error}") from None
    try:
        table["evidence"] = _rows(Symptom, "evidence", table.pop("evidence", []))
        table["sources"] = _rows(Reference, "source", table.pop("source", []))
        condition = _table(Condition, table)
        check_choice("condition", condition.condition, [path.name.removesuffix(".toml")])
    except UsageError as error:
        raise UsageError(f"{path.name}: {error}") from None
    return condition


def _rows(kind: type[_Kind], key: str, tables: Any) -> tuple[_Kind, ...]:
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise UsageError(f"{key} is {tables!r}; write [[{key}]] and its keys below")
    return tuple(_table(kind, table) for table in tables)


def _table(kind: type[_Kind], table: dict[str, Any]) -> _Kind:
    """Make a dataclass from a TOML table that must have its keys, all of them and no other."""
    wanted = {f.name: f.type for f in fields(kind)}  # type: ignore[arg-type]
    for key in sorted(table.keys() ^ wanted.keys()):
        raise UsageError(f"{key} is missing" if key in wanted else f"{key} is not a key; choose among {', '.join(wanted)}")
    return kind(**{key: _value(key, table[key], wanted[key]) for key in wanted})


def _value(key: str, value: Any, kind: Any) -> Any:
    if kind not in _WORDS:
        return value
    if kind == tuple[str, ...] and isinstance(value, list) and all(isinstance(word, str) for word in value):
        return tuple(value)
    if kind is float and type(value) in (int, float):
        return float(value)
    if type(value) is kind and value != "":
        return value
    raise UsageError(f"{key} is {value!r}; it must be {_WORDS[kind]}")


def _check_once(what: str, names: Collection[str]) -> None:
    for name in names:
        if list(names).count(name) > 1:
            raise UsageError(f"{what} {name} is given twice; give it once")
