"""The job file, ``pack.toml``: everything about a pack but its cells, so that it can be asked for again.

What may stand in it is listed in :mod:`cellmatch.pack.job_keys`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, TypeVar

from cellmatch.errors import ArgumentInvalid, CellmatchError, FileUnusable, Problem, nearest_name
from cellmatch.pack.aims import UNEQUAL
from cellmatch.pack.chemistry import load_chemistry
from cellmatch.pack.holder import Holder
from cellmatch.pack.job_keys import ACCEPT, JOB_KEYS, KINDS, SEED
from cellmatch.pack.limits import Limits
from cellmatch.pack.spec import Pack

Made = TypeVar("Made")

_ABOVE_ZERO = (
    *(("load", name) for name in ("current_a", "peak_a", "power_w", "cell_a", "cell_peak_a", "load_uf")),
    ("links", "link_mohm"),
    ("search", "seconds"),
)
_TABLES = tuple(dict.fromkeys([key.table for key in JOB_KEYS] + [ACCEPT]))
_KEY = {(key.table, key.name): key for key in JOB_KEYS}


@dataclass(frozen=True, kw_only=True, slots=True)
class Job:
    """A pack as it is asked for.

    Parameters
    ----------
    pack : Pack
    chemistry : str or None
        Name, or path of a TOML file.
    limits : Limits
        Whatever differs from the defaults.
    holder : Holder
    holder_map : str or None
        Path of the CSV file of a map holder.
    current_a, peak_a : float or None
        [A] Load.
    power_w : float or None
        [W] Load, instead of `current_a`.
    cell_a, cell_peak_a : float or None
        [A] What one cell may give, by its maker.
    load_uf : float or None
        [µF] Capacitors at the load's input.
    link_mohm : float or None
        [mohm] One link with its joints.
    heat_placement : bool
        Place cells by their heat where a load is given.
    aims : tuple of str or None
        What the grouping looks for; None: as the spare cells allow.
    spend_uncertainty : tuple of str
        Aims for which group capacities may differ by the group uncertainty.
    rules : tuple of str
        What every group must keep.
    unequal : str
        What is compared where groups differ in size: ``share`` or ``sum``.
    floor_is_enough : bool
        Stop as soon as the spread is below the floor.
    reproducible : bool
        Count work instead of seconds.
    seconds : float or None
        [s] Longest search; None: as the command has it.
    seed : int
    accept : mapping of cell id to written reason

    Raises
    ------
    ArgumentInvalid
        A load or a time that is not above 0, a seed out of range, a reason that says nothing.
    """

    pack: Pack
    chemistry: str | None = None
    limits: Limits = field(default_factory=Limits)
    holder: Holder = field(default_factory=Holder)
    holder_map: str | None = None
    current_a: float | None = None
    peak_a: float | None = None
    power_w: float | None = None
    cell_a: float | None = None
    cell_peak_a: float | None = None
    load_uf: float | None = None
    link_mohm: float | None = None
    heat_placement: bool = True
    aims: tuple[str, ...] | None = None
    spend_uncertainty: tuple[str, ...] = ()
    rules: tuple[str, ...] = ()
    unequal: str = UNEQUAL[0]
    floor_is_enough: bool = False
    reproducible: bool = False
    seconds: float | None = None
    seed: int = SEED
    accept: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        problems = []
        for table, name in _ABOVE_ZERO:
            value = getattr(self, name)
            if value is not None and not 0 < value < float("inf"):
                problems.append(Problem(f"[{table}] {name}", f"found {value}; a number above 0 is needed"))
        if self.current_a is not None and self.power_w is not None:
            problems.append(Problem("[load]", "found current_a and power_w; give one of the two"))
        if not 0 <= self.seed < 2**31:
            problems.append(Problem("[search] seed", f"found {self.seed}; a whole number from 0 to {2**31 - 1}"))
        problems += [
            Problem(f"[{ACCEPT}] {cell}", "a written reason is needed")
            for cell, why in self.accept.items()
            if not why.strip()
        ]
        if problems:
            raise ArgumentInvalid(problems)

    @property
    def search(self) -> dict[str, Any]:
        """How the cells are grouped, but for the seconds: arguments of :func:`cellmatch.plan_pack`."""
        names = ("aims", "spend_uncertainty", "rules", "unequal", "floor_is_enough", "reproducible", "seed")
        return {name: getattr(self, name) for name in names}


def job_of(text: str, folder: str | Path = ".") -> Job:
    """Return the job that a PACK argument stands for: a shape like ``10s3p``, or the path of a job file.

    Parameters
    ----------
    text : str
    folder : path
        From which the path counts.

    Raises
    ------
    FileUnusable, ArgumentInvalid
        As :func:`read_job` and :meth:`Pack.parse`.

    Examples
    --------
    >>> job_of("10s3p").pack.places
    30
    """
    return read_job(Path(folder) / text) if text.strip().lower().endswith(".toml") else Job(pack=Pack.parse(text))


def overlay(job: Job, limits: Mapping[str, Any], holder: Mapping[str, Any], **given: Any) -> Job:
    """Return the job with what the command line says in place of what the file says.

    Parameters
    ----------
    job : Job
    limits, holder : mapping of field name to value
        Only what was typed.
    **given
        Other fields of the job; None stands for "not typed". ``accept`` adds to the file's.

    Returns
    -------
    Job
    """
    typed = {name: value for name, value in given.items() if value is not None}
    if "accept" in typed:
        typed["accept"] = {**job.accept, **typed["accept"]}
    return replace(job, limits=replace(job.limits, **limits), holder=replace(job.holder, **holder), **typed)


def read_job(path: str | Path) -> Job:
    """Read a job file.

    Paths in it count from the folder it lies in.

    Parameters
    ----------
    path : path
        A TOML file with the keys of :data:`~cellmatch.pack.job_keys.JOB_KEYS`.

    Returns
    -------
    Job

    Raises
    ------
    FileUnusable
        It can't be read, or is not TOML.
    ArgumentInvalid
        Keys that are missing, unknown, of the wrong kind or out of range: all of them at once.
    """
    path = Path(path)
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise FileUnusable(Problem(str(path), f"can't be read ({error.strerror})")) from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise FileUnusable(Problem(str(path), f"is not a TOML file: {error}")) from error
    return job_of_tables(data, path.parent, path.name)


def job_of_tables(data: Mapping[str, Any], folder: str | Path = ".", name: str = "") -> Job:
    """Return the job that the tables of a job file stand for.

    Parameters
    ----------
    data : mapping of table to keys
    folder : path
        From which paths count.
    name : str
        What messages call it.

    Raises
    ------
    ArgumentInvalid
        As :func:`read_job`.

    Examples
    --------
    >>> job_of_tables({"pack": {"series": 3, "parallel": [4, 3, 3]}, "search": {"rules": ["one-lot"]}}).rules
    ('one-lot',)
    """
    problems, tables = _sorted_out(data)
    job = _job_of(tables, Path(folder), problems)
    if job is None or problems:
        raise ArgumentInvalid([Problem(f"{name} {p.where}".strip(), p.what) for p in problems])
    return job


def job_toml(job: Job) -> str:
    """Return a job as the text of a job file, with a word on each key; keys not used stand as comments.

    Parameters
    ----------
    job : Job

    Returns
    -------
    str
        :func:`read_job` reads it back as an equal job.
    """
    import tomli_w

    given = job_values(job)
    lines = ["# cellmatch job file: cellmatch plan CELLS… THIS_FILE --out DIR"]
    for table in _TABLES:
        if table == ACCEPT:
            lines += ["", f"[{ACCEPT}]", '# cell = "written reason": lets a rejected cell in, and marks it for ever']
            lines += [tomli_w.dumps({cell: reason}).rstrip("\n") for cell, reason in job.accept.items()]
            continue
        lines += ["", f"[{table}]"]
        for key in (key for key in JOB_KEYS if key.table == table):
            lines.append(f"# {key.meaning}  [default: {key.default}]")
            value = given.get((table, key.name))
            lines.append(f"# {key.name} =" if value is None else tomli_w.dumps({key.name: value}).rstrip("\n"))
    return "\n".join(lines) + "\n"


def _sorted_out(data: Mapping[str, Any]) -> tuple[list[Problem], dict[str, dict[str, Any]]]:
    """Return what is wrong with the keys, and the tables with the right ones."""
    problems: list[Problem] = []
    tables: dict[str, dict[str, Any]] = {table: {} for table in _TABLES}
    for table, content in data.items():
        if table not in tables:
            problems.append(Problem(f"[{table}]", nearest_name(table, _TABLES)))
        elif not isinstance(content, dict):
            problems.append(Problem(table, f"found {content!r}; it is the head of a table: [{table}]"))
        else:
            for name, value in content.items():
                problem = _wrong(table, name, value)
                if problem is None:
                    tables[table][name] = value
                else:
                    problems.append(problem)
    for name in ("series", "parallel"):
        if isinstance(shape := data.get("pack", {}), dict) and name not in shape:
            problems.append(Problem(f"[pack] {name}", f"is missing; {KINDS[_KEY['pack', name].kind][0]} is needed"))
    return problems, tables


def _wrong(table: str, name: str, value: object) -> Problem | None:
    where = f"[{table}] {name}"
    if table == ACCEPT:
        return None if isinstance(value, str) else Problem(where, f"found {value!r}; a text in quotes is needed")
    key = _KEY.get((table, name))
    if key is None:
        return Problem(where, nearest_name(name, (k.name for k in JOB_KEYS if k.table == table)))
    words, right = KINDS[key.kind]
    if not right(value):
        return Problem(where, f"found {value!r}; {words} is needed")
    chosen = value if isinstance(value, list) else [value]
    strange = [str(v) for v in chosen if key.choices and v not in key.choices]
    return Problem(where, f"found {strange[0]!r}; {nearest_name(strange[0], key.choices)}") if strange else None


def _job_of(tables: Mapping[str, Mapping[str, Any]], folder: Path, problems: list[Problem]) -> Job | None:
    """Build the job; what can't be built goes to `problems`."""

    def build(where: str, make: Callable[[], Made]) -> Made | None:
        try:
            return make()
        except CellmatchError as error:
            for p in error.problems:
                # an option's name, as the class says it, is a key here
                name = p.where.removeprefix("--").replace("-", "_") if p.where.startswith("--") else p.where
                problems.append(Problem(f"{where} {name}".strip(), p.what))
            return None

    pack, holder, links, search = (tables[name] for name in ("pack", "holder", "links", "search"))
    chemistry = pack.get("chemistry")
    if chemistry is not None and chemistry.endswith(".toml"):
        chemistry = str(folder / chemistry)
    if chemistry is not None:
        build("[pack]", lambda: load_chemistry(chemistry))
    shape = None
    if {"series", "parallel"} <= pack.keys():
        parallel = pack["parallel"]
        sizes = tuple(parallel) if isinstance(parallel, list) else parallel
        shape = build("[pack]", lambda: Pack(pack["series"], sizes))
    limits = build("[limits]", lambda: Limits(**tables["limits"]))
    holder_text = holder.get("shape", "straight")
    own_map = str(folder / holder_text) if holder_text.lower().endswith(".csv") else None
    carrier = build("[holder]", lambda: _holder_of(own_map or holder_text, holder, links))
    if shape is None or limits is None or carrier is None:
        return None
    return build(
        "",
        lambda: Job(
            pack=shape,
            chemistry=chemistry,
            limits=limits,
            holder=carrier,
            holder_map=own_map,
            **tables["load"],
            link_mohm=links.get("link_mohm"),
            heat_placement=holder.get("heat_placement", True),
            aims=tuple(search["aims"]) if "aims" in search else None,
            spend_uncertainty=tuple(search.get("spend_uncertainty", ())),
            rules=tuple(search.get("rules", ())),
            unequal=search.get("unequal", UNEQUAL[0]),
            floor_is_enough=search.get("floor_is_enough", False),
            reproducible=search.get("reproducible", False),
            seconds=search.get("seconds"),
            seed=search.get("seed", SEED),
            accept=dict(tables[ACCEPT]),
        ),
    )


