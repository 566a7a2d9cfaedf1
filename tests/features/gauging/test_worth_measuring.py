"""What is asked to be measured by hand: every size that something hangs on, what gains most first."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import numpy as np
import pytest

from pipeline.features.gauging import worth_measuring
from pipeline.formats.datum_file import build
from pipeline.formats.tables import summary_md
from pipeline.job import make_job
from pipeline.lengths import in_unit
from pipeline.standards import suggest
from pipeline.values import Feature, SizeCheck
from tests.features.made import feature, plane
from tests.outcomes import outcome


def cylinder(
    ident: str, side: str, diameter: float, length: float, sigma: float | None = 0.006, at: float = 0.0
) -> Feature:
    made = feature(ident, "cylinder", (0, 0, at), (0, 0, 1), 0.5 * diameter, side, np.pi * diameter * length, length)
    return replace(made, uncertainty=replace(made.uncertainty, radius=None if sigma is None else 0.5 * sigma))


def asked(features, datums=None, done=()):
    return worth_measuring(features, suggest(features), datums or {}, done)


PART = [
    cylinder("seat", "bore", 72.012, 17.0),
    cylinder("worn", "bore", 52.080, 15.0, at=100),
    cylinder("seal", "bore", 85.020, 9.0, at=200),
    cylinder("spigot", "boss", 114.0, 7.3, at=300),
    cylinder("plain", "bore", 93.37, 40.0, at=400),
    cylinder("hole", "bore", 11.05, 17.0, at=500),
    cylinder("unsure", "bore", 62.0, 16.0, sigma=None, at=600),
]


def test_every_size_that_something_hangs_on_and_no_other() -> None:
    found = {size.features[0]: size for size in asked(PART)}
    assert set(found) == {"unsure", "worn", "seat", "seal", "spigot"}
    # A bore without a standard size is asked for where it is a datum; a bolt hole is not.
    with_datum = [size.features[0] for size in asked(PART, {"plain": "B"})]
    assert "plain" in with_datum
    assert "hole" not in with_datum


def test_what_gains_most_comes_first() -> None:
    """The share of the tolerance that the scan leaves open: 95 % either way over IT7 (ISO 286-1:2010, table 1)."""
    order = [size.features[0] for size in asked(PART)]
    assert order[:2] == ["unsure", "worn"]
    found = {size.features[0]: size.open for size in asked(PART)}
    assert found["unsure"] is None
    assert found["seat"] == pytest.approx(2 * 1.96 * 0.006 / 0.030)
    rest = [found[ident] for ident in order[2:]]
    assert rest == sorted(rest, reverse=True)
    rougher = [replace(f, uncertainty=replace(f.uncertainty, radius=0.02)) if f.id == "spigot" else f for f in PART]
    assert [s.features[0] for s in asked(rougher)][2] == "spigot"


def test_how_follows_the_feature() -> None:
    found = {size.features[0]: size for size in asked(PART)}
    assert found["seat"].how == "bore gauge at 3 depths, 2 directions: taper and ovality"
    assert (len(found["seat"].rows), len(found["seat"].columns)) == (3, 2)
    assert found["spigot"].how == "micrometer at 1 depth, 3 directions: ovality"
    assert (len(found["spigot"].rows), len(found["spigot"].columns)) == (1, 3)
    assert "0.05 mm over 52 H7" in in_unit(found["worn"].why, "mm")
    assert "a bearing seat by its size (" in found["seat"].why
    (groove,) = [
        size
        for size in asked([cylinder("bottom", "bore", 30.4, 4.9), cylinder("rod", "bore", 25.05, 60.0)])
        if size.features == ("bottom",)
    ]
    assert groove.instrument == "groove micrometer"


def test_what_was_measured_is_not_asked_for_again() -> None:
    done = (SizeCheck("seat", 72.01, 0.003, 72.012, 0.006, True),)
    assert "seat" not in {size.features[0] for size in asked(PART, done=done)}


def test_a_distance_tells_the_scale() -> None:
    """Two faces that look the same way: spray shifts both alike. The longest is asked for, after all diameters."""
    faces = [plane(k, (0, 0, z), (0, 0, s)) for k, z, s in (("a", 0, 1), ("b", 60, 1), ("c", 120, -1), ("d", 90, 1))]
    last = asked([*PART, *faces])[-1]
    assert (last.what, set(last.features)) == ("distance", {"a", "d"})
    assert last.size == pytest.approx(90.0)
    assert asked(faces) == ()
    # Without such a pair, the longest of all: of the two outer faces, with the metal between them.
    outer = [
        plane("top", (0, 0, 70), (0, 0, 1)),
        plane("foot", (0, 0, 0), (0, 0, -1)),
        plane("x", (9, 0, 0), (1, 0, 0)),
    ]
    last = asked([*PART, *outer])[-1]
    assert (last.what, set(last.features)) == ("thickness", {"top", "foot"})
    near = [plane("a", (0, 0, 0), (0, 0, 1)), plane("b", (0, 0, 9), (0, 0, 1))]  # too short to tell a scale
    assert asked([*PART, *near])[-1].what == "diameter"
    measured = (SizeCheck("a", 60.0, 0.01, 60.0, 0.01, True, "", "distance", "b"),)
    assert asked([*PART, *faces], done=measured)[-1].what == "diameter"


def test_the_lines_are_a_job_when_values_are_put_in() -> None:
    data = build(outcome())
    assert data.to_measure
    text = summary_md(data, ())
    part = text.split("## By hand")[1].split("\n## ")[0]
    lines = part.split("```toml\n")[1].split("```")[0]
    assert lines.count("value =\n") == lines.count("uncertainty =\n") == len(data.to_measure)
    filled = lines.replace("value =\n", "value = 40.01\n").replace("uncertainty =\n", "uncertainty = 0.003\n")
    job = make_job({"scan": "a.stl", **tomllib.loads(filled)})
    assert [m.features for m in job.measured] == [size.features for size in data.to_measure]
    assert [m.what for m in job.measured] == [size.what for size in data.to_measure]
    # The table to fill in has a row a place and an empty cell a direction.
    first = data.to_measure[0]
    for row in first.rows:
        assert f"| {row} |" + "  |" * len(first.columns) in part
