"""Names of files and folders that are harmless on any system, and not taken yet."""

from __future__ import annotations

import re

LONGEST_NAME = 60
_NOT_IN_NAMES = re.compile(r"[^A-Za-z0-9._-]+")


def plain_name(text: str) -> str:
    """Return a text in the signs that every system takes in a name.

    Examples
    --------
    >>> plain_name("my tray#2")
    'my-tray-2'
    """
    return _NOT_IN_NAMES.sub("-", text)


def safe_name(name: str) -> str:
    r"""Return a bare file name that is harmless on any system.

    Examples
    --------
    >>> safe_name("../../etc/passwd"), safe_name("C:\\my tray#2.csv"), safe_name("con.csv"), safe_name("…")
    ('passwd', 'my-tray-2.csv', 'file-con.csv', 'file')
    """
    bare = re.split(r"[/\\]", name)[-1]
    bare = plain_name(bare).strip("-. ")
    stem, dot, ending = bare.rpartition(".")
    bare = f"{stem[:LONGEST_NAME]}{dot}{ending[:10]}"
    reserved = re.fullmatch(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", bare, re.IGNORECASE)
    return f"file-{bare}" if reserved else bare or "file"


def free_name(name: str, taken: set[str]) -> str:
    """Return `name`, with a number where it is taken.

    Examples
    --------
    >>> free_name("tray.csv", {"tray.csv", "tray-2.csv"})
    'tray-3.csv'
    """
    stem, dot, ending = name.rpartition(".") if "." in name else (name, "", "")
    candidates = (name if k == 1 else f"{stem}-{k}{dot}{ending}" for k in range(1, len(taken) + 2))
    return next(c for c in candidates if c.lower() not in taken)
