"""A job of several set-ups: one part with the features of all scans, and one sentence where there is none.

Covers: pipeline.stages.join, pipeline.features.joining.together, pipeline.features.uncertainty.several_scans
Covers: pipeline.values.results

Truth is the exact solid of the maker (`tests.rescanned`, drilled once more) and the motion of its set-ups.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut
from OCP.BRepPrimAPI import BRepPrimAPI_MakeCylinder
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
from scipy.stats import chi2

import pipeline
from pipeline.errors import GeometryError, SettingsError
from pipeline.formats.meshes_out import write_stl
from pipeline.geometry import small_motion, transformed, turned
from pipeline.runner import Result
from tests.rescanned import block
from tests.set_ups import SetUp, brep_set_up

UP = np.array([0.0, 0.0, 1.0])


def drilled():
    """The block with a hole of 14 mm across it, which leaves it no symmetry."""
    hole = BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(25, -40, 5), gp_Dir(0, 1, 0)), 7.0, 80.0).Shape()
    return BRepAlgoAPI_Cut(block(), hole).Shape()


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("join")


@pytest.fixture(scope="module")
def made(folder: Path) -> list[SetUp]:
    out = []
    for number, way in enumerate((1.0, -1.0)):
        seen = brep_set_up(drilled(), "drilled", way * UP, folder, tilts=(40.0, 65.0), seed=21 + number)
        write_stl(folder / f"side-{number}.stl", seen.vertices, seen.faces, "mm")
        out.append(seen)
    return out


def job(folder: Path, name: str, text: str) -> Path:
    path = folder / f"{name}.toml"
    path.write_text(f'scan = "side-0.stl"\nout = "{name}"\n[[set_up]]\n{text}')
    return path


@pytest.fixture(scope="module")
def result(folder: Path, made: list[SetUp]) -> Result:
    return pipeline.run(job(folder, "both", 'scan = "side-1.stl"'), until="join")


def test_the_set_up_lies_where_it_does_within_what_is_said(result: Result, made: list[SetUp]) -> None:
    (laid,) = result.join.set_ups
    off = small_motion(laid.motion @ np.linalg.inv(made[0].to_scan @ np.linalg.inv(made[1].to_scan)))
    assert off @ np.linalg.solve(laid.covariance, off) < chi2.ppf(0.999, 6)
    assert laid.corner < 0.05
    assert not any(shared.apart for shared in laid.shared)


def test_every_face_of_the_part_is_a_feature_once(result: Result, made: list[SetUp]) -> None:
    """Six sides, the bore, the hole across, which the bore parts in two, and four holes by their mouths."""
    planes = [f for f in result.features if f.kind == "plane"]
    assert len(planes) == 6
    assert sorted(round(f.radius) for f in result.features if f.kind == "cylinder" and f.radius > 6) == [7, 7, 16]
    back = np.linalg.inv(made[0].to_scan)
    for f in planes:
        normal = turned(back, f.direction)
        axis = int(np.argmax(abs(normal)))
        off = abs(transformed(back, f.point)[axis]) - (45.0, 35.0, 30.0)[axis]
        assert abs(off) < 4.0 * f.uncertainty.position + 0.002


def test_the_distance_of_faces_that_no_scan_saw_together_is_within_its_uncertainty(
    result: Result, made: list[SetUp]
) -> None:
    """Top and bottom of the block are 60 mm apart."""
    tops = {s: f for f, s in zip(result.features, result.join.seen, strict=True) if f.kind == "plane" and len(s) == 1}
    top, bottom = tops[1,], tops[2,]
    distance = abs((bottom.point - top.point) @ top.direction)
    u = np.hypot(top.uncertainty.position, bottom.uncertainty.position)
    lever = np.linalg.norm((bottom.point - top.point) - distance * top.direction * -1.0)
    assert distance == pytest.approx(60.0, abs=4.0 * np.hypot(u, lever * bottom.uncertainty.direction))
    assert u < 0.02


def test_features_that_both_saw_are_known_better(result: Result) -> None:
    join = result.join
    both = [f for f, s in zip(result.features, join.seen, strict=True) if s == (1, 2)]
    assert len(both) >= 5
    bore = next(f for f in both if f.kind == "cylinder" and f.radius > 10)
    assert bore.radius == pytest.approx(16.0, abs=4.0 * bore.uncertainty.radius)
    assert "2 scans" in bore.uncertainty.method
    # Each set-up saw three quarters of the bore's round.
    assert bore.extent.arc > np.radians(300.0)


def test_facets_carry_their_features_and_know_their_set_up(result: Result) -> None:
    surface, labels = result.clean.surface, result.recover.labels
    assert len(labels) == len(result.join.scan) == surface.facets
    assert set(np.unique(result.join.scan)) == {0, 1}
    for index, feature in enumerate(result.features):
        corners = surface.vertices[np.unique(surface.faces[labels == index])]
        if feature.kind == "plane":
            assert np.abs((corners - feature.point) @ feature.direction).max() < 0.15


def test_a_second_run_makes_nothing_anew(result: Result, folder: Path) -> None:
    again = pipeline.run(folder / "both.toml", until="join")
    assert all(stage.reused for stage in again.stages)
    assert [f.id for f in again.features] == [f.id for f in result.features]


def test_what_is_not_of_the_part_is_refused_in_one_sentence(folder: Path, made: list[SetUp]) -> None:
    flipped = made[1].vertices * [-1.0, 1.0, 1.0]
    write_stl(folder / "mirrored.stl", flipped, made[1].faces[:, ::-1], "mm")
    write_stl(folder / "inches.stl", made[1].vertices / 25.4, made[1].faces, "mm")
    for name, said in (("mirrored", "mirror image"), ("inches", "units")):
        with pytest.raises(GeometryError, match=said) as caught:
            pipeline.run(job(folder, name, f'scan = "{name}.stl"'), until="join")
        assert f"{name}.stl" in str(caught.value)
    with pytest.raises(SettingsError, match="has no feature 'H99'"):
        pipeline.run(job(folder, "both", 'scan = "side-1.stl"\nsame = [["H99", "H1"]]'), until="join")
    inch = pipeline.run(job(folder, "in-inches", 'scan = "inches.stl"\nunits = "in"'), until="join")
    assert len(inch.features) > 8
