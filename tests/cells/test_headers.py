"""Headings: spellings of several languages, units in every style, methods of a resistance."""

from __future__ import annotations

from itertools import pairwise

import pytest

from cellmatch.cells.reading.headers import OWN, read_heading, running_number
from cellmatch.cells.reading.units import PLAUSIBLE, QUANTITY, unit_of, units_for
from cellmatch.cells.table import COLUMN, columns_of

MEANT = {
    "cell_id": (
        "Cell|Cell ID|CELL_ID|cellID|Cell #|Cell No.|No.|#|Idx|Unit|Item_ID|Barcode|S/N|Zelle|Zell-Nr.|"
        "Lfd. Nr.|N° cellule|Celda|Cella|编号|电芯编号|セル番号|Prüfling|Bat ID|"
        "Ogniwo|Nr ogniwa|Ячейка|№|Номер ячейки|Célula|Celnummer|셀 번호"
    ),
    "ocv_v": (
        "OCV|OCV (V)|OCV[V]|OCV V|ocv_V|U|U[V]|Volts|Voltage|Voltage / V|Ecell/V|Open‑Circuit Voltage (V)|"
        "Open Circuit|V|OCV @ 25 °C (V)|OCV after 24h (V)|OCV (after 24 h rest)|Leerlaufspannung [V]|"
        "Ruhespannung in V|Tension à vide (V)|Tensión en reposo (V)|Tensione a vuoto (V)|开路电压(V)|电压V|"
        "開放電圧(V)|OCVmV|開回路電圧(V)|Napięcie (V)|Napiecie jalowe [V]|Напряжение, В|НРЦ, мВ|Tensão em repouso (V)|"
        "Spanning (V)|개방전압(V)"
    ),
    "capacity_mah": (
        "Capacity|Cap mAh|Cap. [Ah]|Q|Q_dis[Ah]|DChg. Cap.(Ah)|Amp-hr|mAmp-hr|AhrOUT|mAh|Ah|"
        "Discharge (mAh)|mAh discharged|Capacity, mAh|Capacity mAh (0.5C)|Capacity @0.2C, mAh|"
        "Kapazität [mAh]|Kapazitaet|Entladekapazität|Capacité (mAh)|Capacidad|Capacità|容量|容量mAh|"
        "放电容量(mAh)|capacitymAh|Pojemność (mAh)|Ёмкость, мА·ч|Емкость (Ач)|Разрядная ёмкость|Capacidade (mAh)|"
        "Capaciteit|용량(mAh)"
    ),
    "ir_mohm": (
        "IR|IR (mΩ)|IR mΩ|IR[mOhm]|R_AC|R-DC|ACR (Ohm)|DCIR/Ohms|ACImp/Ohms|Internal Resistance (Ohm)|Ri|"
        "ESR|mΩ|Resistance|Innenwiderstand|Résistance interne (mΩ)|Resistencia interna|Resistenza interna|"
        "内阻|内阻mΩ|交流内阻(mΩ)|内部抵抗(mΩ)|IR 2|DCIR_10s_mOhm|IR (m?)|"
        "Rezystancja wewnętrzna (mΩ)|Внутреннее сопротивление, мОм|Сопротивление (Ом)|Resistência interna|"
        "Inwendige weerstand (mΩ)|내부저항(mΩ)"
    ),
    "rated_mah": "Rated capacity|Nominal capacity (mAh)|Nennkapazität|标称容量",
    "temperature_c": "Temp. [°C]|Temperature (°C)|Raumtemperatur [°C]|T_cell/°C|Temp (°F)|温度",
    "mark": "Judge|Judgement|OK/NG|Result|Status|判定|Bewertung|Pass/Fail",
    "note": "Remark|Remarks|Note|Comment|Bemerkung|备注|備考",
    "mass_g": "Weight|Mass (g)|Gewicht|重量",
    "tested_at": "Date|Timestamp|Datum|Test date|日期",
    "slot": "Slot|Channel|Kanal|通道",
    "self_discharge_mv_per_day": "K值(mV/h)|Self-discharge (mV/day)|Selbstentladung",
}
NOT_MEANT = (
    "end_V|Cutoff voltage (V)|Charge voltage|Max voltage (V)|Voltage after charge (V)|Chg. Cap.(Ah)|"
    "Charge Capacity (mAh)|Energy (Wh)|Contact resistance(mO)|End temp[C]|Current (A)|Time|cycle|SOH|"
    "Remaining capacity|Nominal voltage (V)|Spec. Cap.(mAh/g)"
)


