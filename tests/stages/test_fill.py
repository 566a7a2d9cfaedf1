"""The fill stage: gaps cut out of surfaces whose truth is a formula, and what must stay open.

Covers: pipeline.features.gaps.closing
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from pipeline.errors import DatumliftError, SettingsError
from pipeline.job import CleanSettings, FillSettings, GapChoice, ReadSettings, Zone
from pipeline.mesh.query.self_intersections import self_intersections
from pipeline.mesh.topology.boundaries import boundary_loops
from pipeline.mesh.topology.components import compact
from pipeline.mesh.topology.defects import edge_report
from pipeline.mesh.topology.measures import facet_areas, facet_normals
from pipeline.progress import silent
from pipeline.stages.clean import clean
from pipeline.stages.fill import fill
from pipeline.stages.read import read
from pipeline.surfaces import signed_distance
from pipeline.surfaces.shape import shape_of
from pipeline.values import CleanResult, Feature, FillResult, NoiseModel, RecoverResult, Source
from pipeline.values.surface import FILLED, MEASURED, Surface
from tests.features.made import bore, feature, plane
from tests.mesh.repair.test_manifold import is_manifold
from tests.scans import open_part_path
from tests.stages.test_clean import SPOILS, as_read, spoiled

EDGE = 0.5
NOISE = 0.012


def sheet(height, size: int = 120, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Vertices and facets of z = height(x, y) over a square, unevenly spaced as in a scan."""
    rng = np.random.default_rng(seed)
    x = (np.arange(size) - size / 2) * EDGE
    flat = np.stack(np.meshgrid(x, x, indexing="ij"), axis=-1).reshape(-1, 2)
    flat = flat + rng.uniform(-0.12, 0.12, flat.shape) * EDGE
    i = (np.arange(size - 1)[:, None] * size + np.arange(size - 1)).ravel()
    faces = np.concatenate([np.stack([i, i + size, i + size + 1], 1), np.stack([i, i + size + 1, i + 1], 1)])
    return np.column_stack([flat, height(flat[:, 0], flat[:, 1])]), faces.astype(np.int32)


def pipe(radius: float, length: float, hollow: bool = True) -> tuple[np.ndarray, np.ndarray]:
    """A bore's wall (facets look at the axis) or a shaft's, both ends open; the axis is z."""
    count = int(2 * np.pi * radius / EDGE)
    z = np.arange(0.0, length, EDGE)
    turn = np.arange(count) * 2 * np.pi / count
    v = np.stack([np.outer(f(turn), np.ones(len(z))) * radius for f in (np.cos, np.sin)] + [np.tile(z, (count, 1))], -1)
    i = (np.arange(count)[:, None] * len(z) + np.arange(len(z) - 1)).ravel()
    j = ((np.arange(count) + 1) % count)[:, None] * len(z) + np.arange(len(z) - 1)
    j = j.ravel()
    faces = np.concatenate([np.stack([i, j + 1, j], 1), np.stack([i, i + 1, j + 1], 1)]).astype(np.int32)
    return v.reshape(-1, 3), faces if hollow else faces[:, ::-1].copy()


def outside(v: np.ndarray, f: np.ndarray, centre, radius: float) -> np.ndarray:
    """Facets that a ball leaves over."""
    return np.linalg.norm(v[f].mean(axis=1) - np.asarray(centre, float), axis=1) > radius


def filled(
    v: np.ndarray,
    f: np.ndarray,
    features: tuple[Feature, ...] = (),
    labels: np.ndarray | None = None,
    sigma: float = 0.0,
    exclude: tuple[Zone, ...] = (),
    **choices,
) -> FillResult:
    if sigma:
        rng = np.random.default_rng(1)
        v = v + rng.normal(scale=sigma, size=(len(v), 1)) * np.array([0.0, 0.0, 1.0])
    v, f, _ = compact(v, f)
    labels = np.full(len(f), -1, np.int32) if labels is None else labels.astype(np.int32)
    source = Source("made.stl", "0" * 64, len(f), len(v), "mm", 1.0, sigma, EDGE, ((0.0,) * 3, (1.0,) * 3))
    cleaned = CleanResult(Surface.measured(v, f), (), 0.0)
    found = RecoverResult(features, labels, NoiseModel(sigma, sigma, np.zeros((0, 2)), ""))
    result = fill(cleaned, found, source, FillSettings(**choices), silent, exclude)
    held(cleaned.surface, result)
    return result


