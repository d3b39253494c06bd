"""The build as it goes: what was read, what that is worth, what keeps a step locked.

The same rules as on the bench sheet: a reading out of its window or missing locks its step; a written reason
opens it, except where none may; the ticks of a junction wait for the readings before it; readings older than a
day decide nothing.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from cellmatch.cells.readings import COLUMNS
from cellmatch.page.jobs import JobFolder, now
from cellmatch.page.plans import BENCH_NAME, View

STUCK = "only a new reading or a new plan opens this step"
_HAIR_V = 1e-9

Bench = dict[str, Any]


@dataclass(frozen=True, kw_only=True, slots=True)
class Judged:
    """What one expected reading is worth now.

    Parameters
    ----------
    how : str
        ``inside``, ``opened`` (by a reason), ``missing``, ``outside`` or ``stop``.
    words : str
    asks : bool
        A reason may be written.
    value_v : float or None
        [V] As read, or as worked out.
    """

    how: str
    words: str
    asks: bool = False
    value_v: float | None = None

    @property
    def passes(self) -> bool:
        """It holds no step up."""
        return self.how in ("inside", "opened")


def bench_of(folder: JobFolder, view: View) -> Bench:
    """Return the state of the build; a blank one where nothing was read in these steps."""
    kept = folder.read_json(BENCH_NAME)
    # readings belong to the steps they were taken in
    if isinstance(kept, dict) and kept.get("steps") == view["steps_id"]:
        return kept
    return {"steps": view["steps_id"], "readings": {}, "ticks": {}, "reasons": {}, "done": {}, "log": []}


def keep(folder: JobFolder, bench: Bench, what: str) -> None:
    """Write the state of the build, with a line in its log; readings of other steps are put by."""
    kept = folder.read_json(BENCH_NAME)
    if isinstance(kept, dict) and kept.get("steps") != bench["steps"]:
        stamp = now().replace(":", "-")
        (folder.path / BENCH_NAME).replace(folder.path / f"bench {stamp}.json")
    bench["log"].append({"at": now(), "what": what})
    folder.write_json(BENCH_NAME, bench)


def key_of(step: Mapping[str, Any], index: int) -> str:
    """Return the name of a reading in the state."""
    return f"{step['number']}-{index}"


def reading_of(view: View, bench: Bench, step: Mapping[str, Any], index: int) -> tuple[float, str] | None:
    """Return value [V] and time of a reading; of a spread, of its cells' latest, the time of the oldest."""
    expected = step["expected"][index]
    if expected["kind"] != "spread_v":
        found = bench["readings"].get(key_of(step, index))
        return None if found is None else (found["v"], found["at"])
    read = [_latest(view, bench, cell, step["number"]) for cell in view["groups"][int(expected["target"]) - 1]]
    known = [r for r in read if r is not None]
    if len(known) < len(read):
        return None
    volts = [v for v, _ in known]
    return max(volts) - min(volts), min(at for _, at in known)


def _latest(view: View, bench: Bench, cell: str, up_to: int) -> tuple[float, str] | None:
    found = None
    for step in view["steps"][:up_to]:
        for index, expected in enumerate(step["expected"]):
            if expected["kind"] == "cell_v" and expected["target"] == cell:
                kept = bench["readings"].get(key_of(step, index))
                found = found if kept is None else (kept["v"], kept["at"])
    return found


def judge(view: View, bench: Bench, step: Mapping[str, Any], index: int) -> Judged:
    """Judge one expected reading."""
    expected, key = step["expected"][index], key_of(step, index)
    reason = str(bench["reasons"].get(key, "")).strip()
    read, opens = reading_of(view, bench, step, index), bool(expected["reason_opens"])
    if read is None:
        if opens and reason:
            return Judged(how="opened", words="not read; reason written", asks=True)
        spread = expected["kind"] == "spread_v"
        return Judged(how="missing", words="needs a reading of every cell" if spread else "not read yet", asks=opens)
    value, at = read
    if str(step["number"]) not in bench["done"] and _age_h(at) > view["stale_h"]:
        return Judged(how="missing", words=f"older than {view['stale_h']} h: read again", value_v=value)
    low, high = expected["low_v"], expected["high_v"]
    if low - _HAIR_V <= value <= high + _HAIR_V:
        return Judged(how="inside", words="✓ inside", value_v=value)
    by = f"{value - high:.3f} V above the window" if value > high else f"{low - value:.3f} V below the window"
    hard_low, hard_high = expected["hard_low_v"], expected["hard_high_v"]
    beyond = (hard_low is not None and value < hard_low) or (hard_high is not None and value > hard_high)
    if beyond and low > 0 > value:
        return Judged(how="stop", words=f"✗ Stop: wrong sign; {STUCK}", value_v=value)
    if beyond or not opens:
        return Judged(how="stop", words=f"✗ Stop: {by}; {STUCK}", value_v=value)
    if reason:
        return Judged(how="opened", words=f"{by}; reason written", asks=True, value_v=value)
    return Judged(how="outside", words=f"✗ {by}: read again, or write a reason", asks=True, value_v=value)


