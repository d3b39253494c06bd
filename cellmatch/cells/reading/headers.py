"""What a column heading means.

A heading is taken apart into words and a unit; case, accents, spaces, hyphens, brackets and the several
signs for µ and Ω make no difference. The spellings stand in :mod:`cellmatch.cells.reading.heading_words`.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

from cellmatch.cells.reading.heading_words import ROLES, SPELLINGS
from cellmatch.cells.reading.spelling import DASHES, INVISIBLE, listed
from cellmatch.cells.reading.units import PLAUSIBLE, QUANTITY, Unit, unit_of
from cellmatch.cells.table import columns_of

OWN = 0
"""Rank of our own column names; spellings follow with 1, 2, 3."""

_HARMLESS = frozenset(
    listed(
        "measured|meas|actual|real|value|val|reading|read|the|of|at|in|after|before|with|test|tested|initial|rest|"
        "resting|rested|cell|zell|batt|battery|mess|wert|gemessen|mesurée|medido"
    )
)
_CONDITION = re.compile(
    r"@?\s*(?<![a-z0-9])(?:[0-9]+(?:[.,][0-9]+)?\s*(?:°?[cf]|degc|h|hrs?|hours?|min|d|days?|%|soc|m?a)|[0-9]+/[0-9]+\s*c|c/[0-9]+)(?![a-z])"
)
"""Under which conditions something was measured: 25 °C, 24 h, 0.5C, C/5, 50 %."""
_METHOD = re.compile(r"^(ir|r|imp|impedance|resistance|z)?(ac|dc)(ir|r|imp|impedance|resistance|esr|z)?$")
_UNIT_BEHIND = re.compile(
    r"^(?P<name>.+?)(?:\s*/\s*|\s*,\s*|\s+in\s+|[\s_:-]+)(?P<unit>[^\s/,_]+(?:\s?ohms?)?)$", re.IGNORECASE
)
_PARTS = re.compile(r"(?:[\s_\-/,;:@|()\[\]]|\.(?![0-9]))+")
_RUNNING = re.compile(r"(.*[^\W\d_])[\s_#.-]*([0-9]{1,2})")
_BROKEN_SIGN = re.compile("[?\ufffd]")
_BRACKETS = re.compile(r"[(\[{<]([^()\[\]{}<>]*)[)\]}>]")


@dataclass(frozen=True, kw_only=True, slots=True)
class Heading:
    """What one heading says.

    Parameters
    ----------
    text : str
        As it stood in the file, without spaces around it.
    name : str
        Our column, empty where the heading means none of them.
    rank : int
        0 our own name, 1 a spelling that means this column only, higher: may mean it.
    unit : Unit or None
        Unit stated in the heading.
    unit_text : str
        What stood where a unit should stand, though it spells none we know.
    method : str
        Of a resistance: ``ac_1khz``, ``dc``, ``dc_<seconds>s``, or empty.
    roles : frozenset of str
        ``time``, ``current``, ``step``, ``cycle``, ``mode``, ``voltage``: what a log's column is for.
    """

    text: str
    name: str = ""
    rank: int = 9
    unit: Unit | None = None
    unit_text: str = ""
    method: str = ""
    roles: frozenset[str] = frozenset()


def plain(text: str) -> str:
    """Return `text` in one spelling: lower case, no accents, one kind of hyphen, µ and Ω.

    Examples
    --------
    >>> plain(" Open‑Circuit Voltage "), plain("Kapazität"), plain("mΩ") == plain("mΩ")
    ('open-circuit voltage', 'kapazitat', True)
    """
    text = (
        DASHES.sub("-", unicodedata.normalize("NFKC", INVISIBLE.sub("", text))).casefold().replace("ł", "l")
    )  # no accent to Unicode
    bare = "".join(c for c in unicodedata.normalize("NFD", text) if not unicodedata.combining(c))
    return (
        " ".join(bare.replace("ae", "a").replace("oe", "o").replace("ue", "u").split())
        if _german(text)
        else " ".join(bare.split())
    )


def _german(text: str) -> bool:
    """Tell whether ae, oe, ue in `text` stand for umlauts, as in Kapazitaet."""
    return any(stem in text for stem in ("kapazitaet", "pruef", "geraet"))


@lru_cache(maxsize=4096)  # a file's first rows are looked at once for each delimiter, and trays share their headings
def key(text: str) -> str:
    """Return what two spellings of one heading share: letters, digits and ``#`` only.

    Examples
    --------
    >>> key("Cell_ID") == key("cell id") == key("CELL-ID")
    True
    """
    return re.sub(r"[^\w#]|_", "", plain(text))


_MEANING: dict[str, tuple[str, int]] = {
    key(word): (name, rank)
    for name, lists in reversed(SPELLINGS.items())
    for rank, words in reversed(list(enumerate(lists, start=1)))
    for word in listed(words)
}
_IN_ANY_ORDER: dict[frozenset[str], tuple[str, int]] = {
    frozenset(_PARTS.split(plain(word))): (name, rank)
    for name, lists in reversed(SPELLINGS.items())
    for rank, words in reversed(list(enumerate(lists, start=1)))
    for word in listed(words)
    if len(set(_PARTS.split(plain(word)))) > 1
}
"""Spellings of several words, whose order makes no difference: voltage (open circuit), resistance internal."""
_DISCHARGED = frozenset(
    map(plain, listed("discharge|discharged|dis|entladung|entladen|décharge|descarga|scarica|放电"))
)
_OWN = {key(name): name for name in ("cell_id", *columns_of("read"))}
_ROLE: dict[str, frozenset[str]] = {}
for _role, _words in ROLES.items():
    for _word in listed(_words):
        _ROLE[key(_word)] = _ROLE.get(key(_word), frozenset()) | {_role}


@lru_cache(maxsize=4096)
def read_heading(text: str) -> Heading:
    """Work out what one heading means.

    Examples
    --------
    >>> h = read_heading("Q_dis[Ah]")
    >>> h.name, h.unit.symbol, h.rank
    ('capacity_mah', 'Ah', 1)
    >>> read_heading("R_AC").method, read_heading("IR (AC 1kHz) mΩ").unit.symbol, read_heading("end_V").name
    ('ac_1khz', 'mohm', '')
    """
    stripped = " ".join(INVISIBLE.sub("", text).split())
    if re.match(r"[#~%;!*]+\s*[^\W\d]", stripped):  # the mark of a comment line before a first heading
        stripped = stripped.lstrip("#~%;!* ")
    own = _OWN.get(key(stripped))
    if own is not None and re.sub(r"[\s-]", "_", stripped.casefold()) == own:
        unit = _own_unit(own)
        return Heading(text=stripped, name=own, rank=OWN, unit=unit)
    name, unit, unit_text = split_unit(stripped)
    meaning, rank, method = _meaning(name, unit)
    roles = _roles(name, unit)
    of_another = unit is not None and meaning in QUANTITY and QUANTITY[meaning] != unit.quantity
    if of_another and not (meaning == "capacity_mah" and unit is not None and unit.quantity == "energy"):
        meaning, rank = "", 9  # an energy called capacity is kept, so that its unit can be complained of
    return Heading(text=stripped, name=meaning, rank=rank, unit=unit, unit_text=unit_text, method=method, roles=roles)


def _own_unit(name: str) -> Unit | None:
    return PLAUSIBLE[QUANTITY[name]][0].unit if name in QUANTITY else None


def running_number(heading: Heading) -> tuple[str, int] | None:
    """Part ``IR 2 (mΩ)`` into what it shares with ``IR 1 (mΩ)`` and its number, None without one.

    Examples
    --------
    >>> running_number(read_heading("IR2 [mΩ]"))
    ('ir', 2)
    """
    found = _RUNNING.fullmatch(split_unit(heading.text)[0])
    return (key(found[1]), int(found[2])) if found else None


def split_unit(heading: str) -> tuple[str, Unit | None, str]:
    """Part a heading into its name, its unit, and bracket text that spells no unit we know.

    Examples
    --------
    >>> [split_unit(h)[1].symbol for h in ("OCV (V)", "Voltage / V", "ocv_V", "Spannung in mV", "IR[mΩ]")]
    ['V', 'V', 'V', 'mV', 'mohm']
    """
    text = unicodedata.normalize("NFKC", heading).replace("【", "[").replace("】", "]")
    unit, unknown = None, ""
    for bracket in _BRACKETS.finditer(text):
        inside = bracket[1].strip()
        found = unit_of(inside)
        if found is None and not _BROKEN_SIGN.search(inside):
            unknown = unknown or inside
            continue
        unit, unknown = unit or found, unknown if found else inside
        text = text.replace(bracket[0], " ", 1)
    text = " ".join(re.sub(r"[()\[\]{}<>]", " ", text).split())
    if unit is None:
        alone = unit_of(text)
        if alone is not None and alone.quantity in ("voltage", "capacity", "resistance") and len(text) < 8:
            return text, alone, ""
        name, unit = _unit_in(text)
        if unit is not None:
            return name, unit, ""
    return text, unit, unknown if unit is None else ""


def _unit_in(text: str) -> tuple[str, Unit | None]:
    """Find a unit without brackets: behind a sign or a space, between other words, or grown together."""
    behind = _UNIT_BEHIND.match(text)
    unit = unit_of(behind["unit"]) if behind else None
    whole = QUANTITY.get(_MEANING.get(key(text), ("", 9))[0])
    if behind and unit is not None and whole in (None, unit.quantity):  # the oc of V_oc is no ºC
        return behind["name"].strip(" _-:,/"), unit
    words = text.split()
    for i, word in enumerate(words):
        unit = unit_of(word.strip(",;:")) if len(word) > 1 else None
        if unit is not None and len(words) > 1:
            return " ".join(words[:i] + words[i + 1 :]), unit
    if key(text) not in _MEANING:
        for length in range(min(6, len(text) - 1), 0, -1):
            name, unit = text[:-length], unit_of(text[-length:])
            meaning = _MEANING.get(key(name), ("", 9))[0]
            if unit is not None and QUANTITY.get(meaning) == unit.quantity:
                return name, unit
    return text, None


def _meaning(name: str, unit: Unit | None) -> tuple[str, int, str]:
    whole = key(name)
    if whole in _MEANING and not (unit is not None and _quantity(whole) not in (None, unit.quantity)):
        return (*_MEANING[whole], "")
    words = [w for w in _PARTS.split(_CONDITION.sub(" ", plain(name))) if w]
    method, words = _method(words)
    for chosen in (
        words,
        [w for w in words if w not in _HARMLESS],
    ):
        joined = key("".join(chosen)) or ("ir" if method else "")
        found = _MEANING.get(joined) or _IN_ANY_ORDER.get(frozenset(chosen))
        if found is not None and (not method or found[0] == "ir_mohm"):
            return found[0], 1 if method else found[1], method
    numbered = _RUNNING.fullmatch(name)
    if numbered:
        meaning, rank, method = _meaning(numbered[1], unit)
        if meaning in ("ocv_v", "capacity_mah", "ir_mohm"):
            return meaning, max(rank, 2), method
    if unit is not None and unit.quantity == "capacity" and set(words) <= _DISCHARGED and words:
        return "capacity_mah", 1, ""
    if not words and unit is not None:
        return (
            {"voltage": "ocv_v", "capacity": "capacity_mah", "resistance": "ir_mohm"}.get(unit.quantity, ""),
            2,
            "",
        )
    return "", 9, ""


def _quantity(whole: str) -> str | None:
    return QUANTITY.get(_MEANING[whole][0])


def _method(words: list[str]) -> tuple[str, list[str]]:
    """Take the words that tell how a resistance was measured out of `words`."""
    method, seconds, rest = "", "", []
    for word in words:
        found = _METHOD.match(word)
        if found:
            method = found[2]
            rest.append("ir" if found[1] or found[3] else "")
        elif word in ("1khz", "1000hz", "khz", "交流"):
            method = "ac"
        elif re.fullmatch(r"\d+s", word):
            seconds = word
        elif word.startswith(("交流", "直流")):
            method = "ac" if word.startswith("交流") else "dc"
            rest.append(word[2:])
        else:
            rest.append(word)
    rest = [w for w in rest if w and w != "1"] if method == "ac" else [w for w in rest if w]
    if method == "ac":
        return "ac_1khz", rest
    if method == "dc":
        return f"dc_{seconds}" if seconds else "dc", rest
    return "", words


def _roles(name: str, unit: Unit | None) -> frozenset[str]:
    roles = _ROLE.get(key(name), frozenset())
    if unit is not None:
        if unit.quantity in ("current", "voltage") and key(name) in (
            "",
            key(unit.symbol),
            "i",
            "u",
            "v",
            "e",
        ):
            roles = roles | {unit.quantity}
        if unit.quantity in ("time", "current") and not roles:
            roles = frozenset({unit.quantity})
    meaning = _MEANING.get(key(name))
    if meaning is not None and meaning[0] == "ocv_v":
        roles = roles | {"voltage"}
    return roles