def held(before: Surface, after: FillResult) -> None:
    """What is true of every fill: the measured part untouched, the rest marked, nothing torn, nothing crossing anew."""
    surface = after.surface
    assert np.array_equal(surface.vertices[: len(before.vertices)], before.vertices)
    assert len(after.labels) == len(surface.origin) == surface.facets
    assert (surface.origin[: before.facets] == MEASURED).all()
    assert (surface.origin[before.facets :] == FILLED).all()
    assert sum(g.facets_filled for g in after.gaps) == surface.facets - before.facets
    report = edge_report(surface.faces, len(surface.vertices))
    assert (report.nonmanifold, report.inconsistent, report.duplicate, report.degenerate) == (0, 0, 0, 0)
    new = surface.origin == FILLED
    pairs = self_intersections(surface.vertices, surface.faces, new)
    if len(pairs):
        # A tiny hole may be closed across what crosses itself already.
        crossed = np.unique(self_intersections(before.vertices, before.faces))
        assert np.isin(pairs.min(axis=1), crossed).all()
    # Areas: those of the gaps are those of the new facets, to rounding.
    total = facet_areas(surface.vertices, surface.faces)[new].sum()
    assert sum(g.area_filled for g in after.gaps) == pytest.approx(total, rel=1e-9, abs=1e-12)


def new_points(result: FillResult) -> np.ndarray:
    surface = result.surface
    new = surface.origin == FILLED
    return surface.vertices[np.setdiff1d(surface.faces[new], surface.faces[~new])]


def edge_between(result: FillResult, one: int, other: int) -> np.ndarray:
    """(k, 2, 3) ends of the new edges between facets of two features, but for those that end at the rim."""
    surface = result.surface
    new = surface.origin == FILLED
    rim = surface.faces[~new]
    found: dict[tuple[int, int], set[int]] = {}
    for facet, label in zip(surface.faces[new], result.labels[new], strict=True):
        for k in range(3):
            ends = sorted((int(facet[k]), int(facet[(k + 1) % 3])))
            found.setdefault((ends[0], ends[1]), set()).add(int(label))
    edges = np.array([ends for ends, labels in found.items() if labels == {one, other}]).reshape(-1, 2)
    return surface.vertices[edges[~np.isin(edges, rim).any(axis=1)]]


def closed(result: FillResult) -> list:
    return [g for g in result.gaps if g.done == "closed"]


def in_plane(v: np.ndarray, f: np.ndarray, sigma: float = 0.0, **choices) -> FillResult:
    return filled(v, f, (plane("plane-a", (0, 0, 0), (0, 0, 1)),), np.zeros(len(f)), sigma, **choices)


@pytest.mark.parametrize("sigma", [0.0, NOISE])
def test_gap_in_a_face_gets_the_fitted_plane(sigma):
    v, f = sheet(lambda x, y: 0 * x)
    result = in_plane(v, f[outside(v, f, (3, 2, 0), 9)], sigma)
    gap = closed(result)[0]
    assert (gap.kind, gap.features) == ("face", ("plane-a",))
    assert np.abs(new_points(result)[:, 2]).max() < 1e-9
    assert (result.labels[result.surface.origin == FILLED] == 0).all()
    # The disc cut out has 254 mm2; facets go by their centroids, so its rim is ragged.
    assert gap.area == pytest.approx(np.pi * 81, rel=0.03)
    assert gap.area_filled == pytest.approx(gap.area, rel=0.02)


def test_filled_facets_are_as_large_as_those_around():
    v, f = sheet(lambda x, y: 0 * x)
    result = in_plane(v, f[outside(v, f, (3, 2, 0), 9)])
    surface = result.surface
    areas = facet_areas(surface.vertices, surface.faces)
    new = surface.origin == FILLED
    assert np.median(areas[new]) == pytest.approx(np.median(areas[~new]), rel=0.25)


