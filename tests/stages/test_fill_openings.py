"""The fill stage: real openings stay open, doubtful closings are proposed, lids are flat, tiny holes are a count.

Covers: pipeline.features.gaps.passages, pipeline.features.gaps.lids, pipeline.features.gaps.layout
Covers: pipeline.features.gaps.roofs, pipeline.features.gaps.fair_height
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.spatial import cKDTree

from pipeline.features.gaps import (
    Surroundings,
    band_of,
    find_rims,
    name_gaps,
    outward_signs,
    ways_to_close,
)
from pipeline.features.gaps.roofs import _evenly, _Leaf, _Roof
from pipeline.job import CleanSettings, GapChoice, Zone
from pipeline.lengths import in_unit
from pipeline.mesh.topology.adjacency import facet_neighbours
from pipeline.mesh.topology.boundaries import boundary_loops
from pipeline.mesh.topology.components import compact, components
from pipeline.mesh.topology.defects import edge_report
from pipeline.mesh.topology.measures import facet_areas
from pipeline.progress import silent
from pipeline.stages.clean import clean
from pipeline.surfaces.shape import Shape
from pipeline.values import FillResult
from pipeline.values.surface import FILLED, Surface
from tests.features.made import bore, plane
from tests.implicit import Part, X, Z, mesh_of
from tests.stages.test_clean import as_read
from tests.stages.test_fill import EDGE, NOISE, filled, in_plane, new_points, outside, pipe, sheet, wavy

THROUGH, CROSS, HALF = 18.0, 10.0, (34.0, 27.0, 30.0)
TURN = np.linalg.qr(np.array([[1.0, 0.3, 0.2], [-0.2, 1.0, 0.4], [0.1, -0.5, 1.0]]))[0]


@cache
def bored_block() -> tuple[Part, np.ndarray, np.ndarray]:
    """A block with a bore of D36 through it along x, and one of D20 from above into that, at x = 0."""
    part = Part(size=float(np.linalg.norm(HALF)) + 2.0)
    part.bodies.append(part.box(-np.array(HALF), np.array(HALF)))
    part.cuts.append((part.round(np.zeros(3), X, THROUGH),))
    part.bore("cross", (0, 0, HALF[2]), -Z, CROSS, HALF[2], (0.0, HALF[2] - THROUGH))
    v, f = mesh_of(part, 1.1, TURN)
    return part, v, f


def scan_of(gone, cross: bool, **choices) -> tuple[Part, FillResult]:
    """The block without the facets that `gone` (of their middles) says, as scanned; with or without the cross bore as
    a feature, of which a third of the wall was seen."""
    part, v, f = bored_block()
    v, f, _ = compact(v, f[~gone(v[f].mean(axis=1))])
    normals = part.normals(v)
    rng = np.random.default_rng(4)
    v = v + normals * rng.normal(scale=NOISE, size=(len(v), 1))
    cleaned = clean(as_read(v, f, NOISE), CleanSettings(), silent).surface
    v, f = cleaned.vertices, cleaned.faces
    middle = v[f].mean(axis=1)
    wall = part.at(middle)[1]
    features = [bore("bore-through", (0, 0, 0), (1, 0, 0), THROUGH, 2 * HALF[0]), plane("top", (0, 0, HALF[2]), Z)]
    labels = np.full(len(f), -1)
    labels[wall == -1 - part.cuts[0][0]] = 0
    labels[wall == part.bodies[0][5]] = 1
    if cross:
        features.append(bore("bore-cross", (0, 0, HALF[2] - 2.0), (0, 0, 1), CROSS, 4.0))
        labels[wall == -1 - part.cuts[1][0]] = 2
    return part, filled(v, f, tuple(features), labels, **choices)


def sealed(part: Part, result: FillResult) -> float:
    """mm2 put in more than 1 mm from the metal."""
    surface = result.surface
    new = surface.faces[surface.origin == FILLED]
    air = part.in_air(surface.vertices[new].mean(axis=1)) > 1.0
    return float(facet_areas(surface.vertices, new)[air].sum())


def cross_bore(x: np.ndarray, margin: float) -> np.ndarray:
    return (np.hypot(x[:, 0], x[:, 1]) < CROSS + margin) & (x[:, 2] > 10.0) & (x[:, 2] < HALF[2] - 4.0)


@pytest.mark.parametrize("margin", [0.01, 0.8], ids=["sharp mouth", "mouth lost too"])
@pytest.mark.parametrize("cross", [True, False], ids=["bore found", "bore not found"])
def test_mouth_of_a_cross_bore_in_a_through_bore_stays_open(margin, cross):
    part, result = scan_of(lambda x: cross_bore(x, margin), cross)
    mouth = min(result.gaps, key=lambda g: np.linalg.norm(g.centre - [0, 0, THROUGH - 2.0]))
    assert mouth.area > 300.0
    assert (mouth.kind, mouth.done) == ("opening", "left open")
    assert ("bore-cross comes out here" in mouth.note) == cross
    assert sealed(part, result) == 0.0


def test_bore_of_which_nothing_was_seen_stays_open_at_both_ends():
    part, result = scan_of(lambda x: (np.hypot(x[:, 0], x[:, 1]) < CROSS + 0.8) & (x[:, 2] > 10.0), False)
    assert sorted((g.kind, g.done) for g in result.gaps if g.area > 100.0) == [("opening", "left open")] * 2
    assert sealed(part, result) == 0.0


def test_marks_of_the_same_size_are_closed_beside_it():
    """In the through bore's wall, in the top face beside the cross bore, and across that face's outer edge."""
    marks = np.array([[18.0, 0.0, -THROUGH], [22.0, 12.0, HALF[2]], [-14.0, -HALF[1], HALF[2]]])

    def gone(x):
        away = np.linalg.norm(x[:, None] - marks, axis=2)
        return cross_bore(x, 0.8) | (away < [9.0, 8.0, 8.0]).any(axis=1)

    part, result = scan_of(gone, True)
    for mark in marks:
        gap = min(result.gaps, key=lambda g: np.linalg.norm(g.centre - mark))
        assert gap.done == "closed", gap
        assert gap.area > 100.0
    assert sealed(part, result) == 0.0


def plate(**choices) -> FillResult:
    """Two faces of a plate 10 mm thick; in the upper one a gap of 9 mm radius, under two fifths of it one below."""
    v, f = sheet(lambda x, y: 0 * x)
    middle = v[f].mean(axis=1)
    upper = f[outside(v, f, (0, 0, 0), 9.0)]
    lower = f[(np.hypot(middle[:, 0], middle[:, 1]) > 9.0) | (middle[:, 0] < 1.4)]
    both = np.concatenate([upper, lower[:, ::-1] + len(v)])
    faces = (plane("upper", (0, 0, 0), Z), plane("lower", (0, 0, -10), -Z))
    labels = np.repeat([0, 1], [len(upper), len(lower)])
    return filled(np.concatenate([v, v - 10.0 * Z]), both, faces, labels, **choices)


def test_doubtful_closing_is_proposed_and_the_job_has_it_done():
    gap = max((g for g in plate().gaps if g.kind != "border"), key=lambda g: g.area)
    assert gap.area == pytest.approx(np.pi * 81, rel=0.03)
    assert gap.done == "left open"
    assert "no metal is seen behind" in gap.proposed
    # The job has it done, by name or by a larger limit.
    for choices in ({"gaps": (GapChoice(id=gap.id, do="close"),)}, {"ask_above": 300.0}):
        again = next(g for g in plate(**choices).gaps if g.id == gap.id)
        assert (again.done, again.proposed) == ("closed", "")


def test_proposed_closing_is_a_caution():
    result = plate()
    asked = [g for g in result.gaps if g.proposed]
    assert any("proposed for closing" in text and asked[0].id in text for text in result.cautions)


SHIFTED = ((1.0, 0.0, 0.0, 0.0), (0.0, 1.0, 0.0, 0.0), (0.0, 0.0, 1.0, 30.0), (0.0, 0.0, 0.0, 1.0))


@pytest.mark.parametrize(
    "place", [{"centre": "scan: [0, 0, 0]"}, {"centre": (0, 0, 30), "part_frame": SHIFTED}], ids=["scan", "part"]
)
def test_exclusion_zone_explains_a_doubtful_closing(place):
    result = plate(exclude=(Zone.model_validate({"shape": "sphere", "radius": 9.2, **place}),))
    gap = max((g for g in result.gaps if g.kind != "border"), key=lambda g: g.area)
    assert (gap.done, gap.proposed) == ("closed", "")
    assert "exclusion zone 1" in gap.note


def test_large_closing_says_what_speaks_for_it():
    v, f = sheet(lambda x, y: 0 * x)
    both = np.concatenate([f[outside(v, f, (0, 0, 0), 9.0)], f[:, ::-1] + len(v)])
    gaps = filled(np.concatenate([v, v - 10.0 * Z]), both).gaps
    assert [g.note for g in gaps if g.done == "closed"] == ["metal lies behind all of it; filled with a smooth patch"]


@pytest.mark.parametrize(("below", "done"), [(14.0, ["closed", "closed"]), (6.0, ["left open", "left open"])])
def test_mark_seen_through_a_much_larger_mark_is_one(below, done):
    """A clamp's jaws on both sides of a wall; through two holes of one size one sees as through a bore."""
    v, f = sheet(lambda x, y: 0 * x)
    upper, lower = f[outside(v, f, (0, 0, 0), 5.0)], f[outside(v, f, (0.5 * below - 3.0, 0, 0), below)]
    both = np.concatenate([upper, lower[:, ::-1] + len(v)])
    gaps = filled(np.concatenate([v, v - 10.0 * Z]), both).gaps
    assert [g.done for g in gaps if g.kind != "border"] == done


