"""Cell chemistries: limits, words and curves, one TOML file each."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from cellmatch.errors import ArgumentInvalid, Problem, nearest_name
from cellmatch.pack.curve import OcvCurve, read_curve

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
    curve : OcvCurve or None
        Rest voltage against charge; None where no data were at hand.
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
    curve: OcvCurve | None = None

    def working_curve(self, end_v: float | None = None, full_v: float | None = None) -> OcvCurve | None:
        """Return the curve with SOC 0 at the end of discharge and SOC 1 at full, or None without a curve.

        Measured capacities count from full to the end of discharge, so charge in amp hours over such a
        capacity is this curve's SOC. Where the curve ends inside the limits, its own end is taken.

        Parameters
        ----------
        end_v, full_v : float, optional
            [V] Without them those of the chemistry.

        Raises
        ------
        ArgumentInvalid
            The voltages leave nothing of the curve.
        """
        if self.curve is None:
            return None
        low = max(self.end_v if end_v is None else end_v, self.curve.empty_v)
        high = min(self.full_v if full_v is None else full_v, self.curve.full_v)
        return self.curve.between(low, high)


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
    if not text.endswith(".toml"):
        known = chemistry_names()
        if text.lower() not in known:
            raise ArgumentInvalid(Problem(f"chemistry '{text}'", nearest_name(text.lower(), known)))
        return _carried(text.lower())
    path = Path(text)
    where = f"chemistry file {path.name}"
    try:
        return _from_toml(tomllib.loads(path.read_text(encoding="utf-8")), where, path.parent)
    except (OSError, UnicodeDecodeError) as error:
        raise ArgumentInvalid(Problem(where, f"can't be read ({error})")) from error
    except tomllib.TOMLDecodeError as error:
        raise ArgumentInvalid(Problem(where, f"is not valid TOML: {error}")) from error


@cache
def _carried(name: str) -> Chemistry:
    """Return a chemistry of the package; it never changes, and many trays ask for it."""
    content = (files("cellmatch.pack") / "chemistries" / f"{name}.toml").read_text(encoding="utf-8")
    return _from_toml(tomllib.loads(content), f"chemistry {name}", None)


_NUMBERS = ("nominal_v", "full_v", "end_v", "min_v", "floor_v", "charge_min_c", "charge_max_c")
_NEEDED: dict[str, tuple[type, ...]] = {
    **dict.fromkeys(_NUMBERS, (int, float)),
    **dict.fromkeys(("name", "label", "source"), (str,)),
    "flat": (bool,),
}
_OPTIONAL: dict[str, tuple[type, ...]] = {"too_full_v": (int, float), "curve": (dict,)}
_WORDS = {int: "a number", str: "a text", bool: "true or false", dict: "a table"}


def _from_toml(data: dict[str, Any], where: str, folder: Path | None) -> Chemistry:
    """Return the chemistry of a TOML table; a curve file is looked for beside it."""
    known = _NEEDED | _OPTIONAL
    problems = [Problem(where, f"key {key} is missing") for key in sorted(_NEEDED.keys() - data.keys())]
    problems += [Problem(f"{where}, key {key}", nearest_name(key, known)) for key in sorted(data.keys() - known)]
    problems += [
        Problem(f"{where}, key {key}", f"found {data[key]!r}; {_WORDS[kinds[0]]} is needed")
        for key, kinds in known.items()
        if key in data and (type(data[key]) not in kinds)
    ]
    if problems:
        raise ArgumentInvalid(problems)
    if not data["floor_v"] <= data["min_v"] <= data["end_v"] < data["nominal_v"] < data["full_v"]:
        raise ArgumentInvalid(Problem(where, "needs floor_v <= min_v <= end_v < nominal_v < full_v"))
    too_full = data.get("too_full_v")
    return Chemistry(
        **{key: float(data[key]) for key in _NUMBERS},
        name=data["name"],
        label=data["label"],
        flat=data["flat"],
        too_full_v=None if too_full is None else float(too_full),
        source=data["source"],
        curve=_curve_from_toml(data["curve"], where, folder) if "curve" in data else None,
    )


def _curve_from_toml(data: dict[str, Any], where: str, folder: Path | None) -> OcvCurve:
    """Return the curve of a [curve] table: three arrays and their source, or the name of a CSV file."""
    if set(data) == {"file"} and folder is not None:
        return read_curve(folder / str(data["file"]))
    needed = {"source", "soc_fraction", "ocv_v", "uncertainty_v"}
    if set(data) != needed:
        found = ", ".join(sorted(data)) or "nothing"
        right = f"needs {', '.join(sorted(needed))}, or nothing but file = the name of a CSV file"
        raise ArgumentInvalid(Problem(f"{where}, [curve]", f"found {found}; it {right}"))
    try:
        arrays = {key: tuple(float(v) for v in data[key]) for key in needed - {"source"}}
    except (TypeError, ValueError) as error:
        raise ArgumentInvalid(Problem(f"{where}, [curve]", f"an array of numbers is needed ({error})")) from error
    try:
        return OcvCurve(**arrays, source=str(data["source"]))
    except ArgumentInvalid as error:
        raise ArgumentInvalid([Problem(f"{where}: {p.where}", p.what) for p in error.problems]) from None
