"""Parts that cross: the volume that they have in common, and a shift that frees them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.errors import GeometryError
from pipeline.fitup.bodies import Placed
from pipeline.geometry import Floats, Ints, basis_of, box_of, rigid, unit, unit_rows
from pipeline.mesh.booleans import mesh_solid, split
from pipeline.mesh.query import Meant, clear_from, crossing_facets, first_contact, nearest_facets
from pipeline.mesh.topology import facet_normals

_NEIGHBOURS = 6  # directions about the best one that are tried
_FIRST, _LAST = np.radians(20.0), np.radians(0.02)  # how far about it, at first and at last
_ALIKE = np.cos(np.radians(8.0))
_NUDGE = 1e-6  # mm, beyond where the last facets touch


@dataclass(frozen=True)
class Interference:
    """What two parts have in common.

    volume  mm3 of metal that both claim, fits among it; None where one of both bounds no solid
    middle  (3,) mm, its centre of gravity; None as `volume`
    shift   (3,) mm by which the second part is free of the first, straight away: the smallest that was found, so that
            there may be a smaller one; None where none was found
    """

    volume: float | None
    middle: Floats | None
    shift: Floats | None


def interference(one: Placed, other: Placed, meant: Meant) -> Interference:
    """What two placed parts that cross, or lie one in the other, have in common.

    meant  facets that are meant to touch: a shift doesn't have to free these

    The shift is looked for in the directions that the crossing facets, the coordinate axes and the common metal give,
    and then about the best of these; in each direction it is exact, the first place where nothing crosses and neither
    lies in the other, and the one that is told was tried.
    """
    volume = middle = None
    try:
        common, _ = split(*(mesh_solid(p.vertices, p.body.surface.faces, p.body.name) for p in (one, other)))
        volume = common.volume
        if len(common.faces):
            middle = _centre(common.vertices, common.faces)
    except GeometryError:
        common = None
    spread = common.vertices if common is not None and len(common.faces) else None
    return Interference(volume, middle, _freeing(one, other, meant, spread))


def _centre(vertices: Floats, faces: Ints) -> Floats:
    base = vertices.mean(axis=0)
    a, b, c = np.moveaxis(vertices[faces] - base, 1, 0)
    six = np.einsum("ij,ij->i", a, np.cross(b, c))
    total = float(six.sum())
    return base + (six @ (a + b + c)) / (4.0 * total) if total > 0.0 else base


def _freeing(one: Placed, other: Placed, meant: Meant, spread: Floats | None) -> Floats | None:
    swapped = Meant(meant.other, meant.one, meant.least)
    low, high = box_of(np.vstack([one.vertices, other.vertices]))
    best = float(np.linalg.norm(high - low))
    found: Floats | None = None
    for way in _ways(one, other, spread):
        run = _free_along(other, one, way, best, swapped)
        if run is not None:
            best, found = run, way
    if found is None:
        return None
    about = _FIRST
    while about > _LAST and best > 0.0:
        first, second = basis_of(found)
        turns = 2.0 * np.pi * np.arange(_NEIGHBOURS) / _NEIGHBOURS
        better = False
        for turn in turns:
            way = unit(found + np.tan(about) * (np.cos(turn) * first + np.sin(turn) * second))
            # Most directions are given up where they still cross after as far a shift.
            there = rigid(np.eye(3), best * (1.0 - 1e-7) * way)
            near = nearest_facets(other.tree, one.tree, _NUDGE, swapped, there)
            run = None if near is not None else _free_along(other, one, way, best * (1.0 - 1e-7), swapped)
            if run is not None:
                best, found, better = run, way, True
                break
        about = about if better else about / 2.0
    shift = best * found
    near = nearest_facets(other.tree, one.tree, meant=swapped, motion=rigid(np.eye(3), shift))
    return shift if near is None or near.distance > 0.0 else None


def _free_along(mover: Placed, base: Placed, way: Floats, up_to: float, meant: Meant) -> float | None:
    """The first shift of a part along a unit direction at which it is free of another one, below `up_to` mm."""
    at = 0.0
    while True:
        run = clear_from(mover.tree, base.tree, way, up_to, meant, at)
        if run is None or run + _NUDGE >= up_to:
            return None
        run += _NUDGE
        if not lies_within(mover, base, run * way):
            return run
        # Wholly inside: on to where it meets the other's skin from within.
        motion = rigid(np.eye(3), run * way)
        touch = first_contact(mover.tree, base.tree, way, up_to - run, meant=meant, motion=motion)
        if touch is None:
            return None
        at = run + touch.run + _NUDGE


def _ways(one: Placed, other: Placed, spread: Floats | None) -> list[Floats]:
    """Unit directions in which the second part may come free, none of them twice."""
    ways: list[Floats] = []
    pairs = crossing_facets(one.tree, other.tree)
    if len(pairs):
        out = unit_rows(facet_normals(one.vertices, one.body.surface.faces[np.unique(pairs[:, 0])]))
        back = -unit_rows(facet_normals(other.vertices, other.body.surface.faces[np.unique(pairs[:, 1])]))
        for normals in (out, back):
            ways += _main(normals)
    if spread is not None and len(spread) > 3:
        ways += list(np.linalg.svd(spread - spread.mean(axis=0), full_matrices=False)[2])
    middles = [np.mean(box_of(p.vertices), axis=0) for p in (one, other)]
    off = middles[1] - middles[0]
    if np.linalg.norm(off) > 1e-9:
        ways.append(unit(off))
    ways += list(np.eye(3))
    both = [way for each in ways for way in (each, -each)]
    kept: list[Floats] = []
    for way in both:
        if not any(way @ other_way > _ALIKE for other_way in kept):
            kept.append(way)
    return kept


def _main(normals: Floats) -> Sequence[Floats]:
    """Directions that many of unit rows (k, 3) have, the commonest first, four at most; and their mean."""
    left = normals[np.isfinite(normals).all(axis=1)]
    out = []
    mean = left.sum(axis=0)
    if np.linalg.norm(mean) > 1e-6:
        out.append(unit(mean))
    for _ in range(4):
        if not len(left):
            break
        some = left[:: max(1, len(left) // 64)]
        like = left @ some.T > _ALIKE
        k = int(like.sum(axis=0).argmax())
        total = left[like[:, k]].sum(axis=0)
        out.append(unit(total))
        left = left[~like[:, k]]
    return out


def lies_within(one: Placed, other: Placed, shift: Floats | None = None) -> bool:
    """Whether a piece of either part lies in the other one, when none of their facets cross.

    shift  (3,) mm by which the one is moved first

    One corner of each piece says so; a part that bounds no solid has nothing within.

    >>> from pipeline.fitup import placed, turned_body
    >>> thin, thick = (Placed(turned_body(n, [(0, d), (10, d)], 0.01), placed([])) for n, d in (("a", 8), ("b", 20)))
    >>> up = np.array([0.0, 0.0, 1.0])
    >>> lies_within(thin, thick, 5.0 * up), lies_within(thin, thick, 11.0 * up)
    (True, False)
    """
    moved = np.zeros(3) if shift is None else shift
    for inner, outer, by in ((one, other, moved), (other, one, -moved)):
        if outer.body.closed and bool(outer.scene.inside(inner.piece_corners + by).any()):
            return True
    return False