def out_of_window(view: View, bench: Bench) -> int:
    """Return how many typed readings lie outside their windows, whether or not a reason opened them."""
    return sum(
        not expected["low_v"] - _HAIR_V <= kept["v"] <= expected["high_v"] + _HAIR_V
        for step in view["steps"]
        for index, expected in enumerate(step["expected"])
        if (kept := bench["readings"].get(key_of(step, index))) is not None
    )


def _age_h(at: str) -> float:
    return (datetime.fromisoformat(now()) - datetime.fromisoformat(at)).total_seconds() / 3600


def gated(view: View, bench: Bench, step: Mapping[str, Any]) -> bool:
    """Tell whether the work of a step waits for the readings before it."""
    if not step["junction"]:
        return False
    before = [i for i, e in enumerate(step["expected"]) if e["when"] == "before"]
    return not all(judge(view, bench, step, i).passes for i in before)


def tick_names(step: Mapping[str, Any]) -> list[str]:
    """Return the names of the ticks of a step, the cover last."""
    names = [f"d{step['number']}-{k}" for k in range(len(step["do"]))]
    return [*names, f"c{step['number']}"] if step["cover"] else names


def locks(view: View, bench: Bench, step: Mapping[str, Any]) -> list[str]:
    """Return what keeps a step locked, in words; nothing where it may be closed."""
    judged = [judge(view, bench, step, i) for i in range(len(step["expected"]))]
    count = {how: sum(j.how == how for j in judged) for how in ("stop", "outside", "missing")}
    out = [f"stop: {count['stop']} reading{'s' if count['stop'] > 1 else ''}"] if count["stop"] else []
    out += [f"{count['outside']} outside"] if count["outside"] else []
    out += [f"{count['missing']} missing"] if count["missing"] else []
    names = tick_names(step)
    unticked = sum(name not in bench["ticks"] for name in names if name.startswith("d"))
    out += [f"{unticked} not ticked"] if unticked else []
    out += ["not covered"] if names and names[-1].startswith("c") and names[-1] not in bench["ticks"] else []
    return out


def frontier(view: View, bench: Bench) -> int:
    """Return the number of the first step that is not done and whole, one more than the last where all are."""
    for step in view["steps"]:
        if str(step["number"]) not in bench["done"] or locks(view, bench, step):
            return int(step["number"])
    return len(view["steps"]) + 1


def typed_readings(view: View, bench: Bench) -> list[dict[str, Any]]:
    """Return everything that was read, and every reason that opened a step, in the terms of the readings file."""
    found = []
    for step in view["steps"]:
        for index, expected in enumerate(step["expected"]):
            key = key_of(step, index)
            kept = bench["readings"].get(key)
            opened = judge(view, bench, step, index).how == "opened"
            if kept is not None or opened:
                found.append(
                    {
                        "kind": expected["kind"],
                        "target": expected["target"],
                        "value_v": kept["v"] if kept else None,
                        "taken_at": kept["at"] if kept else None,
                        "step": str(step["number"]),
                        "reason": str(bench["reasons"][key]).strip() if opened else "",
                    }
                )
    return found


def readings_csv(readings: Sequence[Mapping[str, Any]]) -> str:
    """Return readings as the file that inspection reads."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    for r in readings:
        value = "" if r["value_v"] is None else f"{r['value_v']:g}"
        writer.writerow([r["kind"], r["target"], value, "V", 0, r["taken_at"] or "", r["step"], r["reason"]])
    return text.getvalue()
