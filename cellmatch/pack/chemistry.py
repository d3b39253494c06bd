"""Cell chemistries: limits, words and curves, one TOML file each."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from cellmatch.errors import ArgumentInvalid, Problem, nearest_name

ASSUMED_CHEMISTRY = "nmc"
"""Assumed, and said, where no chemistry is given."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Chemistry:
    """What the chemistry of a cell settles.

    Parameters
    ----------
    name : str
        Short name, like ``nmc``.
    label : str
        The same in words.
    nominal_v, full_v, end_v, min_v, floor_v : float
        [V] Nominal; full; end of discharge; lowest in service; never use below.
    too_full_v : float or None
        [V] A rested cell above it is too full to build with; None: not known.
    flat : bool
        Voltage says little about charge over most of the range.
    charge_min_c, charge_max_c : float
        [degC] Temperatures between which the cell may be charged.
    source : str
        Where the figures come from.
    """

    name: str
    label: str
    nominal_v: float
    full_v: float
    end_v: float
    min_v: float
    floor_v: float
    too_full_v: float | None
    flat: bool
    charge_min_c: float
    charge_max_c: float
    source: str


def chemistry_names() -> tuple[str, ...]:
    """Return the names of the chemistries the package carries."""
    folder = files("cellmatch.pack") / "chemistries"
    return tuple(sorted(p.name.removesuffix(".toml") for p in folder.iterdir() if p.name.endswith(".toml")))


def load_chemistry(name: str | Path) -> Chemistry:
    """Read a chemistry by its name, or a user's own by the path of a TOML file.

    Raises
    ------
    ArgumentInvalid
        No such name or file, a key that is missing, unknown or of the wrong kind.
    """
    text = str(name)
    if text.endswith(".toml"):
        path = Path(text)
        try:
            content = path.read_text(encoding="utf-8")
        except OSError as error:
            raise ArgumentInvalid(Problem(f"chemistry file {path.name}", f"can't be read ({error.strerror})")) from error
        where = f"chemistry file {path.name}"
    else:
        known = chemistry_names()
        if text.lower() not in known:
            raise ArgumentInvalid(Problem(f"chemistry '{text}'", nearest_name(text.lower(), known)))
        content = (files("cellmatch.pack") / "chemistries" / f"{text.lower()}.toml").read_text(encoding="utf-8")
        where = f"chemistry {text}"
    try:
        return _from_toml(tomllib.loads(content), where)
    except tomllib.TOMLDecodeError as error:
        raise ArgumentInvalid(Problem(where, f"is not valid TOML: {error}")) from error


def _from_toml(data: dict[str, Any], where: str) -> Chemistry:
    numbers = {"nominal_v", "full_v", "end_v", "min_v", "floor_v", "charge_min_c", "charge_max_c"}
    needed = numbers | {"name", "label", "flat", "source"}
    problems = [Problem(where, f"key {key} is missing") for key in sorted(needed - data.keys())]
    known = needed | {"too_full_v"}
    problems += [Problem(f"{where}, key {key}", nearest_name(key, known)) for key in sorted(data.keys() - known)]
    problems += [
        Problem(f"{where}, key {key}", f"found {data[key]!r}; a number is needed")
        for key in sorted(numbers & data.keys())
        if not isinstance(data[key], int | float) or isinstance(data[key], bool)
    ]
    if problems:
        raise ArgumentInvalid(problems)
    if not data["floor_v"] <= data["min_v"] <= data["end_v"] < data["nominal_v"] < data["full_v"]:
        raise ArgumentInvalid(Problem(where, "needs floor_v <= min_v <= end_v < nominal_v < full_v"))
    return Chemistry(
        **{key: float(data[key]) for key in numbers},
        name=data["name"],
        label=data["label"],
        flat=data["flat"],
        too_full_v=data.get("too_full_v"),
        source=data["source"],
    )
