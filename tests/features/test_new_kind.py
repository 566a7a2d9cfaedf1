"""What a kind that nobody heard of comes to in the rooms that ask: an oval bore, known by its declaration alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import pipeline.surfaces.dispatch  # noqa: F401 made of the real kinds, before this one comes
from pipeline.errors import SettingsError
from pipeline.features.datums.datum_system import Datums, frame_of
from pipeline.features.datums.designation import Choice, choose
from pipeline.features.datums.proposals import main_bore, usable
from pipeline.features.fitting import targets, without_coating
from pipeline.features.gauging import check_measured
from pipeline.features.naming import old_ids
from pipeline.features.naming.numbering import numbers_for
from pipeline.features.relations import find_patterns, pierces
from pipeline.features.relations.coaxial_groups import coaxial_groups
from pipeline.features.simplification.audit import difference
from pipeline.job import Measured, Refit, make_job
from pipeline.lengths import in_unit
from pipeline.palette import feature_looks, look_colour, look_of
from pipeline.standards.suggest import suggest
from pipeline.surfaces import KINDS, Kind, Look, Shape, SituationFeature, is_bore, redirected, seen_from, shape_of
from pipeline.values import Feature
from tests.features.made import bore, feature, plane, pose

UP = np.array([0.0, 0.0, 1.0])


@pytest.fixture(autouse=True)
def oval(monkeypatch: pytest.MonkeyPatch) -> Kind:
    """An elliptic cylinder; its kernels are those of a circular one, which nothing here runs."""
    kind = replace(
        KINDS["cylinder"],
        name="oval",
        invariance="prismatic",
        situation=SituationFeature.AXIS_PLANE,
        parameters=("u", "v", "a", "b", "R", "r", "t"),
        form="form",
        size=lambda shape: f"D{2 * (shape.major_radius or 0.0):.1f} x {2 * (shape.radius or 0.0):.1f}",
        section=lambda shape: (),
        parallel=None,
        one_size=False,
        refit_radius=False,
        letters={"oval": "O"},
        by_side=False,
        terms={},
        looks={"oval": Look(0.64, 0.110, 190.0, "level")},
    )
    monkeypatch.setitem(KINDS, "oval", kind)
    return kind


def made(turn: float = 0.3) -> Feature:
    across = np.array([np.cos(turn), np.sin(turn), 0.0])
    return feature("oval-1", "oval", (30, 0, 0), UP, 6.0, "bore", length=20.0, major_radius=9.0, orientation=across)


def test_ids_words_and_looks_are_its_own() -> None:
    shape = shape_of(made())
    assert numbers_for([made()]) == ["O1"]
    assert old_ids([shape], ["bore"], np.zeros(3), np.full(3, 100.0))[0].startswith("oval-")
    assert feature_looks()[-1] == "oval" == look_of(made())
    assert look_colour("oval") != look_colour("bore")
    assert choose("oval nearest scan: [30, 0, 0]", [made(), bore("b", (0, 0, 0), UP, 5.0)], {}) == Choice(
        "feature", ("oval-1",)
    )


def test_a_job_may_ask_for_it() -> None:
    assert make_job({"scan": "s.stl"}).recover.kinds[-1] == "oval"
    assert make_job({"scan": "s.stl", "recover": {"kinds": ["oval"]}}).recover.kinds == ("oval",)
    with pytest.raises(SettingsError, match="'torus' or 'oval'; it was 'round'"):
        make_job({"scan": "s.stl", "recover": {"kinds": ["round"]}})


def test_it_is_no_bore_that_a_drill_made() -> None:
    face = plane("p", (30.0, 0.0, 10.0), UP, area=5000.0)
    assert not is_bore(made())
    assert not pierces(made(), face)
    assert main_bore([made(), face], ()) is None
    assert suggest([made()]) == ()
    row = [replace(made(), id=f"oval-{k}", point=np.array([20.0 * k, 0.0, 0.0])) for k in range(4)]
    assert not [p for p in find_patterns([*row, face]) if p.kind in ("pitch_circle", "rectangle")]


def test_it_joins_the_bores_on_its_axis() -> None:
    (group,) = coaxial_groups([made(), bore("b", (30.0, 0.0, 40.0), UP, 5.0)])
    assert in_unit(group.note, "mm") == (
        "along the axis: internal oval D18.0 mm x 12.0 x 20.00 mm seen; hole D10.000 mm x 20.00 mm seen"
    )


def test_no_one_diameter_and_no_one_radius() -> None:
    measured = Measured(what="diameter", features=["oval-1"], value=12.0, uncertainty=0.01)
    with pytest.raises(SettingsError, match="is a oval, which has no one diameter; choose a cylinder or a sphere"):
        check_measured([measured], [made()])
    with pytest.raises(SettingsError, match="is a oval, which has no one radius"):
        targets((Refit(feature="oval-1", radius=6.0),), [made()])


def test_a_coating_is_not_taken_off_silently() -> None:
    """The curve at a distance from an ellipse is none (a curve of eighth degree)."""
    under = without_coating(made(), 0.02)
    assert under.radius == made().radius
    assert under.confidence == "low"
    assert under.uncertainty.position is under.uncertainty.radius is None
    assert "no oval" in under.reasons[-1]


def test_its_plane_stops_the_turn_about_its_axis() -> None:
    """ISO 5459: a prismatic surface stands for an axis and a plane through it."""
    face = plane("p", (0.0, 0.0, 0.0), UP, area=5000.0)
    datums = Datums((Choice("feature", ("p",)), Choice("feature", ("oval-1",))), (face, made(0.3)), 50.0)
    frame, _ = frame_of(datums)
    assert frame.complete
    assert [d.constrains for d in frame.datums] == [("tz", "rx", "ry"), ("tx", "ty", "rz")]
    x = frame.matrix[0, :3]
    assert abs(x @ [np.cos(0.3), np.sin(0.3), 0.0]) == pytest.approx(1.0, abs=1e-12)
    assert frame.covariance is not None


def test_it_is_proposed_as_a_datum_only_where_things_sit_on_it(oval: Kind, monkeypatch: pytest.MonkeyPatch) -> None:
    small = plane("p", (0, 0, 0), UP, area=10.0)
    assert [f.id for f in usable([small, made()])] == ["oval-1", "p"]
    monkeypatch.setitem(KINDS, "oval", replace(oval, seat=False))
    assert [f.id for f in usable([small, made()])] == ["p"]


def test_the_audit_tells_a_turn_about_the_axis_and_the_radius_that_changed_more() -> None:
    was = shape_of(made(0.3))
    now = replace(shape_of(made(0.31)), radius=6.01, major_radius=8.95, point=np.array([30.02, 0.0, 5.0]))
    shift, tilt, grown = difference(was, now)
    assert (shift, tilt, grown) == pytest.approx((0.02, 0.01, -0.05))


def test_a_shape_seen_from_elsewhere_keeps_its_orientation_square() -> None:
    shape: Shape = shape_of(made())
    moved = seen_from(shape, pose(3))
    assert moved.direction is not None
    assert moved.orientation is not None
    assert moved.direction @ moved.orientation == pytest.approx(0.0, abs=1e-12)
    leant = redirected(shape, np.array([0.1, 0.0, 1.0]) / np.sqrt(1.01))
    assert leant.direction is not None
    assert leant.orientation is not None
    assert leant.direction @ leant.orientation == pytest.approx(0.0, abs=1e-12)
    assert np.linalg.norm(leant.orientation) == pytest.approx(1.0)
