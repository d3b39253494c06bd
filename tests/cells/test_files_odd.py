"""Odd files of the kinds that people bring: understood rightly and said, or refused with the choice named."""

from __future__ import annotations

from pathlib import Path

import pytest

from cellmatch.cells.reading.files import read_cells
from cellmatch.errors import FileAmbiguous, FileUnusable

Cells = dict[str, tuple[float, ...]]
TWO: Cells = {"A1": (3.61, 2900.0), "A2": (3.62, 2910.0)}

UNDERSTOOD: dict[str, tuple[str | bytes, Cells, list[str]]] = {
    "UTF-16 without a mark, CR": (
        "Cell,OCV (V),Cap (mAh),IR (mΩ)\rA1,3.61,2900,20\rA2,3.62,2910,21\r".encode("utf-16-be"),
        {"A1": (3.61, 2900.0, 20.0), "A2": (3.62, 2910.0, 21.0)},
        ["utf-16-be"],
    ),
    "units and decimal commas in the cells": (
        "Zelle;Spannung;Kapazität;Innenwiderstand\nA1;3,612 V;2.981,5 mAh;20,4 mΩ\nA2;3608 mV;2,955 Ah;0,0210 Ω\n",
        {"A1": (3.612, 2981.5, 20.4), "A2": (3.608, 2955.0, 21.0)},
        ["'Spannung' is taken for the open-circuit voltage"],
    ),
    "units in columns of their own": (
        "id,ocv,unit,cap,unit\nA1,3.61,V,2900,mAh\nA2,3620,mV,2.910,Ah\n",
        TWO,
        ["column 3 'unit' is taken for the unit of column 2 'ocv'"],
    ),
    "units above the headings": (",V,mAh\nid,ocv,cap\nA1,3.61,2900\nA2,3.62,2910\n", TWO, []),
    "two tables side by side": (
        "Cell,OCV,Cap,,Cell,OCV,Cap\nA1,3.61,2900,,B1,3.60,2880\nA2,3.62,2910,,B2,3.61,2890\nA3,3.6,2905,,,,\n",
        {
            "A1": (3.61, 2900.0),
            "A2": (3.62, 2910.0),
            "A3": (3.6, 2905.0),
            "B1": (3.6, 2880.0),
            "B2": (3.61, 2890.0),
        },
        ["stand 2 times side by side"],
    ),
    "blocks of keys and values": (
        "Cell:  A1\nOCV:  3.61 V\nCapacity:  2900 mAh\n\nCell:  A2\nOCV:  3.62 V\nCapacity:  2910 mAh\n",
        TWO,
        ["lies on its side"],
    ),
    "on its side, ids that look like headings": (
        "Zelle\tZ1\tZ2\nRuhespannung V\t3,61\t3,62\nKapazität Ah\t2,900\t2,910\n",
        {"Z1": (3.61, 2900.0), "Z2": (3.62, 2910.0)},
        ["lies on its side"],
    ),
    "limits above the cells": (
        "Cell,OCV [V],Cap [mAh]\nUpper limit,3.7,3100\nLower limit,3.5,2800\nA1,3.61,2900\nA2,3.62,2910\n",
        TWO,
        ["line 2: 'Upper limit' sums the table up", "line 3: 'Lower limit'"],
    ),
    "the number of the battery is its id, not the number of the row": (
        "#,Bat ID,OCV (V),Cap (mAh)\n1,A1,3.61,2900\n1,A2,3.62,2910\n",
        TWO,
        ["'Bat ID' is taken for cell_id, not '#'"],
    ),
    "every line in quotes": ('"id,ocv,cap"\n"A1,3.61,2900"\n"A2,3.62,2910"\n', TWO, ["quotes as a whole"]),
    "a heading over two": (
        "Cell,Voltage,,Capacity,\n,OCV (V),Load (V),Charge (mAh),Discharge (mAh)\n"
        "A1,3.61,3.40,2950,2900\nA2,3.62,3.41,2960,2910\n",
        TWO,
        [],
    ),
    "words of a heading in another order": (
        "Cell,Voltage (open circuit) [V],Capacity measured [mAh]\nA1,3.61,2900\nA2,3.62,2910\n",
        TWO,
        [],
    ),
    "V_oc is no degree Celsius": ("Cell,V_oc,Kap. (mAh)\nA1,3.61,2900\nA2,3.62,2910\n", TWO, ["in V"]),
    "empty slots tell nothing of the unit": (
        "id,ocv,cap\nA1,3.61,2900\nA2,0,0\nA3,0.00,0\n",
        {"A1": (3.61, 2900.0), "A2": (0.0, float("nan")), "A3": (0.0, float("nan"))},
        ["in mAh"],
    ),
    "an old end-of-file mark": ("id,ocv,cap\nA1,3.61,2900\nA2,3.62,2910\n\x1a", TWO, []),
    "a closing sentence": (
        "id,ocv,cap,ir\nA1,3.61,2900,20\nA2,3.62,2910,21\n\nTested by Jo, all at 23 °C\n",
        {"A1": (3.61, 2900.0, 20.0), "A2": (3.62, 2910.0, 21.0)},
        ["line 5 'Tested by Jo, all at 23 °C': no row of the table"],
    ),
    "dashes that are no hyphens": (
        "id,ocv,cap\nA\u20111,3.61,2900\nA-2,3.62,2910\n",
        {"A\u20111": (3.61, 2900.0), "A-2": (3.62, 2910.0)},
        ["looks like a hyphen", "U+2011"],
    ),
    "the unit asked about is one that was inferred": (
        "Cell,OCV (V),Cap (mAh),IR\nA1,3.61,2900,20\nA2,3.62,2910,21\n",
        {"A1": (3.61, 2900.0, 20.0), "A2": (3.62, 2910.0, 21.0)},
        ["--units ir_mohm=…"],
    ),
}