def test_no_skin_for_a_lost_part_of_a_wall_stands_in_the_bore():
    """At a sharp mouth, two fifths of the wall: whatever way it is closed."""
    half = np.radians(70.0)

    def gone(x):
        wall = np.abs(np.hypot(x[:, 1], x[:, 2]) - THROUGH) < 0.3
        return wall & (x[:, 0] > HALF[0] - 14.0) & (x[:, 1] > THROUGH * np.cos(half))

    part, result = scan_of(gone, False)
    known = result.surface.origin != FILLED
    v, f, _ = compact(result.surface.vertices, result.surface.faces[known])
    surface, shapes = Surface.measured(v, f), (Shape("cylinder", np.zeros(3), X, THROUGH),)
    rims, _ = find_rims(surface, facet_neighbours(f, len(v)))
    band = band_of(surface, rims, np.where(result.labels[known] == 0, 0, -1).astype(np.int32))
    gap = max(name_gaps(surface, rims, band, shapes, NOISE), key=lambda g: g.outer.area)
    ground = Surroundings(v, f, band, shapes, outward_signs(shapes, band), NOISE)
    assert gap.outer.area > 400.0
    skins = [patch for patch in ways_to_close(gap, ground) if patch.how == "a smooth patch"]
    assert skins
    for patch in skins:
        # Over the mouth, where the rim runs along no wall, it is as fair skin is.
        within = patch.points[patch.points[:, 0] < HALF[0] - 1.5]
        assert len(within) > 300
        assert part.in_air(within).max() < 0.1