@pytest.mark.parametrize("sigma", [0.0, NOISE])
@pytest.mark.parametrize("way", [-1.0, 1.0], ids=["convex", "concave"])
def test_edge_between_two_planes_is_rebuilt_on_their_line(way, sigma):
    v, f = sheet(lambda x, y: way * np.abs(x))
    f = f[outside(v, f, (1, 2, 0), 9)]
    faces = (
        plane("plane-a", (0, 0, 0), (way, 0, 1)),
        plane("plane-b", (0, 0, 0), (-way, 0, 1)),
    )
    labels = (v[f].mean(axis=1)[:, 0] > 0).astype(int)
    result = filled(v, f, faces, labels, sigma)
    gap = closed(result)[0]
    assert (gap.kind, set(gap.features)) == ("edge", {"plane-a", "plane-b"})
    points = new_points(result)
    assert np.abs(points[:, 2] - way * np.abs(points[:, 0])).max() < 1e-6
    # The line x = z = 0 itself: points along it, and no facet cuts the corner between them.
    line = np.zeros((200, 3))
    line[:, 1] = np.linspace(-5.0, 9.0, 200)
    on = points[np.abs(points[:, 0]) < 1e-6]
    assert cKDTree(on).query(line)[0].max() < 0.7 * EDGE
    new = result.surface.origin == FILLED
    corners = result.surface.vertices[result.surface.faces[new]]
    sides = (corners[:, :, 0] > 1e-6).any(axis=1) & (corners[:, :, 0] < -1e-6).any(axis=1)
    near_rim = np.isin(result.surface.faces[new], np.unique(result.surface.faces[~new])).any(axis=1)
    assert not (sides & ~near_rim).any()


def test_bent_edge_is_rebuilt_along_all_its_length():
    """A round bar cut by an inclined plane: their edge is an ellipse."""
    radius = 9.0

    def bar(x):
        return np.sqrt(radius**2 - np.clip(x, -8.9, 8.9) ** 2) - 6.0

    v, f = sheet(lambda x, y: np.minimum(bar(x), 0.4 * y), size=60)
    v, f = compact(v, f[(np.abs(v[f][:, :, 0]) < 8.0).all(axis=1)])[:2]
    cylinder = feature("boss-a", "cylinder", (0, 0, -6.0), (0, 1, 0), radius, "boss")
    slope = plane("plane-b", (0, 0, 0), (0, -0.4, 1))
    f = f[outside(v, f, (0, 7.5, 3), 3)]
    middle = v[f].mean(axis=1)
    labels = (bar(middle[:, 0]) > 0.4 * middle[:, 1]).astype(int)
    result = filled(v, f, (cylinder, slope), labels)
    line = edge_between(result, 0, 1)
    assert len(line) > 8
    share = np.linspace(0, 1, 11)[:, None]
    x = (line[:, :1] * (1 - share) + line[:, 1:] * share).reshape(-1, 3)
    assert np.abs(signed_distance(shape_of(cylinder), x)).max() < 0.005
    assert np.abs(signed_distance(shape_of(slope), x)).max() < 0.005
    # From rim to rim, but for a facet at each end.
    assert np.linalg.norm(line[:, 1] - line[:, 0], axis=1).sum() > 2 * 3 - 2.5 * EDGE


def test_corner_of_three_planes_comes_back():
    v, f = sheet(lambda x, y: -np.max([x, -0.5 * x + 0.866 * y, -0.5 * x - 0.866 * y], axis=0))
    f = f[outside(v, f, (0.5, 0.3, 0), 8)]
    ways = np.array([[1, 0], [-0.5, 0.866], [-0.5, -0.866]])
    faces = tuple(plane(f"plane-{k}", (0, 0, 0), (*way, 1.0)) for k, way in enumerate(ways))
    labels = np.argmax(v[f].mean(axis=1)[:, :2] @ ways.T, axis=1)
    result = filled(v, f, faces, labels)
    points = new_points(result)
    assert np.abs(points[:, 2] + np.max(points[:, :2] @ ways.T, axis=1)).max() < 1e-6
    # The nearest facet to the corner itself is a small part of a facet away.
    assert cKDTree(points).query([0, 0, 0])[0] < 0.8 * EDGE


def test_gap_round_a_quarter_of_a_bore_gets_the_fitted_cylinder():
    v, f = pipe(12.0, 60.0)
    f = f[outside(v, f, (12, 0, 30), 11)]
    result = filled(v, f, (bore("bore-a", (0, 0, 30), (0, 0, 1), 12.0),), np.zeros(len(f)))
    kinds = {g.done: g.kind for g in result.gaps}
    assert kinds == {"closed": "face", "left open": "opening"}
    points = new_points(result)
    assert len(points) > 500
    assert np.abs(np.hypot(points[:, 0], points[:, 1]) - 12.0).max() < 1e-9


def wavy(x, y):
    return 0.3 * np.sin(x / 18 + 0.3) * np.cos(y / 22) - x**2 / 160


