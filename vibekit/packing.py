"""Frozen dataclasses as plain JSON data and back, exactly: what the archive keeps.

Every field is written under its own name. Arrays become compressed base64; a float that is not finite becomes its name in text, since
JSON has no word for it. A field that the data lack takes its default, so that older data still open; a field that the class lacks is
refused, since leaving it out would change what was kept.
"""

import base64
import dataclasses
import datetime
import math
import types
import typing
import zlib
from functools import cache
from typing import Any, TypeVar

import numpy as np

from vibekit.errors import UnreadableError

T = TypeVar("T")


def pack(value: object) -> Any:
    """Give dicts, lists, strings, finite numbers, booleans and None for a dataclass or anything that its fields may hold."""
    match value:
        case None | bool() | str():
            return value
        case int() | np.integer():
            return int(value)
        case float() | np.floating():
            number = float(value)
            return number if math.isfinite(number) else str(number)
        case complex() | np.complexfloating():
            return [pack(value.real), pack(value.imag)]
        case np.ndarray():
            return _pack_array(value)
        case tuple() | list():
            return [pack(item) for item in value]
        case datetime.date():  # a datetime is a date too
            return value.isoformat()
    assert dataclasses.is_dataclass(value), f"{type(value)} cannot be packed"
    return {field.name: pack(getattr(value, field.name)) for field in dataclasses.fields(value)}


def unpack(kind: type[T], data: object) -> T:
    """Make an object of dataclass `kind` from what pack() gave. Raises UnreadableError when the data do not fit the class."""
    try:
        return typing.cast("T", _unpack(kind, data))
    except (TypeError, ValueError, KeyError, AttributeError, zlib.error) as error:
        raise UnreadableError(f"kept data do not fit {kind.__name__} of this vibekit: {error}") from error


def _unpack(kind: Any, data: Any) -> Any:
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin in (typing.Union, types.UnionType):
        return None if data is None else _unpack(next(k for k in inner if k is not types.NoneType), data)
    if origin is typing.Literal:
        if data not in inner:
            raise ValueError(f"{data!r} is none of {inner}")
        return data
    if origin is tuple:
        kinds = [inner[0]] * len(data) if len(inner) == 2 and inner[1] is Ellipsis else inner
        return tuple(_unpack(k, item) for k, item in zip(kinds, data, strict=True))
    if origin is np.ndarray:
        return _unpack_array(data)
    if kind in (datetime.datetime, datetime.date):
        return kind.fromisoformat(data)
    if kind is float:
        return float(data)  # also from "nan"
    if kind is complex:
        return complex(*map(float, data))
    if isinstance(kind, type) and dataclasses.is_dataclass(kind):
        hints = _hints(kind)
        if extra := sorted(data.keys() - hints.keys()):
            raise ValueError(f"{', '.join(extra)} not known; a newer vibekit wrote it")
        return kind(**{name: _unpack(hints[name], item) for name, item in data.items()})
    if not isinstance(data, kind):
        raise TypeError(f"{data!r} is no {kind.__name__}")
    return data


@cache  # an archive holds thousands of the same few classes
def _hints(kind: type) -> dict[str, Any]:
    """The type of each field."""
    hints = typing.get_type_hints(kind)
    return {field.name: hints[field.name] for field in dataclasses.fields(kind)}


def _pack_array(array: np.ndarray[Any, Any]) -> dict[str, Any]:
    plain = np.ascontiguousarray(array, dtype=array.dtype.newbyteorder("<"))
    planes = (
        plain.reshape(-1).view(np.uint8).reshape(-1, plain.itemsize).T
    )  # first bytes of all numbers, then the second ... : packs better
    return {"dtype": plain.dtype.str, "shape": list(plain.shape), "planes": base64.b64encode(zlib.compress(planes.tobytes(), 6)).decode()}


def _unpack_array(data: dict[str, Any]) -> np.ndarray[Any, Any]:
    dtype = np.dtype(data["dtype"])
    planes = np.frombuffer(zlib.decompress(base64.b64decode(data["planes"])), np.uint8).reshape(dtype.itemsize, -1)
    array: np.ndarray[Any, Any] = np.ascontiguousarray(planes.T).view(dtype).reshape(data["shape"])
    array.flags.writeable = False
    return array