def test_ring_round_a_hole_that_goes_deeper_is_proposed():
    """A step's wall and floor were not seen, only the rounded mouth of the bore below."""
    turn = np.arange(200) * 2.0 * np.pi / 200
    profile = [(10.0 - 2.0 * np.sin(a), -5.0 + 2.0 * np.cos(a)) for a in np.linspace(0.0, 0.5 * np.pi, 8)]
    profile += [(8.0, z) for z in np.arange(-5.5, -25.0, -EDGE)]
    profile += [(r, -25.0) for r in np.arange(8.0, 40.0, EDGE)]
    profile += [(40.0, z) for z in np.arange(-25.0, 0.0, EDGE)]
    profile += [(r, 0.0) for r in np.arange(40.0, 12.0, -EDGE)]
    r, z = np.array(profile).T
    v = np.stack([np.outer(r, np.cos(turn)), np.outer(r, np.sin(turn)), np.outer(z, np.ones(200))], -1).reshape(-1, 3)
    i = (np.arange(len(r) - 1)[:, None] * 200 + np.arange(200)).ravel()
    j = (np.arange(len(r) - 1)[:, None] * 200 + np.roll(np.arange(200), -1)).ravel()
    f = np.concatenate([np.stack([i, j, j + 200], 1), np.stack([i, j + 200, i + 200], 1)]).astype(np.int32)
    (ring,) = filled(v, f).gaps
    assert ring.done == "left open"
    assert "goes on deeper" in ring.proposed


