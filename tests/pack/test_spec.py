"""The shape of a pack as people write it."""

from __future__ import annotations

import pytest

from cellmatch.errors import ArgumentInvalid
from cellmatch.pack.spec import Pack


@pytest.mark.parametrize("text", ["10s3p", "10S3P", " 10s 3p "])
def test_reads(text: str) -> None:
    assert Pack.parse(text) == Pack(10, 3)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("10p3s", "write 3s10p"),
        ("0s3p", "at least 1"),
        ("10s0p", "at least 1"),
        ("10x3", "like 10s3p"),
        ("", "like 10s3p"),
        ("99999s9999p", "at most"),
        ("-1s3p", "like 10s3p"),
    ],
)
def test_says_what_would_be_right(text: str, words: str) -> None:
    with pytest.raises(ArgumentInvalid, match=words):
        Pack.parse(text)


def test_groups_of_different_sizes() -> None:
    pack = Pack(3, (4, 3, 3))
    assert pack.places == 10
    assert pack.group_sizes == (4, 3, 3)
    assert str(pack) == "3s(4+3+3)p"
    assert Pack.parse(" 3S ( 4 + 3+3 ) p ") == pack
    with pytest.raises(ArgumentInvalid, match="2 group sizes"):
        Pack(3, (4, 3))
    with pytest.raises(ArgumentInvalid, match="1 group sizes"):
        Pack.parse("3s(4)p")
    with pytest.raises(ArgumentInvalid, match="like 10s3p"):
        Pack.parse("3s(4+)p")
