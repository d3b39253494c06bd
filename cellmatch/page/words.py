"""Messages of the core in the words of the page: fields in place of command-line options."""

from __future__ import annotations

import re

FIELDS = {
    "columns": "column",
    "units": "unit",
    "decimal": "decimal sign",
    "repeats": "repeats",
    "accept": "“use anyway” for",
    "out": "another folder at the start of the page:",
}
SIGNS = {"mohm": "mΩ", "ohm": "Ω", "µohm": "µΩ"}
"""Units as they are printed, where they are typed otherwise."""
_COLUMN = re.compile(r"--columns ([a-z_]+)=(\S+)")
_OPTION = re.compile(r"--([a-z]+(?:-[a-z]+)*)")


def unit_words(symbol: str) -> str:
    """Return a unit as it is printed.

    Examples
    --------
    >>> unit_words("mohm"), unit_words("mAh")
    ('mΩ', 'mAh')
    """
    return SIGNS.get(symbol, symbol)


def _column_words(name: str) -> str:
    from cellmatch.cells.reading.pieces import WORDS  # brings pandas along, which the first page does without

    return WORDS.get(name, name)


def without_options(text: str) -> str:
    """Return a message with the page's fields in place of options.

    Examples
    --------
    >>> without_options("choose with --columns ocv_v=2 or --columns ocv_v=4")
    'choose with open-circuit voltage taken from 2 or open-circuit voltage taken from 4'
    >>> without_options("say --chemistry lfp"), without_options("--min-v 9")
    ('say chemistry lfp', 'min v 9')
    """
    text = _COLUMN.sub(lambda found: f"{_column_words(found[1])} taken from {found[2]}", text)
    return _OPTION.sub(lambda found: FIELDS.get(found[1], found[1].replace("-", " ")), text)
