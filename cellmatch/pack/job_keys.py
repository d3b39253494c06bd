"""Every key of a job file: what it means, what it may be, what holds without it.

Reading, writing and the documentation follow :data:`JOB_KEYS`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from cellmatch.pack.aims import AIMS, UNEQUAL
from cellmatch.pack.holder import LINK_TYPES
from cellmatch.pack.limits import LIMIT_WORDS

SEED = 0
ACCEPT = "accept"
"""The one table whose keys are the user's own: cell ids."""


@dataclass(frozen=True, slots=True)
class JobKey:
    """One key of a job file.

    Parameters
    ----------
    table, name : str
        Where it stands and what it is called.
    kind : str
        One of :data:`KINDS`.
    meaning : str
        In words.
    default : str
        In words.
    choices : tuple of str
        What it may be, where that is a list.
    """

    table: str
    name: str
    kind: str
    meaning: str
    default: str
    choices: tuple[str, ...] = ()


def _is_number(value: object) -> bool:
    return type(value) in (int, float)


def _is_integer(value: object) -> bool:
    return type(value) is int


def _is_list_of(right: Callable[[object], bool]) -> Callable[[object], bool]:
    return lambda value: isinstance(value, list) and all(right(v) for v in value)


KINDS: dict[str, tuple[str, Callable[[object], bool]]] = {
    "number": ("a number", _is_number),
    "whole": ("a whole number", _is_integer),
    "wholes": ("a list of whole numbers, like [3, 7]", _is_list_of(_is_integer)),
    "whole or wholes": (
        "a whole number, or a list of them",
        lambda value: _is_integer(value) or _is_list_of(_is_integer)(value),
    ),
    "pairs": (
        "a list of pairs of whole numbers, like [[4, 8]]",
        _is_list_of(lambda value: _is_list_of(_is_integer)(value) and len(value) == 2),  # type: ignore[arg-type]
    ),
    "flag": ("true or false", lambda value: isinstance(value, bool)),
    "text": ("a text in quotes", lambda value: isinstance(value, str)),
    "texts": ('a list of texts, like ["spread"]', _is_list_of(lambda value: isinstance(value, str))),
}
"""What a value may be: in words, and the check."""

JOB_KEYS: tuple[JobKey, ...] = (
    JobKey("pack", "series", "whole", "groups in series; group 1 is at pack negative", "must be given"),
    JobKey("pack", "parallel", "whole or wholes", "cells in each group; a list where groups differ", "must be given"),
    JobKey(
        "pack", "chemistry", "text", "nmc, nca, lco, lmo, lfp, lto, or a TOML file beside this one", "nmc, and said"
    ),
    *(
        JobKey("limits", name, "flag" if name == "salvaged" else "number", told.words, told.default)
        for name, told in LIMIT_WORDS.items()
    ),
    JobKey("load", "current_a", "number", "A. Continuous current of the load", "not given"),
    JobKey("load", "peak_a", "number", "A. Current for seconds", "not given"),
    JobKey("load", "power_w", "number", "W. Continuous power of the load, instead of current_a", "not given"),
    JobKey("load", "cell_a", "number", "A. Continuous limit of one cell, by its maker", "not given"),
    JobKey("load", "cell_peak_a", "number", "A. Limit of one cell for seconds, by its maker", "not given"),
    JobKey("load", "load_uf", "number", "µF. Capacitors at the load's input", "not given"),
    JobKey(
        "holder", "shape", "text", "straight, offset, 5x8, strips 5x8, or a map: a CSV file beside this one", "straight"
    ),
    JobKey("holder", "cell_size", "text", "cell by its designation, like 18650 or 21700", "18650"),
    JobKey("holder", "pitch_mm", "number", "mm. Centre to centre of neighbours", "diameter + 2"),
    JobKey("holder", "first_negative_up", "flag", "group 1 shows its negative ends on the top face", "true"),
    JobKey("holder", "split_after", "wholes", "groups after which the pack goes on in another module", "one module"),
    JobKey("holder", "heat_placement", "flag", "cells are placed by their heat where a load is given", "true"),
    JobKey("links", "type", "text", "how links are made", "bolted, and said", LINK_TYPES),
    JobKey("links", "contact_a", "number", "A. What the contact of one cell may carry", "not given"),
    JobKey("links", "link_mohm", "number", "mohm. One link with its joints", "0.5"),
    JobKey("links", "custom", "pairs", "places joined by a link of your own, such as a diagonal", "none"),
    JobKey("search", "aims", "texts", "what the grouping looks for, most important first", "by the spare cells", AIMS),
    JobKey(
        "search",
        "spend_uncertainty",
        "texts",
        "aims for which capacities may differ by the group uncertainty",
        "none",
        AIMS,
    ),
    JobKey("search", "rules", "texts", 'what every group must keep, like ["pin A7=2", "one-lot"]', "none"),
    JobKey("search", "unequal", "text", "groups of unequal size hold their share, or equal sums", "share", UNEQUAL),
    JobKey("search", "floor_is_enough", "flag", "the search ends below the floor, where no tester sees more", "false"),
    JobKey("search", "reproducible", "flag", "work is counted instead of seconds: the same on every machine", "false"),
    JobKey("search", "seconds", "number", "s. Longest search", "3; of many trays 0.1 each"),
    JobKey("search", "seed", "whole", "of the random parts", f"{SEED}"),
)
"""Every key of a job file, in the order in which it is written."""