@pytest.mark.parametrize(("sigma", "bound"), [(0.0, 0.003), (NOISE, 0.008)])
def test_skin_is_fair(sigma, bound):
    v, f = sheet(wavy)
    result = filled(v, f[outside(v, f, (3, 2, 0), 9)], sigma=sigma)
    gap = closed(result)[0]
    assert (gap.kind, gap.features) == ("face", ())
    points = new_points(result)
    # A flat patch on this rim would be 0.1 mm rms off.
    assert np.sqrt(np.mean((points[:, 2] - wavy(points[:, 0], points[:, 1])) ** 2)) < bound
    assert (result.labels == -1).all()


def test_fillet_between_walls_goes_on_through_the_gap():
    def walls(x, y):
        radius = 6.0
        inside = np.abs(x) < radius / np.sqrt(2)
        return np.where(inside, radius * np.sqrt(2) - np.sqrt(radius**2 - np.clip(x, -4.2, 4.2) ** 2), np.abs(x))

    v, f = sheet(walls)
    result = filled(v, f[outside(v, f, (1, 0, 2), 8)], sigma=NOISE)
    points = new_points(result)
    # A flat patch is 1.5 mm off here.
    assert np.sqrt(np.mean((points[:, 2] - walls(points[:, 0], points[:, 1])) ** 2)) < 0.1


def test_island_of_measured_surface_is_kept_and_joined():
    v, f = sheet(lambda x, y: 0 * x, size=180)
    result = in_plane(v, f[outside(v, f, (0, 0, 0), 12) | ~outside(v, f, (2, 1, 0), 4)])
    gap = closed(result)[0]
    assert gap.area == pytest.approx(np.pi * (144 - 16), rel=0.03)
    assert gap.area_filled == pytest.approx(gap.area, rel=0.02)
    assert len(boundary_loops(result.surface.faces, len(result.surface.vertices))) == 1


@pytest.mark.parametrize("seed", range(3))
def test_ragged_and_pinched_rims(seed):
    v, f = sheet(wavy)
    away = np.linalg.norm(v[f].mean(axis=1)[:, :2], axis=1)
    rng = np.random.default_rng(seed)
    # Half of the facets of a wide rim are gone too: lone facets, pinches, touching islands.
    gone = (away < 7) | ((away < 9) & (rng.random(len(f)) < 0.5))
    before = len(boundary_loops(compact(v, f[~gone])[1], len(v)))
    result = filled(v, f[~gone], sigma=NOISE)
    assert before > 20
    assert len(boundary_loops(result.surface.faces, len(result.surface.vertices))) == 1
    assert is_manifold(result.surface.faces, len(result.surface.vertices))


def test_rim_of_some_thousand_edges():
    v, f = sheet(wavy, size=360)
    middle = v[f].mean(axis=1)
    turn = np.arctan2(middle[:, 1], middle[:, 0])
    star = np.hypot(middle[:, 0], middle[:, 1]) < 28 + 14 * np.sin(24 * turn)
    result = filled(v, f[~star], sigma=NOISE)
    gap = next(g for g in result.gaps if g.kind != "border")
    assert gap.rim_edges > 2000
    assert gap.done == "closed"
    assert len(boundary_loops(result.surface.faces, len(result.surface.vertices))) == 1


def test_sheet_border_and_pipe_ends_are_left_open_and_said():
    v, f = pipe(8.0, 30.0, hollow=False)
    result = filled(v, f)
    assert [(g.kind, g.done) for g in result.gaps] == [("border", "left open")] * 2
    assert "left open" in result.cautions[0]
    v, f = sheet(wavy, size=40)
    assert [(g.kind, g.done) for g in filled(v, f).gaps] == [("border", "left open")]


def test_drilled_hole_in_a_face_is_taken_for_real():
    v, f = pipe(5.0, 20.0)
    # The pipe's length laid out as the radius of a plate with an exact hole.
    v = np.column_stack([v[:, :2] / 5.0 * (5.0 + v[:, 2:]), np.zeros(len(v))])
    f = f if facet_normals(v, f)[:, 2].mean() > 0 else f[:, ::-1]
    result = in_plane(v, f)
    assert {(g.kind, g.done) for g in result.gaps} == {("border", "left open"), ("opening", "left open")}


