"""Frozen dataclasses to plain JSON values and back, by their type hints."""

from __future__ import annotations

import math
import types
from collections import abc
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import Any, Union, get_args, get_origin, get_type_hints

import numpy as np


def to_plain(value: Any) -> Any:
    """Return `value` as what JSON can hold; missing numbers become None, never NaN.

    Examples
    --------
    >>> to_plain({"a": (1, float("nan"))})
    {'a': [1, None]}
    """
    if value is None or type(value) in (str, int, bool):
        return value  # nearly all of a record
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name)) for f in fields(value) if f.compare}
    if isinstance(value, Mapping):
        return {str(k): to_plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [to_plain(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value


def from_plain(kind: Any, data: Any, **known: Any) -> Any:
    """Build a value of type `kind` from plain JSON values.

    Parameters
    ----------
    kind : type
        A dataclass, or a type hint made of tuple, Mapping, unions and plain types.
    data : plain JSON value
    **known
        Fields that do not stand in `data`.

    Raises
    ------
    KeyError, TypeError
        `data` lacks a field or holds something else; the caller says which file.
    """
    if is_dataclass(kind) and isinstance(kind, type):
        hints = get_type_hints(kind)
        values = {
            f.name: from_plain(hints[f.name], data[f.name])
            for f in fields(kind)
            if f.compare and f.name not in known and f.name in data
        }
        return kind(**values, **known)
    origin, arguments = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        return _from_union(arguments, data)
    if origin is tuple:
        if len(arguments) == 2 and arguments[1] is Ellipsis:
            return tuple(from_plain(arguments[0], item) for item in data)
        return tuple(from_plain(k, item) for k, item in zip(arguments, data, strict=True))
    if origin is abc.Mapping:
        return {name: from_plain(arguments[1], item) for name, item in data.items()}
    if kind is float and data is None:
        return math.nan
    if kind is float and isinstance(data, int) and not isinstance(data, bool):
        return float(data)
    return data


def _from_union(arguments: tuple[Any, ...], data: Any) -> Any:
    if data is None:
        return None
    for kind in arguments:
        if kind is not type(None) and (get_origin(kind) is tuple) == isinstance(data, list):
            return from_plain(kind, data)
    return data
