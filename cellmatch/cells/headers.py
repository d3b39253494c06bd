"""What a column heading means: the spellings people use, each in one line below.

A heading is taken apart into words and a unit; case, accents, spaces, hyphens, brackets and the several
signs for µ and Ω make no difference. The first list of a column holds spellings that mean it and nothing
else, later lists what may mean it where nothing better stands in the file.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

from cellmatch.cells.spelling import DASHES, INVISIBLE, listed
from cellmatch.cells.table import columns_of
from cellmatch.cells.units import PLAUSIBLE, QUANTITY, Unit, unit_of

OWN = 0
"""Rank of our own column names; spellings follow with 1, 2, 3."""

_SPELLINGS: dict[str, tuple[str, ...]] = {
    "cell_id": (
        "cell id|cell|cell number|cell no|cell nr|cell num|cell #|cell name|cell label|cell code|"
        "cell serial|cell sn|cell barcode|zelle|zell id|zellen id|zellennummer|zellnummer|"
        "zellen nr|zell nr|zellnr|zelle nr|zellenbezeichnung|cellule|numéro de cellule|cellule n|"
        "n cellule|no cellule|id cellule|celda|id celda|numero de celda|celda n|cella|id cella|"
        "numero cella|cella n|n de celda|numero de la celda|"
        "电芯|电芯编号|电芯号|电芯id|电池编号|电池号|编号|單體編號|单体编号|"
        "電芯編號|セル|セル番号|セルno|セルid|電池番号|電池no",
        "id|barcode|bar code|serial|serial number|serial no|s/n|sn|item id|item|item no|code|"
        "label|uid|sample|sample id|prüfling|seriennummer|kennung|bezeichnung|etikett|条码|条形码|二维码|"
        "序列号|バーコード|シリアル番号|battery id|battery no|battery number|battery #|akku nr|"
        "batterie nr|id batterie|id pila|id bateria|étiquette|etiqueta|etichetta|identifiant|"
        "identificador",
        "no|nr|#|number|num|n|idx|index|unit|unit id|unit no|name|nummer|lfd nr|ident nr|nom|nombre|nome|"
        "numéro|numero|battery|batterie|akku|pile|batería|batteria|序号|番号|电池|電池|名称",
    ),
    "ocv_v": (
        "ocv|open circuit voltage|open circuit|open circuit volts|oc voltage|voc|uoc|u oc|v oc|"
        "u ocv|v ocv|u0|ocv rest|rest voltage|resting voltage|rested voltage|voltage at rest|"
        "voltage rest|voltage after rest|ocv voltage|open voltage|ruhespannung|leerlaufspannung|leerlauf|u leerlauf|"
        "tension à vide|tension au repos|tension en circuit ouvert|voltaje en circuito abierto|"
        "voltaje de circuito abierto|voltaje en reposo|tensión en circuito abierto|"
        "tensión en reposo|tensión en vacío|tensione a vuoto|tensione a circuito aperto|"
        "tensione a riposo|开路电压|開路電壓|静置电压|静态电压|開放電圧|開路電圧|無負荷電圧",
        "voltage|volt|volts|v|u|spannung|spg|zellspannung|zellenspannung|e cell|v cell|u cell|v batt|"
        "tension|voltaje|tensión|tensione|电压|電壓|電圧|电池电压",
    ),
    "capacity_mah": (
        "discharge capacity|discharged capacity|discharge cap|dchg cap|dch cap|dis cap|disch cap|"
        "dchg capacity|dis capacity|disch capacity|q dis|q dch|q disch|q dchg|q discharge|"
        "capacity discharge|capacity dchg|capacity dis|cap dis|cap discharge|cap dchg|"
        "entladekapazität|entladene kapazität|kapazität entladen|kapazität entladung|q entladen|"
        "capacité de décharge|capacité décharge|capacité déchargée|capacidad de descarga|"
        "capacidad descarga|capacità di scarica|capacità scarica|放电容量|放電容量|ah out|"
        "ahr out|amp hr out|discharge ah|discharge mah|dchg",
        "capacity|cap|capa|q|kapazität|kapa|kap|zellkapazität|capacité|capacidad|capacità|容量|"
        "实际容量|实测容量|電池容量|电池容量|amp hr|amp hrs|amp hours|ahr|ah|mah|mamp hr|実容量",
    ),
    "rated_mah": (
        "rated|rated capacity|rated cap|nominal capacity|nominal cap|nominal|nom cap|"
        "label capacity|labelled capacity|labeled capacity|design capacity|specified capacity|"
        "nennkapazität|capacité nominale|capacidad nominal|capacità nominale|额定容量|标称容量|"
        "設計容量|设计容量|定格容量|公称容量|q nom|q rated|q n",
    ),
    "ir_mohm": (
        "ir|internal resistance|ir resistance|ir value|ohmic resistance|widerstand ri|"
        "r internal|int resistance|internal res|int res|internal r|innenwiderstand|"
        "r i|r int|ri|rint|résistance interne|resistencia interna|resistenza interna|内阻|內阻|"
        "内部抵抗|esr|r cell|zellwiderstand|impedance|imp|impedanz|impédance|impedancia|"
        "impedenza|阻抗|インピーダンス|internal impedance",
        "resistance|res|r|z|widerstand|résistance|resistencia|resistenza|电阻|電阻|抵抗|ohm|mohm|ω|mω",
    ),
    "temperature_c": (
        "temperature|temp|cell temperature|cell temp|temperatur|zelltemperatur|température|"
        "temperatura|t cell|温度|電池温度|电池温度",
        "ambient temperature|ambient temp|ambient|t amb|room temperature|room temp|"
        "raumtemperatur|umgebungstemperatur|环境温度|環境温度|室温|t",
    ),
    "self_discharge_mv_per_day": (
        "self discharge|self discharge rate|k value|k|selbstentladung|k wert|autodécharge|"
        "autodescarga|autoscarica|k值|自放电|自放电率|自己放電",
    ),
    "lot": (
        "lot|lot no|lot number|lot id|batch|batch no|batch number|batch id|los|losnummer|lotto|"
        "lote|批次|批号|批次号|ロット|ロット番号",
    ),
    "model": (
        "model|cell model|cell type|model no|part number|part no|modell|zelltyp|zellentyp|modèle|"
        "modelo|modello|型号|電池型号|型番|型式",
        "type|typ|tipo",
    ),
    "chemistry": ("chemistry|cell chemistry|chem|chemie|zellchemie|chimie|química|chimica|化学体系|材料体系|电芯体系",),
    "tester": (
        "tester|tester id|charger|charger id|instrument|testgerät|prüfgerät|messgerät|tester no|"
        "设备号|设备编号|测试设备",
    ),
    "slot": (
        "slot|slot no|slot number|channel|channel no|channel number|chan|ch|ch no|bay|port|kanal|"
        "kanal nr|schacht|fach|canal|canale|voie|通道|通道号|チャンネル|チャネル",
    ),
    "tested_at": (
        "tested at|test date|date tested|tested|date|datetime|date time|datum|prüfdatum|"
        "messdatum|testdatum|zeitpunkt|measured at|measured on|timestamp|time stamp|date de test|"
        "date de mesure|fecha|fecha de prueba|data|data prova|日期|测试日期|日付|測定日|測定日時|"
        "日時|date/time",
    ),
    "rested_h": (
        "rested|rest time|rest hours|hours at rest|time at rest|rest|ruhezeit|temps de repos|"
        "tiempo de reposo|静置时间|休止時間",
    ),
    "last_direction": ("last direction",),
    "mass_g": ("mass|weight|cell mass|cell weight|masse|gewicht|zellgewicht|poids|peso|massa|重量|質量|质量",),
    "mark": (
        "mark|judge|judgement|judgment|ok/ng|ng/ok|ok ng|pass/fail|pass fail|go/no go|verdict|"
        "判定|判断|判定结果|測定判定|urteil|bewertung|esito|verdict final",
        "result|status|quality|check|ok|pass|ergebnis|befund|prüfergebnis|résultat|resultado|"
        "risultato|结果|結果|状态|合否",
    ),
    "note": (
        "note|notes|remark|remarks|comment|comments|bemerkung|bemerkungen|kommentar|notiz|"
        "anmerkung|anmerkungen|remarque|remarques|commentaire|observación|observaciones|"
        "observaciones|nota|notas|osservazioni|备注|備註|備考|コメント|damage|defects",
    ),
    "ir_method": ("ir method|resistance method",),
}

_ROLES: dict[str, str] = {
    "time": "time|test time|step time|total time|elapsed|elapsed time|time elapsed|actual time|t|"
    "zeit|laufzeit|temps|tiempo|tempo|时间|時間|测试时间|经过时间|経過時間|timestamp|"
    "time stamp|datetime|date time|dpt time|seconds|relative time|system time",
    "current": "current|amps|amp|i|strom|courant|corriente|corrente|电流|電流|current avg",
    "step": "step|step index|step no|step type|step name|steptype|data point|datapoint|record|"
    "record no|record id|rec|rec #|rec no|es|工步|工步号|记录号|ステップ",
    "cycle": "cycle|cycle index|cycle no|cycle number|cycle id|cyc|cyc #|cycle c|cycle p|zyklus|"
    "zyklen|ciclo|循环|循环号|循環|サイクル",
    "mode": "mode|modus|state|md|direction|charge/discharge|chg/dchg|step type|steptype|phase|"
    "richtung|betriebsart|充放电|状态",
}
"""Columns that a time log has and a per-cell table seldom: what each stands for."""

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
    text = DASHES.sub("-", unicodedata.normalize("NFKC", INVISIBLE.sub("", text))).casefold()
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
    for name, lists in reversed(_SPELLINGS.items())
    for rank, words in reversed(list(enumerate(lists, start=1)))
    for word in listed(words)
}
_IN_ANY_ORDER: dict[frozenset[str], tuple[str, int]] = {
    frozenset(_PARTS.split(plain(word))): (name, rank)
    for name, lists in reversed(_SPELLINGS.items())
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
for _role, _words in _ROLES.items():
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
