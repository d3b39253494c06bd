"""The tester's own judgement of a cell: OK, NG, ○, △, × and their relatives."""

from __future__ import annotations

from cellmatch.cells.reading.headers import plain
from cellmatch.cells.reading.numbers import SPACES
from cellmatch.cells.reading.spelling import listed

_PASS = frozenset(
    map(
        plain,
        listed(
            "ok|o.k.|okay|okey|pass|passed|good|go|yes|y|true|○|◯|〇|⚪|⭕|◎|✓|✔|☑|✅|√|gut|i.o.|i. o.|io|"
            "in ordnung|bestanden|bon|bonne|conforme|bueno|buono|apto|合格|合格品|良|良品|可|正常|accept|"
            "accepted|fine|p"
        ),
    )
)
_FAIL = frozenset(
    map(
        plain,
        listed(
            "ng|n.g.|n/g|fail|failed|f|bad|no|n|false|no good|not ok|nok|n.o.k.|reject|rejected|×|✗|✘|✕|✖|"
            "╳|❌|⨯|☒|nio|n.i.o.|n. i. o.|nicht ok|nicht in ordnung|schlecht|defekt|ausschuss|"
            "durchgefallen|mauvais|mauvaise|non conforme|malo|cattivo|scarto|no apto|不合格|不合格品|不良|"
            "不良品|否|异常|異常|scrap|no go|no-go|defective|dead"
        ),
    )
)


_ASKS = frozenset(map(plain, listed("ok|ok?|pass|pass?|passed|pass/fail|good|accepted")))
"""Headings that ask a question which 1 and 0 answer; a status or result of 0 may well be a good one."""


def judged(mark: str, heading: str = "") -> str:
    """Return ``pass``, ``fail`` or ``unsettled``, under the heading of its column.

    Examples
    --------
    >>> [judged(m) for m in ("OK", "Pass", "○", "NG", "×", "△", "", "later")]
    ['pass', 'pass', 'pass', 'fail', 'fail', 'unsettled', 'unsettled', 'unsettled']
    >>> judged("0", "Pass"), judged("0", "Status")
    ('fail', 'unsettled')
    """
    word = plain(mark.strip(SPACES))
    if word in ("0", "1") and plain(heading) in _ASKS:
        return "pass" if word == "1" else "fail"
    return "pass" if word in _PASS else "fail" if word in _FAIL else "unsettled"
