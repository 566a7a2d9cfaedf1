"""Outlines of a flat face against the exact outline of the plate they were made from.

Covers: pipeline.features.sketches.borders, pipeline.features.sketches.curves, pipeline.features.sketches.flanges
Covers: pipeline.features.sketches.ground, pipeline.features.sketches.sharp_edges
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.spatial import Delaunay, cKDTree

from pipeline.features.sketches import outlines
from pipeline.features.sketches.borders import Loop
from pipeline.features.sketches.curves import Curve, cut, noise_of
from pipeline.features.sketches.flanges import flange, flanges_of, polyline
from pipeline.features.sketches.ground import prepare
from pipeline.features.sketches.outlines import outlines_of
from pipeline.features.sketches.sharp_edges import _near
from pipeline.mesh.query import SightLines
from pipeline.mesh.topology.boundaries import boundary_loops
from pipeline.values.surface import Surface
from tests.features.made import bore, plane, pose, posed

ROUND = 0.4  # the scanner's rounding of edges


@dataclass(frozen=True)
class Run:
    """A closed outline sampled evenly: points (n, 2) and the outward normals of the material's border."""

    points: np.ndarray
    outward: np.ndarray


def rounded_rectangle(width, height, radii, step, centre=(0.0, 0.0)) -> Run:
    """Counter-clockwise from the lower left; a corner radius of 0 leaves a sharp corner."""
    w, h = width / 2, height / 2
    corners = [((w, -h), (-1, 1), -90), ((w, h), (-1, -1), 0), ((-w, h), (1, -1), 90), ((-w, -h), (1, 1), 180)]
    points, normals = [], []
    for k, ((cx, cy), (sx, sy), start) in enumerate(corners):
        r = radii[k]
        c = np.array([cx + sx * r, cy + sy * r])
        if r:
            a = np.radians(np.linspace(start, start + 90, max(3, int(np.pi * r / 2 / step))))
            n = np.column_stack([np.cos(a), np.sin(a)])
            points.append(c + r * n)
            normals.append(n)
        following = corners[(k + 1) % 4]
        r2 = radii[(k + 1) % 4]
        n = np.array([np.cos(np.radians(start + 90)), np.sin(np.radians(start + 90))])
        a = c + r * n
        b = np.array(following[0]) + np.array(following[1]) * r2 + r2 * n
        count = int(np.linalg.norm(b - a) / step)
        t = (np.arange(count) + 0.5) / count
        points.append(a + t[:, None] * (b - a))
        normals.append(np.tile(n, (count, 1)))
    return Run(np.vstack(points) + centre, np.vstack(normals))


def circle(radius, step, centre) -> Run:
    """An opening: the outward normal of the material's border looks to the middle."""
    count = int(2 * np.pi * radius / step)
    a = -2 * np.pi * np.arange(count) / count
    n = np.column_stack([np.cos(a), np.sin(a)])
    return Run(radius * n + centre, -n)


def opening(run: Run) -> Run:
    return Run(run.points[::-1], -run.outward[::-1])


def plate(runs, step, wall=8.0, draft=0.0):
    """Mesh of a face at z = 0 with rounded edges and walls down: vertices, faces, row of each facet (-1 the face
    itself, else the run whose wall it is on, rounding included), height of each facet."""
    theta = np.linspace(0, np.pi / 2 - np.radians(draft), 4)
    inset = ROUND * (1 - np.sin(theta))
    height = -ROUND * (1 - np.cos(theta))
    rows = int((wall - ROUND) / step)
    down = np.arange(1, rows + 1) * step
    profile = [(i, z) for i, z in zip(inset, height, strict=True)]
    profile += [(inset[-1] - d * np.tan(np.radians(draft)), height[-1] - d) for d in down]
    # With a draft the sharp edge lies where the wall's line meets z = 0.
    shift = inset[-1] - height[-1] * np.tan(np.radians(draft))
    profile = [(i - shift, z) for i, z in profile]
    vertices, faces, row = [], [], []
    rims, base = [], 0
    for number, run in enumerate(runs):
        n = len(run.points)
        for i, z in profile:
            vertices.append(np.column_stack([run.points - i * run.outward, np.full(n, z)]))
        for k in range(len(profile) - 1):
            a = base + k * n + np.arange(n)
            b = base + k * n + (np.arange(n) + 1) % n
            faces += [np.column_stack([a, a + n, b]), np.column_stack([b, a + n, b + n])]
            row += [number] * (2 * n)
        rims.append(np.arange(base, base + n))
        base += len(profile) * n
    rim = [run.points - profile[0][0] * run.outward for run in runs]
    low, high = rim[0].min(axis=0), rim[0].max(axis=0)
    x, y = np.meshgrid(np.arange(low[0], high[0], step), np.arange(low[1], high[1], step * 0.87))
    x[::2] += step / 2
    grid = np.column_stack([x.ravel(), y.ravel()])
    near, _ = cKDTree(np.vstack(rim)).query(grid)
    keep = (near > 0.7 * step) & within(rim, grid)
    points = np.vstack([*rim, grid[keep]])
    numbers = np.concatenate([*rims, base + np.arange(keep.sum())])
    vertices.append(np.column_stack([grid[keep], np.zeros(keep.sum())]))
    triangles = Delaunay(points).simplices
    middle = points[triangles].mean(axis=1)
    triangles = triangles[within(rim, middle)]
    side = np.cross(
        points[triangles[:, 1]] - points[triangles[:, 0]], points[triangles[:, 2]] - points[triangles[:, 0]]
    )
    triangles[side < 0] = triangles[side < 0][:, ::-1]
    faces.append(numbers[triangles])
    row += [-1] * len(triangles)
    # Where the triangulation left out a sliver at the rim.
    slivers = [
        loop for loop in boundary_loops(np.vstack(faces).astype(np.int32), base + int(keep.sum())) if len(loop) == 3
    ]
    if slivers:
        faces.append(np.array(slivers)[:, ::-1])
        row += [-1] * len(slivers)
    return np.vstack(vertices), np.vstack(faces).astype(np.int32), np.array(row)


