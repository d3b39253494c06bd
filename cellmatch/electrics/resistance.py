"""From the resistance that was measured to the one that a load meets: a range, said in words.

A resistance grows with the length of the pulse. Joining, short circuit and fuse use the value as measured,
which errs high in current only if it is the lowest; sag, heat and end of discharge need direct current
over 10 s or more.
"""

from __future__ import annotations

import re

from cellmatch.errors import ArgumentInvalid, Problem

LONG_PULSE_S = 10.0
AC_TO_LOAD = (1.3, 1.8)
"""Direct current over seconds against 1 kHz: instant over 5 s resistance was 0.57 to 0.74 in mean over four
lots of retired cells (computed from the TBSI-Lijing data set, MIT licence)."""
SHORT_PULSE_TO_LOAD = (1.0, 1.35)
"""A pulse below 10 s, or one of unknown length: from nothing missing to what 5 s add to the instant value."""
UNKNOWN_TO_LOAD = (1.0, 1.8)
"""Nothing is known: any of the above."""

_DC = re.compile(r"dc(?:_(\d+(?:\.\d+)?)s)?")


def load_resistance_range(ir_method: str | None) -> tuple[float, float, str]:
    """Return by how much a load meets more resistance than was measured.

    Parameters
    ----------
    ir_method : str or None
        ``ac_1khz``, ``dc_<seconds>s``, ``dc`` or ``unknown``.

    Returns
    -------
    float, float
        Lowest and highest factor on the measured resistance.
    str
        In words, for the list of what was assumed.

    Raises
    ------
    ArgumentInvalid
        Another method.

    Examples
    --------
    >>> load_resistance_range("ac_1khz")[:2], load_resistance_range("dc_10s")[:2]
    ((1.3, 1.8), (1.0, 1.0))
    """
    method = (ir_method or "unknown").lower()
    direct = _DC.fullmatch(method)
    if direct and direct[1] and float(direct[1]) >= LONG_PULSE_S:
        return 1.0, 1.0, f"resistance under load as measured, by direct current over {float(direct[1]):g} s"
    if direct:
        low, high = SHORT_PULSE_TO_LOAD
        what = f"a pulse of {float(direct[1]):g} s" if direct[1] else "a direct-current pulse of unknown length"
    elif method == "ac_1khz":
        (low, high), what = AC_TO_LOAD, "alternating current of 1 kHz"
    elif method == "unknown":
        (low, high), what = UNKNOWN_TO_LOAD, "an unknown method"
    else:
        right = "ac_1khz, dc_<seconds>s, dc or unknown"
        raise ArgumentInvalid(Problem(f"resistance method '{ir_method}'", f"known: {right}"))
    return low, high, f"resistance under load taken as {low:g} to {high:g} times the value measured by {what}"
