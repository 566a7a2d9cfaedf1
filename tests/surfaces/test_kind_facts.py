"""What each kind declares about itself, against the standards' own words, a CAD kernel and its own distance.

Covers: pipeline.surfaces.kind, pipeline.surfaces.shape, pipeline.surfaces.plane, pipeline.surfaces.cylinder
Covers: pipeline.surfaces.cone, pipeline.surfaces.sphere, pipeline.surfaces.torus
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from OCP.Geom import (
    Geom_ConicalSurface,
    Geom_CylindricalSurface,
    Geom_Plane,
    Geom_SphericalSurface,
    Geom_Surface,
    Geom_ToroidalSurface,
)
from OCP.GeomAPI import GeomAPI_IntSS
from OCP.gp import gp_Ax3, gp_Dir, gp_Pnt

from pipeline.surfaces import (
    KINDS,
    Shape,
    SituationFeature,
    is_bore,
    jacobian,
    kind_of,
    moved,
    names_of,
    signed_distance,
)
from pipeline.surfaces.kind import Look
from pipeline.surfaces.shape import PlaneCurve, seen_from
from tests.features.made import bore, feature, plane, pose
from tests.surfaces.test_registry import made


def tilted(degrees: float) -> np.ndarray:
    return np.array([np.sin(np.radians(degrees)), 0.0, np.cos(np.radians(degrees))])


def in_kernel(shape: Shape) -> Geom_Surface:
    axis = shape.direction if shape.direction is not None else np.array([0.0, 0.0, 1.0])
    place = gp_Ax3(gp_Pnt(*map(float, shape.point)), gp_Dir(*map(float, axis)))
    radius = shape.radius or 0.0
    if shape.kind == "plane":
        return Geom_Plane(place)
    if shape.kind == "cylinder":
        return Geom_CylindricalSurface(place, radius)
    if shape.kind == "cone":
        return Geom_ConicalSurface(place, shape.half_angle or 0.0, radius)
    if shape.kind == "sphere":
        return Geom_SphericalSurface(place, radius)
    return Geom_ToroidalSurface(place, shape.major_radius or 0.0, radius)


def cut_by_kernel(shape: Shape) -> list[np.ndarray]:
    """Points (n, 2) of each curve that OpenCASCADE finds in the plane z = 0."""
    met = GeomAPI_IntSS(in_kernel(shape), Geom_Plane(gp_Ax3(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1))), 1e-9)
    curves = []
    for number in range(1, met.NbLines() + 1):
        line = met.Line(number)
        low, high = max(line.FirstParameter(), -20.0), min(line.LastParameter(), 20.0)
        points = [line.Value(float(t)) for t in np.linspace(low, high, 50)]
        curves.append(np.array([(p.X(), p.Y()) for p in points]))
    return curves


def off(curve: PlaneCurve, points: np.ndarray) -> float:
    """The furthest that any of the points lies from a line or circle."""
    away = points - curve.point
    if curve.direction is not None:
        return float(np.abs(away[:, 0] * curve.direction[1] - away[:, 1] * curve.direction[0]).max())
    return float(np.abs(np.hypot(*away.T) - (curve.radius or 0.0)).max())


PLACE = np.array([3.0, -2.0, 1.5])
CUTS = [
    Shape("plane", PLACE, tilted(70.0)),
    Shape("plane", PLACE, tilted(90.0)),
    Shape("cylinder", PLACE, tilted(0.0), 4.0),
    Shape("cylinder", PLACE, tilted(90.0), 4.0),
    Shape("cone", PLACE, tilted(0.0), 4.0, np.radians(30.0)),
    Shape("cone", PLACE, -tilted(0.0), 4.0, np.radians(30.0)),
    Shape("sphere", PLACE, None, 4.0),
    Shape("torus", PLACE, tilted(0.0), 4.0, major_radius=10.0),
]


@pytest.mark.parametrize("shape", CUTS, ids=lambda s: s.kind)
def test_a_plane_cuts_lines_and_circles_as_a_cad_kernel_finds_them(shape: Shape) -> None:
    """Open CASCADE's intersection of two surfaces."""
    found, wanted = kind_of(shape).section(shape), cut_by_kernel(shape)
    assert len(found) == len(wanted) > 0
    for curve in found:
        assert min(off(curve, points) for points in wanted) < 1e-7
    for points in wanted:
        assert min(off(curve, points) for curve in found) < 1e-7


MISSED = [
    Shape("plane", PLACE, tilted(2.0)),
    Shape("cylinder", PLACE, tilted(90.0), 1.0),
    Shape("cylinder", PLACE, tilted(20.0), 4.0),
    Shape("cone", PLACE, tilted(20.0), 4.0, np.radians(30.0)),
    Shape("sphere", PLACE, None, 1.0),
    Shape("torus", PLACE, tilted(0.0), 1.0, major_radius=10.0),
    Shape("torus", PLACE, tilted(90.0), 4.0, major_radius=10.0),
]


@pytest.mark.parametrize("shape", MISSED, ids=lambda s: s.kind)
def test_where_there_is_no_line_or_circle_none_is_told(shape: Shape) -> None:
    """Missed planes, an ellipse, a face that is all but level, and a torus' spiric section."""
    assert kind_of(shape).section(shape) == ()


@pytest.mark.parametrize("kind", KINDS)
def test_a_surface_seen_from_elsewhere_is_the_same(kind: str) -> None:
    shape, points = made(kind)
    points = points + np.random.default_rng(3).normal(size=points.shape)
    matrix = pose(5)
    moved = seen_from(shape, matrix)
    there = points @ matrix[:3, :3].T + matrix[:3, 3]
    assert np.allclose(signed_distance(moved, there), signed_distance(shape, points), atol=1e-9)