def within(rims, points):
    """Which points lie in the first closed polygon and in none of the others (crossing number)."""
    crossings = np.zeros((len(rims), len(points)), int)
    for k, rim in enumerate(rims):
        for a, b in zip(rim, np.roll(rim, -1, axis=0), strict=True):
            spans = (a[1] > points[:, 1]) != (b[1] > points[:, 1])
            if spans.any():
                at = a[0] + (points[spans, 1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0])
                crossings[k, spans] += points[spans, 0] < at
    odd = crossings % 2 == 1
    return odd[0] & ~odd[1:].any(axis=0)


def scanned(runs, step, sigma, seed, wall_features, draft=0.0, erode=1.0):
    """Surface, labels and features as recovery would give them: labels stay `erode` mm away from every edge."""
    vertices, faces, row = plate(runs, step, draft=draft)
    rng = np.random.default_rng(seed)
    edges = np.vstack([r.points for r in runs])
    middle = vertices[faces].mean(axis=1)
    away, _ = cKDTree(edges).query(middle[:, :2])
    labels = np.full(len(faces), -1, np.int32)
    labels[(row == -1) & (away > erode)] = 0
    features = [plane("face", (0, 0, 0), (0, 0, 1), 6000)]
    for number, made in wall_features.items():
        features.append(made)
        labels[(row == number) & (middle[:, 2] < -erode)] = len(features) - 1
    noisy = vertices + rng.normal(0, sigma, vertices.shape)
    matrix = pose(seed)
    noisy = noisy @ matrix[:3, :3].T + matrix[:3, 3]
    return Surface.measured(noisy, faces), labels, posed(features, matrix), matrix


def apart(outline, run: Run) -> float:
    """Largest distance between a fitted outline and the true one, both ways, mm."""
    fitted = dense(polyline(outline, np.radians(0.5)))
    true = dense(np.vstack([run.points, run.points[:1]]))
    return max(cKDTree(true).query(fitted)[0].max(), cKDTree(fitted).query(true)[0].max())


def dense(points, step=0.03):
    out = []
    for a, b in itertools.pairwise(points):
        n = max(1, int(np.linalg.norm(b - a) / step))
        out.append(a + np.arange(n)[:, None] / n * (b - a))
    return np.vstack([*out, points[-1:]])