REFUSED: dict[str, tuple[str | bytes, type[Exception], list[str]]] = {
    "a link in place of the file": (b"../../objects/7x/2p/tray.csv\n", FileUnusable, ["pointer", "fetch"]),
    "a log with Russian headings": (
        "Время, с;Напряжение, В;Ток, А\n0;4,15;1,0\n10;4,14;1,0\n",
        FileUnusable,
        ["a log of one cell", "cellmatch measure"],
    ),
    "capacity in per cent": (
        "id,ocv (V),Capacity (%)\nA1,3.61,45.1\nA2,3.62,45.3\n",
        FileAmbiguous,
        ["% is no unit of capacity", "mAh, Ah, As"],
    ),
    "an old DOS page": (
        "Zelle;Spannung (V);Kapazität (mAh)\nA1;3,61;2900\n".encode("cp850"),
        FileAmbiguous,
        ["--encoding cp850 reads 'Zelle;Spannung (V);Kapazität (mAh)'"],
    ),
    "ids that differ in spaces": ("id,ocv,cap\nA 1,3.61,2900\nA  1,3.62,2910\n", FileAmbiguous, ["in spaces only"]),
    "one sign for thousands, or both for decimals": (
        'id,ocv (V),cap,ir\nA1,3.612,2981,"20,4"\nA2,3.608,2955,"21,0"\n',
        FileAmbiguous,
        ["both decimal signs occur: '20,4' and '3.612'", "--decimal"],
    ),
    "a shifted row and units that can't be right": (
        "id;ocv_v;cap;ir_mohm\nA1;3,611;x;2;3,105;0,0151\nA2;3,698;3,096;0,0149\nA3;3,700;3,120;0,0153\n",
        FileAmbiguous,
        ["resistance: the unit mohm can't be right", "--units ir_mohm=ohm"],
    ),
    "a list in another notation": ("- id: A1\n  ocv: 3.61\n  cap: 2900\n", FileUnusable, ["no header row found"]),
    "headings too far down": (
        "words\n" * 301 + "id,ocv,cap\nA1,3.6,2900\n",
        FileUnusable,
        ["no header row found in the first 300 rows"],
    ),
    "ids and nothing else": ("id,ocv,cap\nA1,,\nA2,,\n", FileUnusable, ["no open-circuit voltage can be read"]),
}


@pytest.mark.parametrize("name", UNDERSTOOD)
def test_understood_and_said(tmp_path: Path, name: str) -> None:
    text, expected, words = UNDERSTOOD[name]
    path = tmp_path / "t.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    cells = read_cells(path)
    columns = ["ocv_v", "capacity_mah", "ir_mohm"][: len(next(iter(expected.values())))]
    found = {str(i): tuple(row) for i, row in zip(cells.index, cells[columns].to_numpy(), strict=True)}
    assert found.keys() == expected.keys()
    for cell, values in expected.items():
        assert found[cell] == pytest.approx(values, nan_ok=True)
    reading = cells.attrs["reading"]
    said = "\n".join((*reading.assumptions, *reading.warnings))
    for word in words:
        assert word in said
    assert "\x1a" not in said


@pytest.mark.parametrize("name", REFUSED)
def test_refused_with_the_choice_named(tmp_path: Path, name: str) -> None:
    text, kind, words = REFUSED[name]
    path = tmp_path / "t.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(kind) as told:
        read_cells(path)
    for word in words:
        assert word in str(told.value)


def test_hidden_signs_are_told_by_their_number_and_not_printed(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("id,ocv,cap\n\u202eA1,3.61,2900\nA\u200b2,3.62,2910\n", encoding="utf-8")
    cells = read_cells(path)
    assert list(cells.index) == ["A1", "A2"]
    (told,) = cells.attrs["reading"].warnings
    assert "U+202E" in told
    assert "U+200B" in told
    assert told.isprintable()
