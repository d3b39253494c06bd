"""A job file, a record and a job of the page: each in the other's terms, so that all ask for the same plan.

What the page has a field for goes there; the rest is kept as it is, shown and written back. The page opens no second
file by a name that stands in the first.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cellmatch.errors import FileUnusable, Problem
from cellmatch.pack.chemistry import Chemistry, chemistry_names
from cellmatch.pack.holder import Holder
from cellmatch.pack.job import Job as JobRequest
from cellmatch.pack.job import job_of_tables, job_values
from cellmatch.pack.job_keys import ACCEPT, JOB_KEYS
from cellmatch.pack.limits import Limits
from cellmatch.pack.spec import Pack
from cellmatch.page.jobs import Job
from cellmatch.plain import from_plain

if TYPE_CHECKING:
    from cellmatch.prediction import LoadCase

LEAST_SECONDS, MOST_SECONDS = 0.5, 600.0
"""[s] Of a search on the page."""
_FIELDS = {
    "load": ("current_a", "peak_a", "power_w", "cell_a"),
    "holder": ("shape", "cell_size", "pitch_mm"),
    "links": ("type",),
    "search": ("aims", "rules", "seconds"),
}
"""Keys that the page has a field for, besides the whole tables pack, limits and accept."""
_SETTINGS = ("unequal", "floor_is_enough", "reproducible", "seconds", "seed", "accept", "heat_placement")
_LINK_MOHM = float(next(key.default for key in JOB_KEYS if key.name == "link_mohm"))
_OTHER_FILES = (("pack", "chemistry", ".toml"), ("holder", "shape", ".csv"))
"""Keys that may name another file: table, key, and how such a name ends."""


def opened(name: str, content: bytes) -> dict[str, Any]:
    """Return what a job file says, as fields of a job of the page.

    Parameters
    ----------
    name : str
        Of the file, for messages.
    content : bytes

    Raises
    ------
    FileUnusable
        It is not TOML.
    ArgumentInvalid
        As :func:`cellmatch.read_job`.
    """
    try:
        said = tomllib.loads(content.decode("utf-8-sig"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise FileUnusable(Problem(name, f"is not a TOML file: {error}")) from error
    not_kept = list(_without_other_files(said))
    return _fields_of(job_of_tables(said, name=Path(name).name), not_kept)


def recorded(record: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the plan of a record was asked for, as fields of a job of the page.

    Parameters
    ----------
    record : mapping
        As it stands in plan.json.

    Raises
    ------
    KeyError, TypeError, ValueError, CellmatchError
        It is no record.
    """
    not_kept = []
    chemistry, holder = from_plain(Chemistry, record["chemistry"]), from_plain(Holder, record["holder"])
    limits, settings = from_plain(Limits, record["limits"]), record["settings"]
    settled = Limits(salvaged=limits.salvaged).settled(chemistry)
    if chemistry.name not in chemistry_names():
        not_kept.append(f"chemistry {chemistry.name}, which is not one of the page: choose a chemistry in Job")
    if holder.own_places:
        not_kept.append("the holder's map: choose a shape in Job")
        holder = replace(holder, shape="straight", own_places=())
    if settings.get("packs", 1) != 1:
        not_kept.append("several packs from one tray: the page plans this one alone")
    given = {
        limit.name: value
        for limit in fields(Limits)
        if (value := getattr(limits, limit.name)) != getattr(settled, limit.name) or limit.name == "salvaged"
    }
    asked: dict[str, Any] = dict((record["prediction"].get("load") or {}).get("case") or {})
    if asked.get("link_mohm") == _LINK_MOHM:
        del asked["link_mohm"]  # nobody said it
    asked |= {name: tuple(settings.get(name, ())) for name in ("aims", "rules", "spend_uncertainty")}
    asked |= {name: settings[name] for name in _SETTINGS if name in settings}
    asked["chemistry"] = chemistry.name if chemistry.name in chemistry_names() else None
    asked["seconds"] = asked.get("seconds") or None
    pack = from_plain(Pack, record["pack"])
    return _fields_of(JobRequest(pack=pack, limits=Limits(**given), holder=holder, **asked), not_kept)