@pytest.mark.parametrize("step", [0.5, 0.8])
@pytest.mark.parametrize("draft", [0.0, 3.0])
def test_outline_within_a_tenth_of_the_sharp_edge(step, draft) -> None:
    fine = 0.1
    # The made mesh of a drafted wall has no true sharp corner.
    shape = {"width": 96, "height": 64, "radii": (10, 5, 16, 4 if draft else 0)}
    hole, slot = dict(radius=14.0, centre=(-18, 4)), dict(width=30, height=9, radii=(4.5,) * 4, centre=(24, -14))
    runs = [
        rounded_rectangle(step=step, **shape),
        circle(step=step, **hole),
        opening(rounded_rectangle(step=step, **slot)),
    ]
    true = [
        rounded_rectangle(step=fine, **shape),
        circle(step=fine, **hole),
        opening(rounded_rectangle(step=fine, **slot)),
    ]
    walls = {} if draft else {1: bore("hole", (-18, 4, -5), (0, 0, 1), 14.0, 6)}
    surface, labels, features, matrix = scanned(runs, step, 0.012, 3, walls, draft)
    ground = prepare(surface, labels, features, 0.012)
    sketch = np.linalg.inv(matrix)
    outer, inner, sunk = outlines_of(ground, 0, sketch)
    assert not sunk
    assert {o.what for o in inner} == {"opening"}
    assert len(inner) == 2
    assert apart(outer, true[0]) < 0.1
    wanted = sorted(r for r in shape["radii"] if r)
    assert sorted(s.kind for s in outer.segments) == ["arc"] * len(wanted) + ["line"] * 4
    radii = sorted(s.radius for s in outer.segments if s.kind == "arc")
    np.testing.assert_allclose(radii, wanted, atol=0.25)
    round_one = next(o for o in inner if len(o.segments) == 1)
    assert round_one.segments[0].kind == "circle"
    assert round_one.segments[0].feature == (None if draft else "hole")
    assert round_one.segments[0].radius == pytest.approx(14.0, abs=0.02)
    other = next(o for o in inner if o is not round_one)
    assert apart(other, true[2]) < 0.1
    assert sorted(s.kind for s in other.segments) == ["arc", "arc", "line", "line"]
    for o in (outer, other):
        ends = [s.end for s in o.segments]
        starts = [s.start for s in o.segments[1:]] + [o.segments[0].start]
        np.testing.assert_allclose(ends, starts, atol=1e-9)
        assert not o.broken
    # Outer border counter-clockwise, openings clockwise.
    assert area(polyline(outer)) > 0 > area(polyline(other))


def area(p):
    return 0.5 * np.sum(p[:, 0] * np.roll(p[:, 1], -1) - p[:, 1] * np.roll(p[:, 0], -1))


def test_walls_that_are_features_give_the_edge_exactly() -> None:
    runs = [rounded_rectangle(80, 50, (0, 0, 0, 0), 0.7), circle(9.0, 0.7, (5.0, 3.0))]
    vertices, faces, row = plate(runs, 0.7)
    middle = vertices[faces].mean(axis=1)
    labels = np.full(len(faces), -1, np.int32)
    away, _ = cKDTree(np.vstack([r.points for r in runs])).query(middle[:, :2])
    labels[(row == -1) & (away > 1.0)] = 0
    features = [
        plane("face", (0, 0, 0), (0, 0, 1), 3500),
        plane("east", (40, 0, -4), (1, 0, 0)),
        plane("north", (0, 25, -4), (0, 1, 0)),
        plane("west", (-40, 0, -4), (-1, 0, 0)),
        plane("south", (0, -25, -4), (0, -1, 0)),
        bore("hole", (5, 3, -4), (0, 0, 1), 9.0, 6),
    ]
    deep = middle[:, 2] < -1.0
    for k, (axis, value) in enumerate([(0, 40), (1, 25), (0, -40), (1, -25)], start=1):
        labels[(row == 0) & deep & (np.abs(middle[:, axis] - value) < 0.3)] = k
    labels[(row == 1) & deep] = 5
    ground = prepare(Surface.measured(vertices, faces), labels, features, 0.0)
    sketch = flange(ground, 0, np.eye(4), SightLines.through(vertices, faces))
    assert [h.feature for h in sketch.holes] == ["hole"]
    assert sketch.origin_at == "axis of hole"
    np.testing.assert_allclose(sketch.holes[0].place, 0.0, atol=1e-12)
    assert {s.feature for s in sketch.outer.segments} == {"east", "north", "west", "south"}
    corners = np.array(sorted(tuple(np.round(s.start + np.array([5, 3]), 9)) for s in sketch.outer.segments))
    np.testing.assert_allclose(corners, [(-40, -25), (-40, 25), (40, -25), (40, 25)], atol=1e-9)
    (opening_,) = sketch.inner
    assert opening_.segments[0].kind == "circle"
    assert opening_.segments[0].radius == 9.0
    np.testing.assert_allclose(opening_.segments[0].centre, 0.0, atol=1e-12)


def test_a_wavy_edge_is_a_polyline_and_no_row_of_arcs() -> None:
    rng = np.random.default_rng(2)
    t = np.linspace(0, 2 * np.pi, 700, endpoint=False)
    r = 80 + sum(rng.uniform(0.1, 0.25) * np.cos(k * t + rng.uniform(0, 6)) for k in (3, 7, 11, 19, 26, 33))
    points = np.column_stack([r * np.cos(t), r * np.sin(t)]) + rng.normal(0, 0.01, (700, 2))
    pieces = cut(points, noise_of(points), True, 0.1)
    assert [p.kind for p in pieces] == ["free"]
    away, _ = cKDTree(dense(pieces[0].points)).query(points)
    assert away.max() < 0.13