@pytest.mark.parametrize(("name", "heading"), [(n, h) for n, hs in MEANT.items() for h in hs.split("|")])
def test_heading_is_understood(name: str, heading: str) -> None:
    """Each spelling means the column it stands under."""
    assert read_heading(heading).name == name


@pytest.mark.parametrize("heading", NOT_MEANT.split("|"))
def test_heading_is_not_taken_for_a_reading(heading: str) -> None:
    """What sounds like a reading and is another."""
    assert read_heading(heading).name == ""


@pytest.mark.parametrize("name", ["cell_id", *columns_of("read")])
def test_our_own_names(name: str) -> None:
    """Every column of the table is read by its own name, with the unit that the name carries."""
    heading = read_heading(name)
    assert (heading.name, heading.rank) == (name, OWN)
    assert read_heading(name.upper()).name == name
    if name in QUANTITY:
        assert heading.unit is not None
        assert (heading.unit.factor, heading.unit.before) == (1.0, 0.0)


@pytest.mark.parametrize(
    ("heading", "symbol"),
    [
        ("OCV (V)", "V"),
        ("OCV[mV]", "mV"),
        ("Voltage / V", "V"),
        ("ocv_mV", "mV"),
        ("Spannung in mV", "mV"),
        ("Cap【mAh】", "mAh"),
        ("Capacity（Ah）", "Ah"),
        ("IR mΩ", "mohm"),
        ("IR (mΩ)", "mohm"),
        ("IR (MOHM)", "mohm"),
        ("R/Ohm", "ohm"),
        ("IR [µΩ]", "µohm"),
        ("IR [μΩ]", "µohm"),
        ("Contact IR (mO)", "mohm"),
        ("Temp (°F)", "°F"),
        ("K值(mV/h)", "mV/h"),
    ],
)
def test_unit_in_heading(heading: str, symbol: str) -> None:
    """Brackets of all kinds, slash, underscore, space; both signs for micro and for ohm."""
    unit = read_heading(heading).unit
    assert unit is not None
    assert unit.symbol == symbol


@pytest.mark.parametrize(
    ("heading", "method"),
    [
        ("R_AC", "ac_1khz"),
        ("ACR", "ac_1khz"),
        ("IR 1kHz", "ac_1khz"),
        ("IR@1kHz(mΩ)", "ac_1khz"),
        ("交流内阻", "ac_1khz"),
        ("DCIR", "dc"),
        ("R-DC", "dc"),
        ("DCIR 10s (mOhm)", "dc_10s"),
        ("DC-IR (10s)", "dc_10s"),
        ("直流内阻", "dc"),
        ("IR", ""),
    ],
)
def test_method_of_a_resistance(heading: str, method: str) -> None:
    """AC at 1 kHz, DC with or without its duration, or unstated."""
    found = read_heading(heading)
    assert (found.name, found.method) == ("ir_mohm", method)


def test_running_numbers() -> None:
    """IR 1 and IR 2 share what stands before the number."""
    assert running_number(read_heading("IR1 (mΩ)")) == ("ir", 1)
    assert running_number(read_heading("IR 2 [mΩ]")) == ("ir", 2)
    assert running_number(read_heading("IR (mΩ)")) is None


def test_every_number_column_has_a_quantity_and_its_own_unit_first() -> None:
    """A unit of factor 1 stands first, so that nothing stated means the column's own unit."""
    numbers = {c.name for c in COLUMN.values() if c.kind == "number" and c.stage == "read"}
    assert numbers == set(QUANTITY)
    for name in numbers:
        first = units_for(name)[0]
        assert (first.factor, first.before) == (1.0, 0.0)


def test_likely_ranges_of_one_quantity_do_not_overlap() -> None:
    """Or a median could be taken for two units without a question."""
    for ranges in PLAUSIBLE.values():
        spans = sorted((p.likely_least, p.likely_most) for p in ranges if p.likely_most > 0)
        assert all(a[1] < b[0] for a, b in pairwise(spans))


def test_units_of_other_things_are_none() -> None:
    """A word is no unit."""
    assert unit_of("cycles") is None
    assert unit_of("") is None
