"""The job file: read, validated all at once, written, and read back."""

from __future__ import annotations

from collections import Counter
from dataclasses import fields
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cellmatch.errors import ArgumentInvalid, FileUnusable
from cellmatch.grouping.stages import SERVE
from cellmatch.pack.aims import AIMS
from cellmatch.pack.holder import Holder
from cellmatch.pack.job import Job, job_of, job_toml, overlay, read_job
from cellmatch.pack.job_keys import JOB_KEYS, KINDS
from cellmatch.pack.limits import Limits
from cellmatch.pack.spec import Pack

FULL = """
[pack]
series = 14
parallel = 8
chemistry = "nmc"

[limits]
rated_mah = 2600
salvaged = true
join_window_mv = 20.5

[load]
current_a = 20
peak_a = 40
cell_a = 10
cell_peak_a = 15
load_uf = 1000

[holder]
shape = "strips 7x16"
cell_size = "21700"
pitch_mm = 23.5
first_negative_up = false
heat_placement = false

[links]
type = "welded"
contact_a = 10
link_mohm = 0.3
custom = [[4, 8], [12, 16]]

[search]
aims = ["weakest", "spread"]
seconds = 0.5
seed = 7

[accept]
"0012" = "read twice, 2.61 V both times"
"""


def job_file(folder: Path, text: str, name: str = "pack.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def problems(folder: Path, text: str) -> list[str]:
    with pytest.raises(ArgumentInvalid) as caught:
        read_job(job_file(folder, text))
    return [str(problem) for problem in caught.value.problems]


def test_every_key_is_taken(tmp_path: Path) -> None:
    job = read_job(job_file(tmp_path, FULL))
    assert job == Job(
        pack=Pack(14, 8),
        chemistry="nmc",
        limits=Limits(rated_mah=2600, salvaged=True, join_window_mv=20.5),
        holder=Holder(
            shape="strips",
            brick=(7, 16),
            cell_size="21700",
            pitch_mm=23.5,
            first_negative_up=False,
            link_type="welded",
            contact_a=10,
            custom_links=((4, 8), (12, 16)),
        ),
        current_a=20,
        peak_a=40,
        cell_a=10,
        cell_peak_a=15,
        load_uf=1000,
        link_mohm=0.3,
        heat_placement=False,
        aims=("weakest", "spread"),
        seconds=0.5,
        seed=7,
        accept={"0012": "read twice, 2.61 V both times"},
    )


def test_two_lines_are_enough(tmp_path: Path) -> None:
    job = read_job(job_file(tmp_path, "[pack]\nseries = 10\nparallel = 3\n"))
    assert job == Job(pack=Pack(10, 3))


def test_groups_may_differ(tmp_path: Path) -> None:
    job = read_job(job_file(tmp_path, "[pack]\nseries = 3\nparallel = [3, 3, 4]\n"))
    assert job.pack == Pack(3, (3, 3, 4))


def test_everything_wrong_is_told_at_once(tmp_path: Path) -> None:
    told = problems(
        tmp_path,
        """
        colour = "red"
        [pack]
        serie = 10
        parallel = "3"
        chemistry = "nmcc"
        [limit]
        [limits]
        min_v = -1
        outlier_k = 0
        salvaged = 1
        rated = 2500
        [holder]
        cell_size = "big"
        [links]
        type = "glued"
        [search]
        aims = ["weekest"]
        seed = true
        [accept]
        A1 = 5
        """,
    )
    assert all(text.startswith("pack.toml ") for text in told)
    for words in (
        "[colour]",
        "[pack] serie: did you mean series?",
        "[pack] series: is missing",
        "[pack] parallel: found '3'; a whole number",
        "chemistry 'nmcc': did you mean nmc?",
        "[limit]: did you mean limits?",
        "[limits] min_v: found -1",
        "[limits] outlier_k: found 0",
        "[limits] salvaged: found 1; true or false",
        "[limits] rated: did you mean rated_mah?",
        "cell size 'big'",
        "[links] type: found 'glued'; known: bolted, welded",
        "[search] aims: found 'weekest'; did you mean weakest?",
        "[search] seed: found True; a whole number",
        "[accept] A1: found 5; a text",
    ):
        assert any(words in text for text in told), words
    assert len(told) == 15


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("[search]\nseconds = 0", "seconds: found 0"),
        ("[search]\nseconds = nan", "seconds: found nan"),
        ("[search]\nseed = -1", "seed: found -1"),
        ("[load]\ncurrent_a = -5", "current_a: found -5"),
        ("[load]\ncurrent_a = 5\npower_w = 100", "give one of the two"),
        ("[accept]\nA1 = ' '", "A1: a written reason"),
        ("[limits]\nmin_v = 4\nmax_v = 3", "the lowest must be below full"),
        ("[holder]\nshape = '5by8'", "holder '5by8'"),
        ("[holder]\npitch_mm = 10", "pitch"),
    ],
)
def test_values_that_cannot_be_meant(tmp_path: Path, lines: str, words: str) -> None:
    (told,) = problems(tmp_path, f"[pack]\nseries = 10\nparallel = 3\n{lines}\n")
    assert words in told


