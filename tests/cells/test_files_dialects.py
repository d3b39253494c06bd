"""Any table written in any of these dialects reads back equal."""

from __future__ import annotations

import csv
import io
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

from cellmatch.cells.reading.files import read_cells
from cellmatch.cells.reading.ids import confused_key, guarded, same_under
from cellmatch.cells.table import cell_table

HEADINGS = {
    "own": ("cell_id", "ocv_v", "capacity_mah", "ir_mohm"),
    "short": ("id", "ocv_V", "capacity_mAh", "ir_mohm"),
    "english": ("Cell ID", "Open‑Circuit Voltage ({v})", "Discharge capacity [{q}]", "AC IR (mΩ)"),
    "slash": ("Cell #", "OCV / {v}", "Cap. / {q}", "R_AC / mOhm"),
    "german": ("Zelle", "Leerlaufspannung [{v}]", "Kapazität [{q}]", "Innenwiderstand [mOhm]"),
    "french": ("N° cellule", "Tension à vide ({v})", "Capacité ({q})", "Résistance interne (mohm)"),
    "spanish": ("Celda", "Tensión en reposo ({v})", "Capacidad ({q})", "Resistencia interna (mohm)"),
    "italian": ("Cella", "Tensione a vuoto ({v})", "Capacità ({q})", "Resistenza interna (mohm)"),
    "chinese": ("编号", "开路电压({v})", "容量({q})", "内阻(mΩ)"),
    "japanese": ("セル番号", "開放電圧({v})", "容量({q})", "内部抵抗(mΩ)"),
}
PREAMBLES = (
    (),
    (("Report", "Incoming test"), ("Cut-off V", "2.80"), ()),
    (("# tray 4",), ("# read by: bench 1",)),
    (("Tester: bench unit 2",), ("Discharge A", "1.00"), ("Remark", "box 3; tray B, top"), (), ()),
)
ID_LETTERS = "ABCXYZ0123456789-_#/.:+abc é№电"


@dataclass(frozen=True)
class Dialect:
    """How a table is written."""

    headings: str
    delimiter: str
    decimal: str
    encoding: str
    newline: str
    quoting: int
    preamble: tuple[tuple[str, ...], ...]
    order: tuple[int, ...]
    volts: str
    charge: str
    trailing: bool
    units_row: bool
    blank_lines: bool
    thousands: str


def dialects() -> st.SearchStrategy[Dialect]:
    return st.builds(
        Dialect,
        headings=st.sampled_from(sorted(HEADINGS)),
        delimiter=st.sampled_from([",", ";", "\t", "|"]),
        decimal=st.sampled_from([".", ","]),
        encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-be-mark", "cp1252"]),
        newline=st.sampled_from(["\n", "\r\n", "\r"]),
        quoting=st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
        preamble=st.sampled_from(PREAMBLES),
        order=st.permutations(range(5)).map(tuple),
        volts=st.sampled_from(["V", "mV"]),
        charge=st.sampled_from(["mAh", "Ah"]),
        trailing=st.booleans(),
        units_row=st.booleans(),
        blank_lines=st.booleans(),
        thousands=st.sampled_from(["", "'", "\u202f", "\u00a0", "other"]),
    )


ids = (
    st.text(ID_LETTERS, min_size=1, max_size=10)
    .map(str.strip)
    .filter(lambda t: any(c.isalnum() for c in t) and not t.startswith(("# ", "//")) and not t.endswith("\\"))
)
cells = st.lists(
    st.tuples(
        ids,
        st.integers(2500, 4200).map(lambda n: n / 1000),
        st.integers(8000, 60000).map(lambda n: n / 10),
        st.integers(50, 2000).map(lambda n: n / 10),
        st.sampled_from(["", "dent", "small, at the rim", "a; b | c", 'says "old"', "-2 mm", "=1+1"]),
    ),
    min_size=2,
    max_size=12,
    unique_by=lambda row: row[0],
)
Rows = list[tuple[str, float, float, float, str]]