def test_tiny_holes_across_sharp_edges_are_closed():
    part, v, f = bored_block()
    wall = part.at(v[f].mean(axis=1))[1]
    low, high = np.full(len(v), 1000), np.full(len(v), -1000)
    for k in range(3):
        np.minimum.at(low, f[:, k], wall)
        np.maximum.at(high, f[:, k], wall)
    rng = np.random.default_rng(0)
    # Not where another one is near.
    picked: list[int] = []
    for vertex in rng.permutation(np.flatnonzero(low != high)):
        if all(np.linalg.norm(v[vertex] - v[p]) > 8.0 for p in picked):
            picked.append(vertex)
    lost = np.isin(f, picked[::2]).any(axis=1)
    lost[[np.flatnonzero((f == p).any(axis=1))[0] for p in picked[1::2]]] = True
    _, result = scan_of(lambda x: lost, False)
    assert len(picked) > 30
    tiny = {g.done: g.count for g in result.gaps if g.kind == "pepper"}
    others = [g for g in result.gaps if g.kind != "pepper"]
    assert {g.done for g in others} <= {"closed"}
    assert tiny["closed"] + len(others) >= 0.95 * len(picked)


@pytest.mark.parametrize("turns", [[0.3], np.linspace(0.0, 2.0 * np.pi, 13)], ids=["one point", "closed"])
def test_a_line_between_two_surfaces_has_no_point_twice(turns):
    # A plane through a paraboloid: they meet on the circle of radius 1.
    leaves = (_Leaf(lambda x: 0.0 * x[:, 0], 0), _Leaf(lambda x: np.sum(x**2, axis=1) - 1.0, 1))
    chain = 1.02 * np.stack([np.cos(turns), np.sin(turns)], axis=1)
    chain[-1] = chain[0]
    line, _ = _evenly(_Roof(leaves, (True,)), lambda x: np.column_stack([x, 0.0 * x[:, 0]]), chain, 0, 1, 0.3)
    assert np.linalg.norm(line, axis=1) == pytest.approx(np.ones(len(line)), abs=1e-6)
    apart = np.linalg.norm(line[:, None] - line, axis=2) + 9.0 * np.eye(len(line))
    assert len(line) == 1 if len(turns) == 1 else len(line) > 12
    assert apart.min() > 0.02


@pytest.mark.parametrize("way", [-1.0, 1.0])
@pytest.mark.parametrize("across", [0.2, 0.45])
def test_a_short_stretch_of_an_edge_is_not_taken_for_a_ring(way, across):
    # Of small holes beside a straight edge that just reach over it a stretch is rebuilt that is hardly longer than its
    # ends are apart. There and back again along it, new points lay on each other, or within some um.
    v, f = sheet(lambda x, y: way * np.abs(x))
    for y, radius in zip(np.linspace(-25.0, 25.0, 11), np.linspace(0.8, 1.8, 11), strict=True):
        f = f[outside(v, f, (across, y, across * way), radius)]
    faces = (plane("plane-a", (0, 0, 0), (way, 0, 1)), plane("plane-b", (0, 0, 0), (-way, 0, 1)))
    result = filled(v, f, faces, (v[f].mean(axis=1)[:, 0] > 0).astype(int))
    points = new_points(result)
    assert len(points) > 80
    assert cKDTree(points).query(points, k=2)[0][:, 1].min() > 0.1 * EDGE