def test_classes_and_situation_features_of_the_standards() -> None:
    """ISO 17450-1:2011, table 1 (invariance classes) and ISO 5459:2011, table 3 (situation features), from memory."""
    assert {name: (kind.invariance, kind.situation) for name, kind in KINDS.items()} == {
        "plane": ("planar", SituationFeature.PLANE),
        "cylinder": ("cylindrical", SituationFeature.AXIS),
        "cone": ("revolute", SituationFeature.AXIS_POINT),
        "sphere": ("spherical", SituationFeature.POINT),
        "torus": ("revolute", SituationFeature.AXIS_POINT),
    }


def test_form_errors_by_the_standards_names() -> None:
    """ISO 12781-1 flatness, ISO 12180-1 cylindricity; the other kinds have no standard of their own."""
    named = {name: kind.form for name, kind in KINDS.items() if kind.form != "form"}
    assert named == {"plane": "flatness", "cylinder": "cylindricity"}


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_all_along_a_line_where_it_says_so(kind: str) -> None:
    shape, points = made(kind)
    along = np.eye(3)[2] if shape.direction is None else shape.direction
    if KINDS[kind].flat:
        along = np.cross(along, [0.3, 0.5, 0.8])
    away = signed_distance(shape, points + 2.0 * along / np.linalg.norm(along))
    assert KINDS[kind].drawn == bool(np.abs(away).max() < 1e-9)


@pytest.mark.parametrize("kind", KINDS)
def test_the_place_of_its_point_is_its_own_where_it_says_so(kind: str) -> None:
    """The derivatives by a shift of the point: along no line do they vanish everywhere, or change like a size's."""
    shape, points = made(kind)
    points = points + np.random.default_rng(4).normal(size=points.shape)
    steps = [replace(shape, point=shape.point + 1e-5 * e) for e in np.eye(3)]
    by_place = np.array([(signed_distance(s, points) - signed_distance(shape, points)) / 1e-5 for s in steps]).T
    sizes = [i for i, name in enumerate(KINDS[kind].parameters) if name in ("r", "R", "h")]
    all_of_it = np.column_stack([by_place, jacobian(shape, points)[:, sizes]])
    rank = np.linalg.matrix_rank(all_of_it / np.maximum(np.linalg.norm(all_of_it, axis=0), 1e-9), tol=1e-3)
    assert KINDS[kind].centred == (rank == 3 + len(sizes))
    assert len(KINDS[kind].shifts) == rank - len(sizes)


@pytest.mark.parametrize("kind", names_of(lambda kind: kind.parallel is not None))
def test_surfaces_equally_far_from_it_differ_by_the_parameter_it_names(kind: str) -> None:
    shape, points = made(kind)
    points = points + 0.3 * np.random.default_rng(6).normal(size=points.shape)
    names = KINDS[kind].parameters
    # A cone's radius is measured across its axis, the distance of two cones square to their faces.
    grown = 0.4 / np.cos(shape.half_angle or 0.0)
    step = np.array([grown if name == KINDS[kind].parallel else 0.0 for name in names])
    further = signed_distance(moved(shape, step), points)
    assert np.allclose(further, signed_distance(shape, points) - 0.4, atol=1e-9)


def test_letters_and_words() -> None:
    words = {(name, side): (kind.letter(side), kind.called(side)) for name, kind in KINDS.items() for side in SIDES}
    assert words == {
        ("plane", "bore"): ("F", "plane"), ("plane", "boss"): ("F", "plane"),
        ("cylinder", "bore"): ("H", "bore"), ("cylinder", "boss"): ("S", "boss"),
        ("cone", "bore"): ("T", "cone"), ("cone", "boss"): ("T", "cone"),
        ("sphere", "bore"): ("B", "sphere"), ("sphere", "boss"): ("B", "sphere"),
        ("torus", "bore"): ("G", "torus"), ("torus", "boss"): ("G", "torus"),
    }  # fmt: skip


SIDES = ("bore", "boss")


def test_sizes_in_words() -> None:
    told = {kind: KINDS[kind].size(made(kind)[0]) for kind in KINDS}
    assert told == {
        "plane": "flat",
        "cylinder": "D24.000",
        "cone": "60.00 deg",
        "sphere": "D30.000",
        "torus": "D40.000 R5.000",
    }


def test_no_two_kinds_share_a_letter() -> None:
    letters = [letter for kind in KINDS.values() for letter in kind.letters.values()]
    assert len(set(letters)) == len(letters)


def test_bores() -> None:
    assert is_bore(bore("b", (0, 0, 0), (0, 0, 1), 5.0))
    assert not is_bore(feature("b", "cylinder", (0, 0, 0), (0, 0, 1), 5.0, "boss"))
    assert not is_bore(feature("b", "sphere", (0, 0, 0), None, 5.0, "bore"))
    assert not is_bore(plane("p", (0, 0, 0), (0, 0, 1)))


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"parallel": "r"}, "parameter 'r'"),
        ({"one_size": True}, "parameter 'r'"),
        ({"refit_radius": True}, "parameter 'r'"),
        ({"parameters": ("w", "a", "b", "z")}, "parameter 'z'"),
        ({"looks": {"face": Look(0.5, 0.1, 0.0, "none")}}, "a look for plane"),
        ({"by_side": True}, "a look for bore and for boss"),
        ({"letters": {"face": "F"}}, "a letter for plane"),
        ({"letters": {"plane": "f"}}, "no capital letter"),
    ],
)
def test_what_is_declared_has_to_fit_together(change: dict[str, object], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        replace(KINDS["plane"], **change)  # type: ignore[arg-type]
