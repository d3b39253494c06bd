"""The strict number parser."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cellmatch.cells.reading.numbers import MISSING, Decimal, looks_like_date, parse_number, parse_numbers


@pytest.mark.parametrize(
    ("text", "decimal", "value"),
    [
        ("3.601", ".", 3.601),
        (" 3.601\u00a0", ".", 3.601),
        ("3,601", ",", 3.601),
        ("3,601", ".", 3601.0),
        ("2.981,5", ",", 2981.5),
        ("2,981.5", ".", 2981.5),
        ("1,234,567", ".", 1234567.0),
        ("2\u202f975,0", ",", 2975.0),
        ("2\u00a0990,0", ",", 2990.0),
        ("2 990", ".", 2990.0),
        ("2'981", ".", 2981.0),
        ("2’981.5", ".", 2981.5),
        ("\u221220,2", ",", -20.2),
        ("+3.6", ".", 3.6),
        (".5", ".", 0.5),
        ("2.0E-002", ".", 0.02),
        ("3.6e0", ".", 3.6),
        ("0", ".", 0.0),
    ],
)
def test_number(text: str, decimal: Decimal, value: float) -> None:
    """Signs, exponents and thousands in groups of three."""
    number = parse_number(text, decimal)
    assert number.fault == ""
    assert number.value == value


@pytest.mark.parametrize(
    "text",
    [
        "1_000",
        "inf",
        "nan",
        "٣٫٦",
        "３.6",
        "3.6.1",
        "1,23",
        "1,2345",
        "12,34,567",
        "1 23",
        "2.981.5",
        "1,234 567",
        "0x1F",
        "3,6",
        "20.1?",
        ">500",
        "~20",
        "OL",
        "1.",
        "3.6 3.7",
        "3-6",
        "--3",
        "e5",
        "3e",
        "1e400",
        "３",
        "3.\x006",
        "TRUE",
        "3/4",
        "3%",
        "=3.6",
    ],
)
def test_no_number(text: str) -> None:
    """What a generous parser would take."""
    number = parse_number(text)
    assert number.fault or number.unit, number  # 3% has a unit that no column knows
    if number.fault:
        assert math.isnan(number.value)


@pytest.mark.parametrize(
    "text", ["", " ", "-", "---", "n/a", "N/A", "NaN", "#N/A", "null", "k.A.", "–", "无"]
)
def test_missing(text: str) -> None:
    """Texts that say that nothing was read."""
    assert parse_number(text).fault == MISSING


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("OL", "over the range"),
        ("O.L", "over the range"),
        ("1.", "over the range"),
        ("OVER", "over the range"),
        ("ERR 03", "error"),
        ("Fehler", "error"),
        (">500", "limit"),
        ("≥ 200", "limit"),
        ("03. Jun", "spreadsheet"),
        ("2026-06-03", "spreadsheet"),
        ("3.\x006", "control"),
        ("٣٫٦", "0 to 9"),
        ("3,60", "decimal sign"),
    ],
)
def test_fault_says_why(text: str, word: str) -> None:
    """The reason stands in the fault."""
    assert word in parse_number(text).fault


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("3.603 V", 3.603, "V"),
        ("2.987Ah", 2.987, "Ah"),
        ("0.0195 Ω", 0.0195, "Ω"),
        ("20.1mohm", 20.1, "mohm"),
        ("5 °C", 5.0, "°C"),
    ],
)
def test_unit_behind(text: str, value: float, unit: str) -> None:
    """A unit behind the number comes out as written."""
    assert parse_number(text)[:2] == (value, unit)


@given(st.integers(-(10**9), 10**9), st.integers(0, 6), st.sampled_from([".", ","]))
def test_every_plain_number_reads_back(number: int, places: int, decimal: Decimal) -> None:
    """Whole and decimal numbers, under either sign, with the digits they show."""
    value = number / 10**places
    text = f"{value:.{places}f}".replace(".", decimal)
    found = parse_number(text, decimal)
    assert (found.value, found.decimals, found.fault) == (float(f"{value:.{places}f}"), places, "")


@given(
    st.integers(0, 10**9),
    st.sampled_from([".", ","]),
    st.sampled_from(["other", "\u202f", "\u00a0", " ", "'"]),
)
def test_every_grouped_number_reads_back(number: int, decimal: Decimal, mark: str) -> None:
    """Thousands in groups of three under any of the marks."""
    sign = {".": ",", ",": "."}[decimal] if mark == "other" else mark
    assert parse_number(f"{number:,}".replace(",", sign), decimal).value == number


@given(st.text(max_size=12), st.sampled_from([".", ","]))
def test_any_text_gives_a_number_or_a_fault(text: str, decimal: Decimal) -> None:
    """Never an exception, never a value beside a fault, never an infinite one."""
    number = parse_number(text, decimal)
    assert math.isnan(number.value) == bool(number.fault)
    assert not math.isinf(number.value)


@given(
    st.lists(
        st.one_of(
            st.sampled_from(["3.6", "3,6", "2.981,5", "20 mΩ", "OL", "", "1e5", "-0", " 7 ", "2’900", "003"]),
            st.from_regex(r"-?[0-9]{1,4}[.,]?[0-9]{0,4}", fullmatch=True),
        ),
        max_size=8,
    ),
    st.sampled_from([".", ","]),
)
def test_many_texts_are_read_as_each_of_them(texts: list[str], decimal: Decimal) -> None:
    together = parse_numbers(texts, decimal)
    for i, text in enumerate(texts):
        alone = parse_number(text, decimal)
        assert together.found[i] == pytest.approx(alone.value, abs=0.0, nan_ok=True)
        assert together.decimals[i] == alone.decimals
        assert (i in together.others) == bool(alone.unit or alone.fault)
        assert repr(together.others.get(i, alone)) == repr(alone)


def test_dates_of_spreadsheets() -> None:
    """Ids like 1-100 and numbers are no dates; what a spreadsheet makes of them is."""
    assert all(
        looks_like_date(t)
        for t in ("03. Jun", "Jan 00", "1-Jan", "3. Mrz", "2026-06-03 00:00:00", "06.03.2026")
    )
    assert not any(looks_like_date(t) for t in ("1-100", "3/4", "3.06", "C001", "March", "A-12", "1E5"))