def written(rows: Rows, d: Dialect) -> bytes:
    """Write the rows in a dialect, by a writer that shares nothing with the reader."""
    heading = HEADINGS[d.headings]
    fixed = d.headings in ("own", "short")
    volts, charge = ("V", "mAh") if fixed else (d.volts, d.charge)
    units = ["", volts, charge, "mohm", ""]
    names = [h.format(v=volts, q=charge) for h in heading] + ["note"]
    if d.units_row and not fixed:
        names = [h.split(" (")[0].split(" [")[0].split(" /")[0].split("(")[0].strip() for h in names]
    mark = {".": ",", ",": "."}[d.decimal] if d.thousands == "other" else d.thousands

    def number(value: float, places: int, *, grouped: bool = False) -> str:
        text = f"{value:,.{places}f}" if grouped and mark else f"{value:.{places}f}"
        return text.replace(",", "T").replace(".", d.decimal).replace("T", mark)

    lines = [list(p) for p in d.preamble]
    lines.append([names[i] for i in d.order])
    if d.units_row and not fixed:
        lines.append([units[i] or "-" for i in d.order])
    for cell_id, ocv, capacity, ir, note in rows:
        fields = [
            guarded(cell_id),
            number(ocv, 3) if volts == "V" else number(ocv * 1000, 0, grouped=True),
            number(capacity, 1, grouped=True) if charge == "mAh" else number(capacity / 1000, 4),
            number(ir, 1),
            guarded(note),
        ]
        lines.append([fields[i] for i in d.order] + ([""] if d.trailing else []))
        if d.blank_lines:
            lines.append([])
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=d.delimiter, quoting=d.quoting, lineterminator=d.newline).writerows(lines)  # type: ignore[arg-type]
    text = out.getvalue()
    if d.encoding == "utf-16-be-mark":
        return b"\xfe\xff" + text.encode("utf-16-be")
    return text.encode(d.encoding)


def read_back(data: bytes, **options: str) -> pd.DataFrame:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "tray.csv"
        path.write_bytes(data)
        return read_cells(path, **options)  # type: ignore[arg-type]


@settings(
    max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much]
)
@given(rows=cells, dialect=dialects())
def test_any_dialect_reads_back(rows: Rows, dialect: Dialect) -> None:
    """Ids character for character, numbers to the last digit, notes as written, no problem seen."""
    assume(not (dialect.delimiter == "," and dialect.decimal == "," and dialect.quoting == csv.QUOTE_MINIMAL))
    assume(not same_under([r[0] for r in rows], confused_key, zeros=True))
    try:
        data = written(rows, dialect)
    except UnicodeEncodeError:
        assume(False)
    got = read_back(data)
    assert list(got.index) == [r[0] for r in rows]
    assert [p for p in got["problems"] if p] == []
    for name, place in (("ocv_v", 1), ("capacity_mah", 2), ("ir_mohm", 3)):
        assert np.allclose(got[name].to_numpy(), [r[place] for r in rows], rtol=1e-12, atol=0), name
    if "note" in got.columns:
        assert [n or "" for n in got["note"]] == [r[4] for r in rows]
    else:
        assert not any(r[4] for r in rows)


@settings(max_examples=40, deadline=None)
@given(rows=cells)
@example(
    rows=[("=1+1", 3.6, 2900.0, 20.0, "@x"), ("-2", 3.6, 2900.0, 20.0, "'=x"), ("'-3", 3.6, 2900.0, 20.0, "")]
)
def test_a_file_of_ours_reads_back(rows: Rows) -> None:
    """A table written with guarded texts comes back with the same ids, numbers and notes."""
    assume(not same_under([r[0] for r in rows], confused_key, zeros=True))
    table = cell_table(
        {
            "ocv_v": [r[1] for r in rows],
            "capacity_mah": [r[2] for r in rows],
            "ir_mohm": [r[3] for r in rows],
            "note": [r[4] for r in rows],
        },
        ids=[r[0] for r in rows],
    )
    out = table.copy()
    out.index = pd.Index([guarded(i) for i in table.index], name="cell_id")
    out["note"] = [guarded(n) for n in table["note"]]
    got = read_back(out.to_csv().encode())
    assert list(got.index) == list(table.index)
    for name in ("ocv_v", "capacity_mah", "ir_mohm"):
        assert list(got[name]) == list(table[name])


@pytest.mark.parametrize("decimal", [".", ","])
def test_told_decimal_sign_rules(decimal: str) -> None:
    """What could be 1.234 or 1234 is what the user says it is."""
    data = b"id;OCV (mV);Capacity (mAh);IR (mohm)\nA;3,611;2,981;1,234\nB;3,612;2,990;1,300\n"
    if decimal == ".":
        assert list(read_back(data, decimal=".")["ir_mohm"]) == [1234.0, 1300.0]
    else:
        with pytest.raises(Exception, match="--units ocv_v=V"):
            read_back(data, decimal=",")
