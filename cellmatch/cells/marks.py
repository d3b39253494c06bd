"""The tester's own judgement of a cell: OK, NG, ○, △, × and their relatives."""

from __future__ import annotations

from cellmatch.cells.headers import plain
from cellmatch.cells.numbers import SPACES
from cellmatch.cells.spelling import listed

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


def judged(mark: str) -> str:
    """Return ``pass``, ``fail`` or ``unsettled``.

    Examples
    --------
    >>> [judged(m) for m in ("OK", "Pass", "○", "NG", "×", "△", "", "later")]
    ['pass', 'pass', 'pass', 'fail', 'fail', 'unsettled', 'unsettled', 'unsettled']
    """
    word = plain(mark.strip(SPACES))
    return "pass" if word in _PASS else "fail" if word in _FAIL else "unsettled"
