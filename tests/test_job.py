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
    measured_text,
    zone_of,
    zone_text,
)
from pipeline.places import Place

MEASURED = 'scan = "a.stl"\n[[measured]]\nwhat = "diameter"\nvalue = 3\nuncertainty = 0.01\n'


@pytest.mark.parametrize(
    "settings",
    [
        {},
        {"lighten": {"tolerance": 0.02}},
        {"lighten": {"facets": 5000, "tolerance": 0.02}},
        {"clean": {"exclude": [{"shape": "sphere", "centre": [0, 1, 2], "radius": 3}]}},
        {"names": {"bore-1": 'seal "A" \\ <ø>\n'}},
        {"measured": [{"what": "diameter", "features": [0, 0, 0], "value": 62.0, "uncertainty": 0.01}]},
        {
            "measured": [{"what": "diameter", "features": "a", "value": 2e-6, "uncertainty": "1e-7in"}],
            "refit": [{"feature": "b", "radius": 3}],
        },
        {"names": {"left.right": "a", "bore 1": "\u0001\t'''", "": "none"}},
        {"fill": {"gaps": [{"id": "gap-1", "do": "cap"}, {"id": "gap-2", "do": "leave"}]}},
        {
            "measured": [
                {"what": "distance", "features": ["scan: [0, 0, 1]", "F 1"], "value": 62, "uncertainty": 0.01},
                {"what": "thickness", "features": ["in: [0, 0, 1]", [1, 2, 3]], "value": "6 in", "uncertainty": 1},
            ]
        },
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
        ('scan = "a.stl"\n[lighten]\nfacets = 99999999999999999999', "less than or equal to 700000000"),
        ('scan = "a.stl"\n[audit]\nmax_deviation = nan', "finite"),
        (MEASURED + 'features = "part: [1, 2, 3]"', "as [x, y, z] or"),
        (MEASURED + "features = [[1, 2]]", "three numbers"),
        (MEASURED + "features = [1, 2, nan]", "finite"),
        (MEASURED + 'features = ["a", "b"]', 'a diameter is measured on one feature, as features = ["H1"]'),
        (MEASURED + 'features = "a"\n[export]\nunits = "in"', 'write value = "3 in" or "3 mm"'),
        (MEASURED.replace("0.01", '"1 thou"') + 'features = "a"', 'as "2.4411 in" or "62.01 mm"'),
        (MEASURED.replace("uncertainty = 0.01", "") + 'features = "a"', "'measured.1.uncertainty' is missing"),
        (MEASURED.replace("value = 3", "value = -3") + 'features = "a"', "'measured.1.value' is wrong"),
        ('scan = "a\\u0000b.stl"', "'scan' is wrong, no file can have that name"),
        ('scan = "a.stl"\n[[set_up]]\nscan = "\\u0000"', "'set_up.1.scan' is wrong, no file can have that name"),
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


@pytest.mark.parametrize("units", ["mm", "in"])
def test_an_old_table_of_sizes_is_refused_with_the_new_lines(tmp_path: Path, units: str) -> None:
    """The lines that the message gives take the place of the old ones, and then the job is read as it was meant."""
    head, end = 'scan = "a.stl"\n', f'\n[export]\nunits = "{units}"\n'
    old = '[[caliper]]\nnear = "scan: [1, 2, 3]"\ndiameter = 62.01\n'
    old += "[[caliper]]\nfeature = 'seat \"A\"'\ndiameter = 5\nuncertainty = 0.003\n"
    path = tmp_path / "job.toml"
    path.write_text(head + old + end)
    with pytest.raises(SettingsError) as caught:
        load_job(path)
    said, _, lines = str(caught.value).partition("\n\n")
    assert "[[caliper]] is [[measured]] now" in said
    assert "\n" not in said
    path.write_text(head + lines + end)
    place, named = load_job(path).measured
    assert (place.features[0].in_scan, place.value.mm, place.uncertainty.mm) == ((1.0, 2.0, 3.0), 62.01, 0.01)
    assert "put in yours" in lines
    assert (named.features, named.value.mm, named.uncertainty.mm) == (('seat "A"',), 5.0, 0.003)
    assert {place.what, named.what} == {"diameter"}


def test_a_job_that_was_spelled_out_without_old_sizes_is_read(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text('scan = "a.stl"\n[[caliper]]\nfeature = {}\ndiameter = {}\n')
    with pytest.raises(SettingsError) as odd:
        load_job(path)
    [row] = tomllib.loads(str(odd.value).partition("instead:")[2])["measured"]
    assert row["features"] == ["its number"]
    path.write_text('scan = "a.stl"\ncaliper = []\n')
    assert load_job(path).measured == ()


def test_lines_to_fill_in_are_a_job_once_they_are_filled_in(tmp_path: Path) -> None:
    text = measured_text("distance", ["F1", 'a "b"'], instrument="height gauge")
    path = tmp_path / "job.toml"
    path.write_text('scan = "a.stl"\n' + text)
    with pytest.raises(InputError, match="not valid TOML"):
        load_job(path)
    path.write_text(
        'scan = "a.stl"\n' + text.replace("value =", 'value = "1.5 in"').replace("tainty =", "tainty = 0.01")
    )
    (size,) = load_job(path).measured
    assert (size.what, size.features, size.value.mm) == ("distance", ("F1", 'a "b"'), pytest.approx(38.1))
    assert size.instrument == "height gauge"
