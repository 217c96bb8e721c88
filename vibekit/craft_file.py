"""A craft's description as a TOML file: read with care, written so that a person can go on by hand."""

import tomllib
from collections.abc import Iterable
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar

from vibekit.craft import Craft, Motor, MotorBearing, Propeller, Rotor
from vibekit.errors import UnreadableError, UsageError
from vibekit.fact import facts

T = TypeVar("T", Motor, MotorBearing, Propeller, Craft)
MOST_BYTES = 1_000_000


def load_craft(path: str | Path) -> Craft:
    """Read a description. A craft without a name takes that of the file.

    Raises UnreadableError when the file cannot be read, UsageError when an entry is not known or not allowed.
    """
    return craft_from(read_text(path), str(path))


def read_text(path: str | Path) -> str:
    """Give the text of a description as it stands. Raises UnreadableError."""
    try:
        with Path(path).open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise UnreadableError(f"{path}: there is no such file; give the craft's TOML file, or make it with `vibekit craft`") from None
    except OSError as error:
        raise UnreadableError(f"{path}: {error.strerror or error}; give the craft's TOML file") from None
    if len(raw) > MOST_BYTES:
        raise UnreadableError(f"{path}: larger than {MOST_BYTES:,} bytes; a description of a craft is a short text")
    try:
        return raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        raise UnreadableError(f"{path}: no text in UTF-8 (byte {error.start}); a description of a craft is a TOML text") from None


def craft_from(text: str, path: str) -> Craft:
    """Make a craft of a description's text; `path` is what errors name, and what names a craft without a name.

    Raises UnreadableError when the text is no TOML, UsageError when an entry is not known or not allowed.
    """
    try:
        tree = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise UnreadableError(f"{path}: no TOML: {' '.join(str(error).split())}") from None
    tables = {name: _table(path, name, tree.pop(name, {})) for name in ("motor", "propeller")}
    entries = tree.pop("rotor", [])
    if not isinstance(entries, list):
        raise UsageError(f"{path}: rotor is {entries!r}; write one [[rotor]] table for each rotor")
    rotors = tuple(_rotor(path, number, _table(path, "rotor", entry), tables) for number, entry in enumerate(entries, 1))
    tree.setdefault("name", Path(path).stem)
    if not rotors:  # tell of mistakes in shared tables all the same
        _rotor(path, 1, {}, tables)
    try:
        return replace(_made(Craft, tree, path, ("rotor", "motor", "propeller")), rotors=rotors)
    except UsageError as error:
        raise _in(path, error) from None


def craft_text(craft: Craft) -> str:
    """Write a description. What all rotors have in common stands once, above them; it reads back as the same craft."""
    common = {kind: _common([getattr(rotor, kind) for rotor in craft.rotors]) for kind in ("motor", "propeller")}
    blocks = [_lines(_known(craft))]
    blocks += [[f"[{kind}]  # what all rotors share", *_lines(shared)] for kind, shared in common.items() if shared]
    for rotor in craft.rotors:
        block = ["[[rotor]]", *_lines({"position": rotor.position} | _known(rotor))]
        for kind, shared in common.items():
            own = {key: value for key, value in _known(getattr(rotor, kind)).items() if key not in shared}
            block += [f"{kind}.{line}" for line in _lines(own)]
        blocks.append(block)
    return "\n\n".join("\n".join(block) for block in blocks if block) + "\n"


def _rotor(path: str, number: int, entry: dict[str, Any], shared: dict[str, dict[str, Any]]) -> Rotor:
    where = f"{path}: rotor {number}"
    position = entry.pop("position", f"rotor {number}")
    motor = shared["motor"] | _table(where, "motor", entry.pop("motor", {}))
    propeller = shared["propeller"] | _table(where, "propeller", entry.pop("propeller", {}))
    _refuse_unknown(where, entry, [*facts(Rotor), "position", "motor", "propeller"])
    try:
        return Rotor(position, **entry, motor=_motor(f"{where} motor", motor), propeller=_made(Propeller, propeller, f"{where} propeller"))
    except UsageError as error:
        raise _in(where, error) from None


def _motor(where: str, entry: dict[str, Any]) -> Motor:
    rest = dict(entry)
    given = rest.pop("bearings", [])
    if not isinstance(given, list):
        raise UsageError(f'{where}: bearings is {given!r}; write a list of one or two, such as ["MR63", "683"]')
    bearings = tuple(
        _made(MotorBearing, {"size": b} if isinstance(b, str) else _table(where, "bearings", b), f"{where} bearing {number}")
        for number, b in enumerate(given, 1)
    )
    motor = _made(Motor, rest, where, ("bearings",))
    try:
        return replace(motor, bearings=bearings)
    except UsageError as error:
        raise _in(where, error) from None


def _made(kind: type[T], entry: dict[str, Any], where: str, besides: tuple[str, ...] = ()) -> T:
    _refuse_unknown(where, entry, [*facts(kind), *besides])
    try:
        return kind(**entry)
    except UsageError as error:
        raise _in(where, error) from None


def _in(where: str, error: UsageError) -> UsageError:
    text = str(error)
    return error if text.startswith(where) else UsageError(f"{where}: {text}")


def _table(where: str, name: str, value: object) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise UsageError(f"{where}: {name} is {value!r}; it must be a table, written [{name}] or {name} = {{ key = value }}")
    return dict(value)


def _refuse_unknown(where: str, entry: dict[str, Any], known: Iterable[str]) -> None:
    known = list(known)
    for key in entry:
        if key not in known:
            near = get_close_matches(key, known, 1, 0.5)
            hint = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(known)}"
            raise UsageError(f"{where}: {key!r} is not known here; {hint}")


def _known(described: Any) -> dict[str, Any]:
    known = {name: getattr(described, name) for name in facts(type(described)) if getattr(described, name) is not None}
    if isinstance(described, Motor) and described.bearings:
        known["bearings"] = [b["size"] if list(b) == ["size"] else b for b in map(_known, described.bearings)]
    return known


def _common(parts: list[Any]) -> dict[str, Any]:
    if len(parts) < 2:
        return {}
    first, *others = map(_known, parts)
    return {key: value for key, value in first.items() if all(other.get(key) == value for other in others)}


def _lines(entries: dict[str, Any]) -> list[str]:
    return [f"{key} = {_value(value)}" for key, value in entries.items()]


def _value(value: Any) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return '"' + "".join(_character(c) for c in value) + '"'
        case list():
            return f"[{', '.join(map(_value, value))}]"
        case dict():
            return f"{{ {', '.join(f'{key} = {_value(item)}' for key, item in value.items())} }}"
    return repr(value).removesuffix(".0")


def _character(c: str) -> str:
    if c in '"\\':
        return "\\" + c
    return c if c >= " " and c != "\x7f" else f"\\u{ord(c):04X}"
