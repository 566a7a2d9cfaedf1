"""Machined faces that are out of flat: a bow or twist that stands out of the noise, on a face that is one otherwise.

Skin that cooled is bowed as well. What tells the two apart is the rest: a cut face is smooth but for its bow, is no
further out of flat than the coarsest general tolerance allows it, and ends at sharp edges, where a cast one runs into
its fillets. It stands with that told of it, and is not to be relied on as a good one is.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from pipeline.features.segmentation import model_selection
from pipeline.features.segmentation.extraction import ScanPiece
from pipeline.features.segmentation.model_selection import CLIP
from pipeline.features.segmentation.rims import beside
from pipeline.features.segmentation.search import (
    NAMES,
    SMALL,
    Region,
    Segmentation,
    facing,
    form_doubt,
    region_of,
)
from pipeline.features.segmentation.vertex_walks import GATE, NO_REGION
from pipeline.geometry import Floats
from pipeline.lengths import mm, um
from pipeline.standards import flatness
from pipeline.surfaces import PACKED, begin, names_of

_SHARP, _TURNED = 0.8, np.cos(np.radians(50.0))  # of the rim, and from the plane: sharper than a chamfer
_TIMES, _RINGS = 3, 25  # of looking beside a region, so many rings of vertices at a time
_TWISTED = 0.5  # of the larger curvature, the other way: a saddle rather than a bow


class OutOfFlat(NamedTuple):
    """A plane's region, and how far it is out of flat, in words."""

    region: Region
    told: str


class _Bend(NamedTuple):
    """A quadratic over a plane.

    middle, across, normal  (3,), (2, 3), (3,) of the plane; found (6,): 1, u, v, uu, uv, vv
    height, side  mm: how far it goes without what a plane takes of it, and how long a side of it is
    reach         mm that it is long the way that it bends most
    twisted       whether it is a saddle
    """

    middle: Floats
    across: Floats
    normal: Floats
    found: Floats
    height: float
    side: float
    reach: float
    twisted: bool

    def off(self, points: Floats) -> Floats:
        """(n,) mm of points (n, 3) from it, along the normal."""
        away = points - self.middle
        return away @ self.normal - _rows(self.across @ away.T) @ self.found


def out_of_flat(ground: Segmentation, region: Region) -> OutOfFlat | None:
    """The region, whose form says that it is no plane, as one that is bowed or twisted and nothing else; None where
    that is not all, or more than a machined face would be.

    A region that was taken for a curved one with next to no curve is looked at as a plane.
    """
    if len(region.core) < SMALL:
        return None
    flat = region if region.kind.flat else _as_plane(ground, region)
    if flat is None:
        return None
    flat, bend = _spread(ground, flat)
    limit = flatness("L", bend.side)
    if limit is None or bend.height > limit or _rest_doubted(ground, flat, bend):
        return None
    how = "twisted" if bend.twisted else "bowed"
    return OutOfFlat(flat, f"out of flat: {how} by {um(bend.height)} over {mm(bend.reach, '.0f')}")


def ends_sharply(ground: Segmentation, piece: ScanPiece) -> bool:
    """Whether a plane's piece ends at sharp edges.

    A fillet has hardly turned two rings of vertices beyond the rim, as long as these are shorter than its radius.
    """
    members = piece.region.members
    first = np.setdiff1d(beside(ground, members)[0], members)
    second = np.setdiff1d(beside(ground, first)[0], np.concatenate([first, members]))
    turned = ground.normals[second] @ piece.region.packed[3:6] < _TURNED
    return not len(second) or bool(np.mean(turned) >= _SHARP)


def _as_plane(ground: Segmentation, region: Region) -> Region | None:
    s = np.zeros(PACKED)
    (name,) = names_of(lambda kind: kind.flat)
    code = NAMES.index(name)
    points = ground.vertices[region.core]
    if not begin(code, points, ground.normals[region.core], s):
        return None
    model_selection.settle(code, s, points, ground.sigma, 3)
    sign = facing(ground, code, s, region.members)
    return region_of(ground, code, s, sign, region.members, region.core, region.openness)


def _spread(ground: Segmentation, region: Region) -> tuple[Region, _Bend]:
    """The region with what lies beside it on its bend, which left the plane where it left the noise, and the bend."""
    member = np.zeros(len(ground.vertices), dtype=np.bool_)
    member[region.members] = True
    bend = _bend(ground, region)
    for _ in range(_TIMES):
        rim, before = region.members, len(region.members)
        grown = [region.members]
        for _ in range(_RINGS):
            near = np.unique(beside(ground, rim)[0])
            near = near[~member[near] & (ground.label[near] == NO_REGION)]
            on = np.abs(bend.off(ground.vertices[near])) <= GATE * ground.sigma
            rim = near[on & (ground.normals[near] @ bend.normal >= ground.cosine)]
            if not len(rim):
                break
            member[rim] = True
            grown.append(rim)
        members = np.concatenate(grown).astype(np.int32)
        added = members[before:]
        others, counts = beside(ground, added)
        inside = np.bincount(np.repeat(np.arange(len(added)), counts), ~member[others], len(added)) == 0
        core = np.concatenate([region.core, added[inside]]).astype(np.int32)
        region = region_of(ground, region.code, region.packed, region.sign, members, core, region.openness)
        bend = _bend(ground, region)
        if not len(added):
            break
    return region, bend


def _bend(ground: Segmentation, region: Region) -> _Bend:
    points = ground.vertices[region.core]
    middle, across, normal = points.mean(axis=0), region.packed[6:12].reshape(2, 3), region.packed[3:6]
    away = (points - middle) @ normal
    places = across @ (points - middle).T
    rows = _rows(places)
    some = slice(None, None, max(1, len(points) // 20_000))
    kept, found = np.ones(len(points[some]), dtype=np.bool_), np.zeros(6)
    for _ in range(3):
        found = np.linalg.lstsq(rows[some][kept], away[some][kept], rcond=None)[0]
        kept = np.abs(away[some] - rows[some] @ found) <= CLIP * ground.sigma
    surface = rows @ found
    form = surface - rows[:, :3] @ np.linalg.lstsq(rows[:, :3], surface, rcond=None)[0]
    a, b, c = found[3:]
    (low, high), ways = np.linalg.eigh([[a, 0.5 * b], [0.5 * b, c]])
    reach = float(np.ptp(ways[:, int(abs(high) > abs(low))] @ places))
    twisted = low * high < 0.0 and min(abs(low), abs(high)) > _TWISTED * max(abs(low), abs(high))
    side = float(np.ptp(places, axis=1).max())
    return _Bend(middle, across, normal, found, float(np.ptp(form)), side, reach, bool(twisted))


def _rows(places: Floats) -> Floats:
    u, v = places
    return np.column_stack([np.ones(len(u)), u, v, u * u, u * v, v * v])


def _rest_doubted(ground: Segmentation, region: Region, bend: _Bend) -> bool:
    """Whether the form of a region says that it is no machined surface when its bend is taken away."""
    points = ground.vertices[region.core]
    level = points - ((points - bend.middle) @ bend.normal - bend.off(points))[:, None] * bend.normal
    alone = replace(ground, vertices=level, edge=ground.edge[region.core], share=ground.share[region.core])
    packed = region.packed.copy()
    model_selection.settle(region.code, packed, level, ground.sigma, 3)
    every = np.arange(len(level), dtype=np.int32)
    return form_doubt(alone, region_of(alone, region.code, packed, region.sign, every, every, 0.0)) is not None