def lids(v, f) -> tuple[FillResult, list]:
    result = filled(v, f, watertight=True)
    assert len(boundary_loops(result.surface.faces, len(result.surface.vertices))) == 0
    return result, [g for g in result.gaps if g.done == "capped"]


@pytest.mark.parametrize("seed", range(3))
def test_lid_on_a_ragged_end_of_a_bore_is_flat(seed):
    """A ragged rim on a wall overlaps itself seen along the axis: once a lid that followed the wall, a cone."""
    radius, rng = 8.0, np.random.default_rng(seed)
    v, f = pipe(radius, 30.0)
    v = v + rng.normal(scale=NOISE, size=v.shape)
    middle = v[f].mean(axis=1)
    column = (np.arctan2(middle[:, 1], middle[:, 0]) * radius / EDGE).astype(int)
    f = f[middle[:, 2] < 28.0 + rng.uniform(0.0, 1.5, 200)[column]]
    result, capped = lids(v, f)
    end = max(capped, key=lambda g: g.centre[2])
    assert "a flat lid" in end.note
    points = new_points(result)
    inner = points[(np.hypot(points[:, 0], points[:, 1]) < radius - 2.0) & (points[:, 2] > 15.0)]
    assert len(inner) > 300
    # One plane, and that of the rim: within the raggedness of it.
    assert np.ptp(inner @ np.linalg.svd(inner - inner.mean(axis=0))[2][2]) < 1e-9
    assert np.abs(inner[:, 2] - 28.5).max() < 1.0
    # No more was invented than the section, and what is missing of the wall between the teeth of its rim.
    assert np.pi * radius**2 < end.area_filled < np.pi * radius**2 + 2.0 * np.pi * radius * 0.75


def test_lid_over_a_bent_rim_has_least_area_and_says_so():
    """A soap film on r = 20, z = h cos 2t is z = h (r / 20)^2 cos 2t to first order in h (harmonic)."""
    radius, h = 20.0, 2.0
    v, f = pipe(radius, 12.0, hollow=False)
    turn = np.arctan2(v[:, 1], v[:, 0])
    v = v + np.where(v[:, 2] > 6.0, h * np.cos(2.0 * turn), 0.0)[:, None] * Z
    result, capped = lids(v, f)
    bent = max(capped, key=lambda g: g.centre[2])
    assert "least area" in bent.note
    assert f"{2 * h:.1f} mm" in in_unit(bent.note, "mm")
    assert "a flat lid" in min(capped, key=lambda g: g.centre[2]).note
    points = new_points(result)
    points = points[points[:, 2] > 6.0]
    x, y = points[:, 0] / radius, points[:, 1] / radius
    # Beyond the first order: h^3 / radius^2.
    assert np.abs(points[:, 2] - (12.0 - EDGE) - h * (x * x - y * y)).max() < 0.05


@pytest.mark.parametrize("skin", [False, True], ids=["plane", "skin"])
def test_tiny_holes_are_all_closed_and_told_as_a_count(skin):
    v, f = sheet(wavy if skin else (lambda x, y: 0 * x))
    rng = np.random.default_rng(2)
    fans = np.isin(f, rng.choice(np.unique(f), 150, replace=False)).any(axis=1)
    f = f[~fans & (rng.random(len(f)) > 0.004)]
    # What hangs on nothing is no matter of gaps: cleaning takes it away.
    f = f[components(facet_neighbours(f, len(v))) == 0]
    holes = len(boundary_loops(compact(v, f)[1], len(v))) - 1
    result = filled(v, f, sigma=NOISE) if skin else in_plane(v, f, NOISE)
    pepper = [g for g in result.gaps if g.kind == "pepper"]
    assert [g.done for g in pepper] == ["closed"]
    others = [g for g in result.gaps if g.kind not in ("pepper", "border")]
    assert pepper[0].count + len(others) >= holes > 150
    assert pepper[0].count > 150
    assert not [text for text in result.cautions if "could not be closed" in text]
    report = edge_report(result.surface.faces, len(result.surface.vertices))
    assert (report.nonmanifold, report.inconsistent) == (0, 0)
