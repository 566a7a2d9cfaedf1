"""What is behind a flange: a plate of known thickness, seen whole, from one side only, and with a lid on its holes;
and which planes are one face.

Covers: pipeline.features.sketches.parted_faces
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from pipeline.features.sketches import flanges_of, prepare
from pipeline.features.sketches.outlines import polyline
from pipeline.values import Flange
from pipeline.values.surface import FILLED, Surface
from tests.features.made import plane
from tests.mesh.lattice import lattice
from tests.outcomes import HEIGHT, outcome

MADE = outcome()


def top_of(hidden: np.ndarray | None = None, filled: np.ndarray | None = None) -> Flange:
    """The plate's top: 120 x 80, HEIGHT thick, a bore D40 in its middle and six holes D9 on a pitch circle D62."""
    surface, labels = MADE.lighten.surface, MADE.lighten.labels
    keep = np.ones(surface.facets, bool) if hidden is None else ~hidden
    origin = surface.origin.copy()
    if filled is not None:
        origin[filled] = FILLED
    surface = replace(surface, faces=surface.faces[keep], origin=origin[keep])
    ground = prepare(surface, labels[keep], MADE.recover.features, 0.001)
    return next(f for f in flanges_of(ground, MADE.frame.frame.matrix) if f.feature == "plane-1")


def of(name: str) -> np.ndarray:
    index = [f.id for f in MADE.recover.features].index(name)
    return MADE.lighten.labels == index


def test_thickness_and_edges_of_a_plate() -> None:
    top = top_of()
    found = top.thickness
    assert found is not None
    assert (found.least, found.middle, found.most) == pytest.approx((HEIGHT,) * 3, abs=1e-4)
    assert found.back == "plane-2"
    small = [hole for hole in top.holes if hole.diameter == pytest.approx(9.0)]
    assert len(small) == 5  # the sixth is of low confidence
    # By hand: the hole at 0 deg lies 60 - 31 from the short side, those at 60 deg 40 - 31 sin 60 from the long one.
    near = {round(29.0, 6), round(40 - 31 * math.sin(math.pi / 3), 6)}
    for hole in small:
        assert hole.end == "through"
        assert hole.thickness == pytest.approx(HEIGHT, abs=1e-4)
        assert round(hole.edge or 0.0, 6) in near


def test_nothing_is_said_of_a_back_that_was_not_seen_or_was_filled() -> None:
    for top in (top_of(hidden=of("plane-2")), top_of(filled=of("plane-2"))):
        assert top.thickness is None
        assert all(hole.thickness is None for hole in top.holes)


STEP = 1.8  # mm, as coarse as a thinned scan's


def turned(profile: list[tuple[float, float]], face: float) -> tuple[Surface, np.ndarray]:
    """A closed profile of (radius, height) mm, counter-clockwise with the axis on its left, turned about z: facets of
    STEP; and the facets that lie at the height `face`, 0, others -1."""
    runs = []
    for a, b in zip(profile, [*profile[1:], profile[0]], strict=True):
        count = max(1, round(math.dist(a, b) / STEP))
        runs.append(np.linspace(a, b, count, endpoint=False))
    ring = np.vstack(runs)
    around = round(2 * math.pi * ring[:, 0].max() / STEP)
    turn = np.arange(around) * 2 * math.pi / around
    radius, height = ring[:, 0], ring[:, 1]
    vertices = np.stack(
        [np.outer(radius, np.cos(turn)), np.outer(radius, np.sin(turn)), np.repeat(height[:, None], around, axis=1)],
        axis=-1,
    ).reshape(-1, 3)
    k = np.arange(len(ring) * around).reshape(len(ring), around)
    on, far = np.roll(k, -1, axis=0), np.roll(k, -1, axis=1)
    both = np.roll(on, -1, axis=1)
    faces = np.concatenate([np.stack(c, axis=-1).reshape(-1, 3) for c in ((k, both, on), (k, far, both))])
    surface = Surface.measured(vertices, faces.astype(np.int32))
    level = np.abs(vertices[faces][:, :, 2] - face).max(axis=1) < 1e-9
    return surface, np.where(level, 0, -1).astype(np.int32)