def test_watertight_caps_flat_and_the_job_overrides_by_id():
    v, f = pipe(8.0, 30.0, hollow=False)
    result = filled(v, f, watertight=True)
    assert [g.done for g in result.gaps] == ["capped"] * 2
    assert len(boundary_loops(result.surface.faces, len(result.surface.vertices))) == 0
    ends = result.surface.vertices[result.surface.faces[result.surface.origin == FILLED]]
    assert min(np.ptp(ends[: len(ends) // 2, :, 2]), np.ptp(ends[len(ends) // 2 :, :, 2])) < 1e-9
    first, second = (g.id for g in result.gaps)
    one = filled(v, f, watertight=True, gaps=(GapChoice(id=first, do="leave"),))
    assert {g.id: g.done for g in one.gaps} == {first: "left open", second: "capped"}
    v, f = sheet(wavy)
    f = f[outside(v, f, (3, 2, 0), 9)]
    assert not closed(filled(v, f, close="none"))
    name = closed(filled(v, f))[0].id
    assert not closed(filled(v, f, gaps=(GapChoice(id=name, do="leave"),)))
    assert closed(filled(v, f, close="none", gaps=(GapChoice(id=name, do="close"),)))[0].id == name


def test_unknown_gap_is_refused_in_one_sentence():
    v, f = sheet(wavy, size=40)
    with pytest.raises(SettingsError, match="no such gap"):
        filled(v, f, gaps=(GapChoice(id="gap-zzz", do="close"),))


def test_ids_stay_when_another_gap_goes():
    v, f = sheet(wavy)
    one, two = outside(v, f, (-12, 2, 0), 5), outside(v, f, (12, 5, 0), 7)
    both = {g.id for g in filled(v, f[one & two]).gaps if g.kind == "face"}
    alone = {g.id for g in filled(v, f[two]).gaps if g.kind == "face"}
    assert len(both) == 2
    assert alone < both


def test_surface_without_gaps_comes_back_as_it_is():
    v = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]])
    f = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]], np.int32)
    result = filled(v, f)
    assert result.gaps == ()
    assert np.array_equal(result.surface.faces, f)


def test_open_casting_comes_out_closed():
    """TR12J_OCC64K.stl of Debian's occt-misc: 67,498 facets, two holes of three edges each."""
    path = open_part_path("TR12J_OCC64K.stl")
    read_in = read(path, ReadSettings(), silent)
    cleaned = clean(read_in, CleanSettings(), silent)
    before = cleaned.surface
    found = RecoverResult((), np.full(before.facets, -1, np.int32), NoiseModel(0, 0, np.zeros((0, 2)), ""))
    result = fill(cleaned, found, read_in.source, FillSettings(), silent)
    held(before, result)
    assert [(g.kind, g.done, g.rim_edges, g.count) for g in result.gaps] == [("pepper", "closed", 6, 2)]
    assert edge_report(result.surface.faces, len(result.surface.vertices)).border == 0
    assert is_manifold(result.surface.faces, len(result.surface.vertices))


@settings(max_examples=12, deadline=None, derandomize=True)
@given(st.integers(0, 2**32 - 1), st.floats(0.005, 0.6), st.booleans())
def test_random_holes_never_break_anything(seed, share, watertight):
    v, f = sheet(lambda x, y: wavy(x, y) + 4 * np.sin(x / 4) * np.cos(y / 3), size=20)
    rng = np.random.default_rng(seed)
    # Cut a few balls and single facets; `filled` checks what must hold.
    keep = rng.random(len(f)) > share * rng.random()
    for _ in range(rng.integers(0, 4)):
        keep &= outside(v, f, v[rng.integers(len(v))], rng.uniform(0.5, 3.0))
    if keep.sum() > 3:
        filled(v, f[keep], sigma=NOISE, watertight=watertight)


@settings(max_examples=8, deadline=None)
@given(watertight=st.booleans(), **SPOILS)
def test_spoiled_scans_are_filled_as_manifolds_or_refused(watertight, **spoils):
    v, f = spoiled(**spoils)
    scan = as_read(v, f, NOISE)
    try:
        cleaned = clean(scan, CleanSettings(), silent)
    except DatumliftError:
        return
    before = cleaned.surface
    found = RecoverResult((), np.full(before.facets, -1, np.int32), NoiseModel(0, 0, np.zeros((0, 2)), ""))
    result = fill(cleaned, found, scan.source, FillSettings(watertight=watertight), silent)
    held(before, result)
    assert is_manifold(result.surface.faces, len(result.surface.vertices))
    # What came in is what is left of it and what was removed; the rest was invented.
    areas = facet_areas(result.surface.vertices, result.surface.faces)
    measured = areas[result.surface.origin == MEASURED].sum()
    came_in = facet_areas(v, f).sum()
    assert measured + sum(r.area for r in cleaned.removals) == pytest.approx(came_in, rel=1e-9)
    assert areas.sum() - measured == pytest.approx(sum(g.area_filled for g in result.gaps), rel=1e-9, abs=1e-12)