def _fields_of(asked: JobRequest, not_kept: list[str]) -> dict[str, Any]:
    seconds = asked.seconds
    if seconds is not None and not LEAST_SECONDS <= seconds <= MOST_SECONDS:
        range_words = f"the page searches from {LEAST_SECONDS:g} to {MOST_SECONDS:g} s"
        taken = min(max(seconds, LEAST_SECONDS), MOST_SECONDS)
        not_kept.append(f"[search] seconds = {seconds:g}: {range_words}; {taken:g} s is set")
        seconds = taken
    tables: dict[str, dict[str, Any]] = {}
    for (table, key), value in job_values(asked).items():
        tables.setdefault(table, {})[key] = value
    link_type = tables.get("links", {}).get("type")
    return {
        "pack": str(asked.pack),
        "chemistry": asked.chemistry and asked.chemistry.lower(),
        "limits": tables.get("limits", {}),
        "load": _with_field(tables, "load"),
        "holder": {
            "shape": "straight",
            "cell_size": asked.holder.cell_size,
            **_with_field(tables, "holder"),
            **({"link_type": link_type} if link_type else {}),
        },
        "aims": tuple(dict.fromkeys(asked.aims or ())),
        "rules": asked.rules,
        **({} if seconds is None else {"seconds": seconds}),
        "accept": dict(asked.accept),
        "kept": {
            table: rest
            for table, known in _FIELDS.items()
            if (rest := {key: value for key, value in tables.get(table, {}).items() if key not in known})
        },
        "not_kept": tuple(not_kept),
    }


def _with_field(tables: Mapping[str, Mapping[str, Any]], table: str) -> dict[str, Any]:
    return {key: value for key, value in tables.get(table, {}).items() if key in _FIELDS[table]}


def _without_other_files(said: dict[str, Any]) -> Iterator[str]:
    """Take out what names another file, and tell it."""
    for table, key, ending in _OTHER_FILES:
        keys = said.get(table)
        if not isinstance(keys, dict):
            continue
        value = keys.get(key)
        if isinstance(value, str) and value.strip().lower().endswith(ending):
            said[table] = {name: other for name, other in keys.items() if name != key}
            written = json.dumps(value, ensure_ascii=False)
            yield f"[{table}] {key} = {written}: the page opens no second file; choose a {key} in Job"


@dataclass(frozen=True, slots=True)
class KeptKey:
    """A key of a job file that the page has no field for: where it stands, as it is written, what it means."""

    table: str
    name: str
    written: str
    meaning: str


def kept_keys(job: Job) -> list[KeptKey]:
    """Return what a job keeps of its job file besides its fields, in the order of a job file."""
    return [
        KeptKey(
            key.table, key.name, f"{key.name} = {json.dumps(job.kept[key.table][key.name], ensure_ascii=False)}",
            key.meaning,
        )
        for key in JOB_KEYS
        if key.name in job.kept.get(key.table, {})
    ]  # fmt: skip


def without_key(job: Job, table: str, name: str) -> Job:
    """Return the job without one of the keys it kept."""
    left = {t: {n: value for n, value in keys.items() if (t, n) != (table, name)} for t, keys in job.kept.items()}
    return replace(job, kept={t: keys for t, keys in left.items() if keys})


def load_of(job: Job) -> dict[str, float]:
    """Return the load of a job with what it kept of a job file about it, as fields of a load."""
    link = {name: value for name, value in job.kept.get("links", {}).items() if name == "link_mohm"}
    return {**job.load, **job.kept.get("load", {}), **link}


def holder_of(said: Mapping[str, Any]) -> Holder:
    """Return the holder a job names; its shape is never a file."""
    given = {name: value for name, value in said.items() if name != "shape"}
    return replace(Holder.parse(str(said.get("shape", "straight"))), **given)


def loaded(load: Mapping[str, float]) -> LoadCase | None:
    """Return a load from what was typed; None without one."""
    from cellmatch.prediction import LoadCase  # brings the circuit along, which the server does without

    return LoadCase(**load) if "current_a" in load or "power_w" in load else None


def request_of(job: Job) -> JobRequest:
    """Return a job in the terms of a job file.

    Raises
    ------
    ArgumentInvalid
        Something in it can't be meant.
    """
    pack = Pack.parse(job.pack or "")
    sizes = list(pack.parallel) if isinstance(pack.parallel, tuple) else pack.parallel
    link_type = job.holder.get("link_type")
    asked: dict[str, dict[str, Any]] = {
        "pack": {"series": pack.series, "parallel": sizes, **({"chemistry": job.chemistry} if job.chemistry else {})},
        "limits": dict(job.limits),
        "load": dict(job.load),
        "holder": {name: value for name, value in job.holder.items() if name != "link_type"},
        "links": {"type": link_type} if link_type else {},
        "search": {
            "rules": list(job.rules),
            "seconds": job.seconds,
            **({"aims": list(job.aims)} if job.aims else {}),
        },
        ACCEPT: dict(job.accept),
    }
    return job_of_tables({table: {**keys, **job.kept.get(table, {})} for table, keys in asked.items()})
