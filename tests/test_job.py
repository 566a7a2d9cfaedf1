"""The job file: what is read is what was written, and a slip is answered with one sentence."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from pipeline.errors import InputError, SettingsError
from pipeline.job import (
    Accept,
    Zone,
    accept_text,
    closing_text,
    dump_job,
    load_job,
    make_job,
    zone_of,
    zone_text,
)
from pipeline.places import Place


@pytest.mark.parametrize(
    "settings",
    [
        {},
        {"lighten": {"tolerance": 0.02}},
        {"lighten": {"facets": 5000, "tolerance": 0.02}},
        {"clean": {"exclude": [{"shape": "sphere", "centre": [0, 1, 2], "radius": 3}]}},
        {"names": {"bore-1": 'seal "A" \\ <ø>\n'}},
        {"caliper": [{"near": [0, 0, 0], "diameter": 62.0}]},
        {"caliper": [{"feature": "a", "diameter": 1e-7}], "refit": [{"feature": "b", "radius": 3}]},
        {"names": {"left.right": "a", "bore 1": "\u0001\t'''", "": "none"}},
        {"fill": {"gaps": [{"id": "gap-1", "do": "cap"}, {"id": "gap-2", "do": "leave"}]}},
        {"caliper": [{"near": "scan: [0, 0, 1]", "diameter": 62.0}, {"near": "in: [0, 0, 1]", "diameter": 6}]},
        {"frame": {"A": "face nearest [0, 0, 1]", "B": "bore nearest scan: [0, 0, 1]"}},
        {
            "clean": {
                "exclude": [
                    {"shape": "box", "low": "scan: [0, 1, 2]", "high": "scan: [3, 4, 5]"},
                    {
                        "shape": "half-space",
                        "point": [0, 1, 2],
                        "direction": [0, 0, 1],
                        "part_frame": [[1, 0, 0, 5], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]],
                    },
                ]
            }
        },
    ],
)
def test_every_default_spelled_out_reads_back_as_the_same_job(settings: dict) -> None:
    job = make_job({"scan": "a.stl", **settings})
    assert make_job(tomllib.loads(dump_job(job))) == job


def test_a_table_can_be_pasted_below_the_job_as_run() -> None:
    job = make_job({"scan": "a.stl"})
    zone = Zone(shape="sphere", coordinates="scan", centre=(0.0, 1.5, -2.0), radius=3.0)
    accept = Accept(near=Place(at=(12.5, 0.0, -3.0), coordinates="scan"), kind="plane")
    pasted = "\n".join((dump_job(job), zone_text(zone), accept_text(accept), closing_text("gap-3")))
    read = make_job(tomllib.loads(pasted))
    assert read.clean.exclude == (zone,)
    assert read.recover.accept == (accept,)
    assert [(gap.id, gap.do) for gap in read.fill.gaps] == [("gap-3", "close")]


def test_what_is_not_set_stands_as_a_comment() -> None:
    lines = dump_job(make_job({"scan": "a.stl", "audit": {"max_tilt": 0.5}})).splitlines()
    assert {"# out =", "# title =", "# max_deviation =", "max_tilt = 0.5", 'close = "safe"'} <= set(lines)
    assert lines[0] == 'scan = "a.stl"'
    # A blank line before each table, and none at either end.
    assert all(lines[k - 1] == "" for k, line in enumerate(lines) if line.startswith("["))
    assert lines[-1]


@pytest.mark.parametrize(
    "zone",
    [
        Zone(shape="box", low=(0.0, -1.5, 2.0), high=(1.0, 2.0, 3.0)),
        Zone(shape="cylinder", start=(0.0, 0.0, 0.0), end=(0.0, 0.0, 1e-5), radius=4.25),
        Zone(shape="box", coordinates="scan", low=(0.0, -1.5, 2.0), high=(1.0, 2.0, 3.0)),
        Zone(shape="half-space", coordinates="part", point=(0.0, 0.0, 0.0), direction=(0.0, 0.0, 1.0)),
        Zone(shape="inside", feature='bore "A"', beyond=3.0),
    ],
)
def test_a_zone_is_pasted_as_it_is_written(zone: Zone) -> None:
    text = zone_text(zone)
    assert zone_of(text) == zone
    pasted = tomllib.loads('scan = "a.stl"\n\n' + text)["clean"]["exclude"]
    assert [Zone.model_validate(row) for row in pasted] == [zone]


@pytest.mark.parametrize(
    "text", ["", "shape = 'box'", "[[clean.exclude]]\nshape = 'box'", "[clean]\nexclude = []", "[[clean.exclude"]
)
def test_what_is_no_zone_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"zone|clean\.exclude"):
        zone_of(text)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('scan = "a.stl"\n[lighten]\nfacet = 3', "did you mean 'facets'"),
        ('scan = "a.stl"\n[lightn]\nfacets = 3000', "did you mean 'lighten'"),
        ('scan = "a.stl"\n[[clean.exclude]]\nshap = "box"', "clean.exclude.1.shap"),
        ('scan = "a.stl"\n[[clean.exclude]]\nshape = "box"', "needs low, high"),
        ('scan = "a.stl"\n[lighten]\nfacets = "many"', "valid integer"),
        ('scan = "a.stl"\n[audit]\nmax_deviation = nan', "finite"),
        ('scan = "a.stl"\n[[caliper]]\ndiameter = 3\nnear = "part: [1, 2, 3]"', "as [x, y, z] or"),
        ('scan = "a.stl"\n[[caliper]]\ndiameter = 3\nnear = [1, 2]', "three numbers"),
        ('scan = "a.stl"\n[[caliper]]\ndiameter = 3\nnear = [1, 2, nan]', "finite"),
        ('scan = "a.stl"\n[frame]\nA = "bore nearest [0, 0]"', "three numbers"),
        (
            'scan = "a.stl"\n[[clean.exclude]]\nshape = "box"\nlow = "scan: [0, 0, 0]"\nhigh = [1, 1, 1]',
            'all "scan: [x, y, z]" or none',
        ),
        ('scan = "a.stl"\n[clean]\npart_frame = [[1, 0, 0, 5]]', "stands in each zone now"),
        ("[lighten]\nfacets = 3000", "'scan' is missing"),
        ('scan = "a.stl', "not valid TOML"),
    ],
)
def test_a_slip_in_a_job_file_is_one_sentence(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "job.toml"
    path.write_text(text)
    with pytest.raises((SettingsError, InputError)) as caught:
        load_job(path)
    assert says in str(caught.value)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_paths_in_a_job_file_start_at_its_folder(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text('scan = "scans/a.stl"\nout = "made"')
    job = load_job(tmp_path / "job.toml")
    assert job.scan == tmp_path / "scans" / "a.stl"
    assert job.out == tmp_path / "made"


def test_no_job_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="datumlift new"):
        load_job(tmp_path / "none.toml")


CONFIGS = sorted((Path(__file__).parent.parent / "configs").glob("*.toml"))


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.name)
def test_the_job_files_to_start_from_are_valid(path: Path) -> None:
    assert load_job(path).scan.name == "scan.stl"