def test_a_circle_among_points_is_one_circle() -> None:
    rng = np.random.default_rng(1)
    t = np.linspace(0, 2 * np.pi, 300, endpoint=False)
    points = np.column_stack([33 * np.cos(t), 33 * np.sin(t)]) + rng.normal(0, 0.015, (300, 2))
    (ring,) = cut(points, 0.015, True, 0.1)
    assert ring.kind == "circle"
    assert ring.radius == pytest.approx(33.0, abs=0.004)


def test_holes_and_their_pattern_on_a_flange() -> None:
    """Eight holes round a bore; one of them filled in: the place where it should be is named."""
    step = 0.9
    angle = np.pi * (2 * np.arange(8) + 1) / 8
    places = 30 * np.column_stack([np.cos(angle), np.sin(angle)])
    keep = [k for k in range(8) if k != 2]
    runs = [rounded_rectangle(90, 90, (20,) * 4, step), circle(15.0, step, (0, 0))]
    runs += [circle(3.5, step, places[k]) for k in keep]
    walls = {1: bore("main", (0, 0, -4), (0, 0, 1), 15.0, 6)}
    walls |= {2 + i: bore(f"bolt-{k}", (*places[k], -4), (0, 0, 1), 3.5, 6) for i, k in enumerate(keep)}
    surface, labels, features, matrix = scanned(runs, step, 0.01, 5, walls)
    (sketch,) = flanges_of(prepare(surface, labels, features, 0.01), np.linalg.inv(matrix))
    assert len(sketch.holes) == 8
    (ring,) = [p for p in sketch.patterns if p.kind == "pitch_circle"]
    assert (ring.count, ring.missing, len(ring.members)) == (8, 1, 7)
    assert ring.diameter == pytest.approx(60.0, abs=1e-6)
    np.testing.assert_allclose(ring.gaps_at[0], places[2], atol=1e-6)
    assert len(sketch.inner) == 8
    assert all(o.segments[0].kind == "circle" for o in sketch.inner)
    assert sketch.origin_at.startswith("middle of the pitch circle")
    assert all(h.depth_seen == pytest.approx(7.0, abs=0.01) for h in sketch.holes)


def test_a_slit_fitted_by_one_line_stays_a_closed_outline() -> None:
    there = np.column_stack([np.linspace(0.0, 8.0, 30), np.zeros(30)])
    slit = np.vstack([there, there[::-1] + np.array([0.0, 0.02])])
    loop = Loop(slit, np.arange(len(slit), dtype=np.int32), np.zeros_like(slit), -0.16)
    line = Curve("line", slit[[0, -1]], slit.mean(axis=0), np.array([1.0, 0.0]))
    (segment,) = outlines._segments([line], loop)
    assert segment.kind == "free"
    assert segment.points is not None
    assert np.array_equal(segment.start, segment.end)
    assert np.array_equal(segment.points[:-1], slit)


@pytest.mark.parametrize("reach", [0.3, 4.0, 30.0])
def test_places_near_a_border_are_those_of_a_plain_search(reach: float) -> None:
    rng = np.random.default_rng(4)
    border, places = rng.uniform(0.0, [60.0, 20.0], (300, 2)), rng.uniform(-40.0, 100.0, (5000, 2))
    plain = np.linalg.norm(places[:, None] - border[None], axis=2).min(axis=1) < reach
    np.testing.assert_array_equal(_near(places, border, reach), plain)


def test_vertices_on_a_border_are_those_of_its_loops() -> None:
    """Of a sheet with holes, pinched vertices among them, an edge of three facets and two that run an edge alike."""
    rng = np.random.default_rng(5)
    a = np.array([*np.ndindex(30, 30)]) @ [[31], [1]]
    faces = np.vstack([np.add(a, [0, 31, 32]), np.add(a, [0, 32, 1])])
    faces = faces[rng.random(len(faces)) > 0.1]
    faces[100] = faces[100, ::-1]
    faces = np.vstack([faces, [faces[500, 0], faces[500, 1], 31 * 31]]).astype(np.int32)
    points = np.array([*np.ndindex(31, 31, 1), (5, 5, 9)], float)
    ground = prepare(Surface.measured(points, faces), np.full(len(faces), -1, np.int32), (), 0.01)
    on_loop = np.zeros(len(points), bool)
    on_loop[np.concatenate(boundary_loops(faces, len(points)))] = True
    np.testing.assert_array_equal(ground.on_border, on_loop)
