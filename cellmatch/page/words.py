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
_OPTION = re.compile(r"--([a-z]+(?:-[a-z]+)*)")


def without_options(text: str) -> str:
    """Return a message with the page's fields in place of options.

    Examples
    --------
    >>> without_options("choose with --columns ocv_v=2 or --columns ocv_v=4")
    'choose with column ocv_v=2 or column ocv_v=4'
    >>> without_options("say --chemistry lfp"), without_options("--min-v 9")
    ('say chemistry lfp', 'min v 9')
    """
    return _OPTION.sub(lambda found: FIELDS.get(found[1], found[1].replace("-", " ")), text)