def test_a_table_that_is_none_is_told_once(tmp_path: Path) -> None:
    assert problems(tmp_path, "pack = 3") == ["pack.toml pack: found 3; it is the head of a table: [pack]"]


@pytest.mark.parametrize("text", ["[pack", "series == 3", "a = 1\na = 2"])
def test_what_is_no_toml_is_said(tmp_path: Path, text: str) -> None:
    with pytest.raises(FileUnusable, match=r"pack\.toml: is not a TOML file"):
        read_job(job_file(tmp_path, text))


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FileUnusable, match="can't be read"):
        read_job(tmp_path / "none.toml")


def test_paths_count_from_the_job_file(tmp_path: Path) -> None:
    (tmp_path / "deep").mkdir()
    job_file(tmp_path / "deep", "position,x_mm,y_mm,group\n1,0,0,1\n2,20,0,2\n", "places.csv")
    text = '[pack]\nseries = 2\nparallel = 1\n[holder]\nshape = "places.csv"\n'
    job = read_job(job_file(tmp_path / "deep", text))
    assert [place.group for place in job.holder.own_places] == [1, 2]
    assert job.holder_map == str(tmp_path / "deep" / "places.csv")
    assert read_job(job_file(tmp_path, job_toml(job))) == job


def test_written_and_read_back(tmp_path: Path) -> None:
    job = read_job(job_file(tmp_path, FULL))
    assert read_job(job_file(tmp_path, job_toml(job))) == job


numbers = st.floats(min_value=0.001, max_value=1e6, allow_nan=False)
jobs = st.builds(
    Job,
    pack=st.one_of(
        st.builds(Pack, st.integers(1, 30), st.integers(1, 30)),
        st.lists(st.integers(1, 9), min_size=1, max_size=9).map(lambda sizes: Pack(len(sizes), tuple(sizes))),
    ),
    chemistry=st.sampled_from([None, "nmc", "lfp"]),
    limits=st.builds(Limits, join_window_mv=st.none() | numbers, rated_mah=st.none() | numbers, salvaged=st.booleans()),
    holder=st.builds(Holder, link_type=st.sampled_from([None, "welded"]), split_after=st.sampled_from([(), (2, 5)])),
    current_a=st.none() | numbers,
    link_mohm=st.none() | numbers,
    heat_placement=st.booleans(),
    aims=st.sampled_from([None, ("spread",), AIMS]),
    seconds=st.none() | numbers,
    seed=st.integers(0, 2**31 - 1),
    accept=st.dictionaries(st.text(min_size=1), st.text(min_size=1).filter(lambda text: text.strip() != "")),
)


@settings(max_examples=25, deadline=None)
@given(job=jobs)
def test_any_job_survives_its_file(job: Job, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("job") / "pack.toml"
    path.write_text(job_toml(job), encoding="utf-8", newline="")
    assert read_job(path) == job


def test_the_list_of_keys_is_whole() -> None:
    assert max(Counter((key.table, key.name) for key in JOB_KEYS).values()) == 1
    assert {key.name for key in JOB_KEYS if key.table == "limits"} == {f.name for f in fields(Limits)}
    assert {key.kind for key in JOB_KEYS} <= set(KINDS)


def test_the_aims_are_those_of_the_grouping() -> None:
    assert set(AIMS) == set(SERVE)


def test_an_empty_job_file_shows_every_key() -> None:
    text = job_toml(Job(pack=Pack(10, 3)))
    for key in JOB_KEYS:
        assert f"# {key.meaning}  [default: {key.default}]" in text
        assert f"{key.name} =" in text


def test_a_pack_argument_is_a_shape_or_a_job_file(tmp_path: Path) -> None:
    job_file(tmp_path, FULL)
    assert job_of("10s3p") == Job(pack=Pack(10, 3))
    assert job_of("pack.toml", tmp_path).pack == Pack(14, 8)
    with pytest.raises(ArgumentInvalid, match="series comes first"):
        job_of("3p10s")


def test_the_command_line_wins_over_the_file(tmp_path: Path) -> None:
    job = read_job(job_file(tmp_path, FULL))
    over = overlay(
        job,
        {"join_window_mv": 10.0},
        {"cell_size": "18650"},
        chemistry="lfp",
        seconds=None,
        accept={"7": "measured anew"},
    )
    assert (over.limits.join_window_mv, over.limits.rated_mah, over.limits.salvaged) == (10.0, 2600, True)
    assert (over.holder.cell_size, over.holder.pitch_mm) == ("18650", 23.5)
    assert (over.chemistry, over.seconds, over.seed) == ("lfp", 0.5, 7)
    assert over.accept == {"0012": "read twice, 2.61 V both times", "7": "measured anew"}
    assert overlay(job, {}, {}) == job