def _holder_of(shape: str, holder: Mapping[str, Any], links: Mapping[str, Any]) -> Holder:
    given: dict[str, Any] = {n: v for n, v in holder.items() if n not in ("shape", "heat_placement")}
    given |= {"link_type": links["type"]} if "type" in links else {}
    given |= {"contact_a": links["contact_a"]} if "contact_a" in links else {}
    given |= {"custom_links": tuple((a, b) for a, b in links["custom"])} if "custom" in links else {}
    if "split_after" in given:
        given["split_after"] = tuple(given["split_after"])
    return replace(Holder.parse(shape), **given)


def job_values(job: Job) -> dict[tuple[str, str], Any]:
    """Return by table and key what a job file has to say for this job: what differs from the defaults, and the pack."""
    plain, sizes = Holder(), job.pack.parallel
    rows, columns = job.holder.brick or (0, 0)
    typed = {
        "straight": None,
        "folded": f"{rows}x{columns}",
        "strips": f"strips {rows}x{columns}",
        "map": job.holder_map,
    }
    values: dict[tuple[str, str], Any] = {
        ("pack", "series"): job.pack.series,
        ("pack", "parallel"): list(sizes) if isinstance(sizes, tuple) else sizes,
        ("pack", "chemistry"): job.chemistry,
        ("holder", "shape"): typed.get(job.holder.shape, job.holder.shape),
        ("holder", "split_after"): list(job.holder.split_after) or None,
        ("links", "type"): job.holder.link_type,
        ("holder", "heat_placement"): None if job.heat_placement else False,
        ("links", "contact_a"): job.holder.contact_a,
        ("links", "link_mohm"): job.link_mohm,
        ("links", "custom"): [list(pair) for pair in job.holder.custom_links] or None,
        ("search", "aims"): None if job.aims is None else list(job.aims),
        ("search", "spend_uncertainty"): list(job.spend_uncertainty) or None,
        ("search", "rules"): list(job.rules) or None,
        ("search", "unequal"): None if job.unequal == UNEQUAL[0] else job.unequal,
        ("search", "floor_is_enough"): job.floor_is_enough or None,
        ("search", "reproducible"): job.reproducible or None,
        ("search", "seconds"): job.seconds,
        ("search", "seed"): None if job.seed == SEED else job.seed,
    }
    for name in ("cell_size", "pitch_mm", "first_negative_up"):
        value = getattr(job.holder, name)
        values["holder", name] = None if value == getattr(plain, name) else value
    for limit in fields(Limits):
        value = getattr(job.limits, limit.name)
        values["limits", limit.name] = None if value == limit.default else value
    for name in (key.name for key in JOB_KEYS if key.table == "load"):
        values["load", name] = getattr(job, name)
    return {key: value for key, value in values.items() if value is not None}