def test_rings_of_one_level_are_one_face_and_a_step_is_none() -> None:
    # The end of a spigot D120 with a bore D40, and a groove from D70 to D90 in it, 16 deep; each ring a feature.
    grooved = [(20, -30), (60, -30), (60, 0), (45, 0), (45, -16), (35, -16), (35, 0), (20, 0)]
    surface, labels = turned(grooved, 0.0)
    far = np.hypot(*np.moveaxis(surface.vertices[surface.faces].mean(axis=1)[:, :2], 1, 0))
    labels = np.where((labels == 0) & (far < 40.0), 1, labels).astype(np.int32)
    outer, inner = (plane(n, (0, 0, 0), (0, 0, 1), a) for n, a in (("outer", 4948.0), ("inner", 2592.0)))
    (made,) = flanges_of(prepare(surface, labels, [outer, inner], 0.0), np.eye(4))
    assert made.feature == "outer"
    assert made.outer is not None
    assert np.ptp(polyline(made.outer), axis=0) == pytest.approx([120.0, 120.0], abs=0.2)
    sizes = {(o.what, round(float(np.ptp(polyline(o), axis=0).mean()))) for o in made.inner}
    # Of the bore there is no feature, and facets this coarse don't tell its rim.
    assert {("opening", 90), ("piece", 70)} < sizes
    assert len(made.inner) == 3
    assert "drawn with inner, of the same level, beyond a groove" in made.cautions
    # Told 0.2 mm lower than it lies, the inner ring is no longer of one cut with the outer one.
    lower = plane("inner", (0, 0, -0.2), (0, 0, 1), 2592.0)
    names = {f.feature for f in flanges_of(prepare(surface, labels, [outer, lower], 0.0), np.eye(4))}
    assert names == {"outer", "inner"}
    # Recovered as nothing at all, it is told, and a face that is drawn whole says nothing.
    alone = np.where(labels == 1, -1, labels).astype(np.int32)
    (bare,) = flanges_of(prepare(surface, alone, [outer], 0.0), np.eye(4))
    assert [f for f in (bare, made) if any("is not drawn" in text for text in f.cautions)] == [bare]


def flanges_of_turned(profile: list[tuple[float, float]], face: float, area: float) -> tuple[Flange, ...]:
    surface, labels = turned(profile, face)
    made = plane("face", (0, 0, face), (0, 0, 1), area)
    return flanges_of(prepare(surface, labels, [made], 0.0), np.eye(4))


# A flange D120, 14 thick, with a spigot D60 and a bore D40; none of its round faces was recovered.
FLANGE = [(20, -14), (60, -14), (60, 0), (30, 0), (30, 7), (20, 7)]


def test_a_spigot_is_told_from_an_opening_though_it_was_not_recovered() -> None:
    (made,) = flanges_of_turned(FLANGE, 0.0, 8482.0)
    assert [o.what for o in made.inner] == ["spigot"]
    assert made.thickness is not None
    assert made.thickness.middle == pytest.approx(14.0, abs=1e-3)
    recessed = [(r, z if z < 7 else -7) for r, z in FLANGE]
    (made,) = flanges_of_turned(recessed, 0.0, 8482.0)
    assert [o.what for o in made.inner] == ["opening"]


def test_the_floor_of_a_bore_is_no_flange() -> None:
    # A shoulder D80 in a housing D120, 12 below its rim.
    housing = [(20, -14), (60, -14), (60, 12), (40, 12), (40, 0), (20, 0)]
    assert flanges_of_turned(housing, 0.0, 3770.0) == ()


def test_border_of_what_was_measured() -> None:
    v, f = lattice(12)
    f[40] = f[40][::-1]
    origin = np.zeros(len(f), np.uint8)
    origin[100:104] = FILLED
    ground = prepare(Surface(v, f, origin), np.full(len(f), -1, np.int32), (), 0.01)
    # Counted side by side: one that is run once each way can be crossed, no other.
    sides = Counter((a, b) for t in f[origin != FILLED].tolist() for a, b in zip(t, [*t[1:], t[0]], strict=True))
    border = {a for (a, b), runs in sides.items() if runs != 1 or sides[b, a] != 1}
    assert np.flatnonzero(ground.on_border).tolist() == sorted(border)
