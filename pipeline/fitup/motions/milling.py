"""What would have to be milled off a part, down to a plane, so that a motion goes on there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.fitup import Placed
from pipeline.fitup.motions.motion import Pair
from pipeline.geometry import Floats, Ints, Mask, basis_of, box_of, transformed, unit
from pipeline.lengths import place_in_mm
from pipeline.mesh.topology import facet_normals

_TURNED = 8  # ways square to the motion that are tried
_ALIKE = np.cos(np.radians(5.0))
_BEHIND = -0.1  # of a way with the one that meets the motion: from there no tool comes
_ALONG = 4  # normals of what is in the way that are tried, by their areas
_DEEPEST = 20.0  # mm: what is deeper is no relief but another part (common practice, no source)
_SHUT = 0.1  # share of what is milled off that may have other metal in the tool's way: edges and noise
_CLOSE = 1e-3  # mm that the depth is told to
_BETTER = 0.98  # of the depth by the ways before that one must do with
_LEFT = 1.0  # mm of metal, under which a wall counts as milled through (common practice, no source)
_INTO = 0.01  # mm below the surface that rays begin
_FACING = 0.5  # cosine of a facet's normal with the way, from which on metal is looked for below it
_LYING = 0.1  # and from which on, below nought, it looks away
_RAYS = 4000
_NAMED = 4  # features
_FINE = (np.array([[i, k, 3 - i - k] for i in range(4) for k in range(4 - i)]) + 0.2) / 3.6  # places within a facet


@dataclass(frozen=True)
class Milling:
    """Metal that would have to go: all of a place that stands above a plane.

    part      which part it is of
    depth     mm between the plane and the highest of it
    expanded  mm, 95 %, that this isn't known better; None where it can't be told
    way       (3,) unit, square to the plane, out of the part
    place     (3,) mm, the highest of it, the parts where they stand
    reach     mm from there to the farthest of it
    on        the features that it is of, the largest first; () skin alone
    """

    part: str
    depth: float
    expanded: float | None
    way: Floats
    place: Floats
    reach: float
    on: tuple[str, ...]

    @property
    def words(self) -> str:
        """What it is of.

        >>> up = np.array([0.0, 0.0, 1.0])
        >>> Milling("block", 3.0, 0.1, up, np.array([0.0, 5.0, 20.0]), 12.0, ("F3", "F4")).words
        'block: F3, F4 at [0.0, 5.0, 20.0]\\u202fmm'
        """
        return f"{self.part}: {', '.join(self.on[:_NAMED]) or 'skin'} at {place_in_mm(self.place, '.1f')}"


def least_milling(
    pairs: Sequence[Pair], side: int, chosen: Mask, normal: Floats, meets: Floats, way: int, run: float, least: float
) -> Milling | None:
    """The shallowest milling of chosen facets (m,) that lets a part move on; None where each would go through a wall.

    side    0: facets of the moving part, 1: of the one other part of `pairs`
    normal  (3,) out of the place that is met first; meets: (3,) unit, from there against what meets it
    run     mm or rad that the part must get to without coming nearer than `least` mm to what is left of these facets

    What other facets do isn't looked at.
    """
    part = pairs[0].moving if side == 0 else pairs[0].other
    facets = np.flatnonzero(chosen & _in_the_way(pairs, side, way, run, least)).astype(np.int32)
    if not len(facets):
        return None
    corners = part.vertices[part.body.surface.faces[facets]]
    best: tuple[float, Floats] | None = None
    for towards in _ways(part, facets, normal, meets):
        high = corners @ towards
        top, most = float(high.max()), min(float(np.ptp(high)) + _CLOSE, _DEEPEST)

        def free(depth: float, towards: Floats = towards, top: float = top) -> bool:
            left, source = milled(corners, towards, top - depth)
            return not len(left) or all(pair.meets_none(side, left, facets[source], way, run, least) for pair in pairs)

        deep = most if best is None else min(most, _BETTER * best[0])
        if not free(deep):
            continue
        shallow = 0.0
        while deep - shallow > _CLOSE:
            half = 0.5 * (shallow + deep)
            shallow, deep = (shallow, half) if free(half) else (half, deep)
        if _is_open(part, facets, towards, top - deep) and not _goes_through(part, corners, towards, top - deep):
            best = deep, towards
    if best is None:
        return None
    depth, towards = best
    high = (corners @ towards).max(axis=1)
    goes = high > float(high.max()) - depth
    ends = corners[goes].reshape(-1, 3)
    place = ends[int(np.argmax(ends @ towards))]
    return Milling(
        part.body.name, depth, None, towards, place, float(np.linalg.norm(ends - place, axis=1).max()),
        _features(part, facets[goes]),
    )  # fmt: skip


def milled(corners: Floats, way: Floats, level: float) -> tuple[Floats, Ints]:
    """(k, 3, 3) what is left of facets (m, 3, 3) where all above a plane is milled off, and what each is of, (k,).

    way  (3,) unit, square to the plane; level: mm along it

    >>> left, source = milled(np.array([[[0.0, 0, 0], [3, 0, 0], [0, 0, 3]]]), np.array([0.0, 0, 1]), 1.0)
    >>> float(left[:, :, 2].max()), source.tolist()
    (1.0, [0, 0])
    """
    high = corners @ way - level
    count = (high > 0.0).sum(axis=1)
    cut = np.flatnonzero((count == 1) | (count == 2))
    # The corner that is alone on its side of the plane comes first.
    above = high[cut] > 0.0
    lone = np.argmax(above == (count[cut] == 1)[:, None], axis=1)
    order = (lone[:, None] + np.arange(3)) % 3
    a, b, c = np.moveaxis(np.take_along_axis(corners[cut], order[:, :, None], axis=1), 1, 0)
    p, q, r = np.take_along_axis(high[cut], order, axis=1).T
    on_ab = a + (p / (p - q))[:, None] * (b - a)
    on_ac = a + (p / (p - r))[:, None] * (c - a)
    whole = np.setdiff1d(np.arange(len(corners)), cut)
    parts = [
        corners[whole],
        *(np.stack(each, axis=1) for each in ((a, on_ab, on_ac), (on_ab, b, c), (on_ab, c, on_ac))),
    ]
    source = np.concatenate([whole, cut, cut, cut])
    left = np.concatenate(parts)
    left = left - np.maximum(left @ way - level, 0.0)[..., None] * way
    # What stood square on the plane is none any more.
    area = np.linalg.norm(np.cross(left[:, 1] - left[:, 0], left[:, 2] - left[:, 0]), axis=1)
    return left[area > 1e-12], source[area > 1e-12].astype(np.int32)


def _in_the_way(pairs: Sequence[Pair], side: int, way: int, run: float, least: float) -> Mask:
    """(m,) facets of the other part whose boxes the moving one's box comes upon; else all."""
    part = pairs[0].moving if side == 0 else pairs[0].other
    if side == 0 or pairs[0].motion.turns:
        return np.ones(len(part.body.labels), bool)
    moving = pairs[0].moving.vertices
    low, high = box_of(np.vstack([box_of(moving), box_of(transformed(pairs[0].motion.at(way * run), moving))]))
    corners = part.vertices[part.body.surface.faces]
    near = (corners.min(axis=1) <= high + least) & (corners.max(axis=1) >= low - least)
    return np.asarray(near.all(axis=1))


def _ways(part: Placed, facets: Ints, normal: Floats, meets: Floats) -> list[Floats]:
    """Ways out of a part from which it may be milled, (3,) unit each: the likely ones first."""
    normals = facet_normals(part.vertices, part.body.surface.faces[facets])
    corners = part.vertices[part.body.surface.faces[facets]]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    found = [unit(normal), meets]
    left = area * (normals @ meets > _BEHIND)
    for _ in range(_ALONG):
        if not left.any():
            break
        main = normals[int(np.argmax(left))]
        alike = (normals @ main > _ALIKE) & (left > 0.0)
        found.append(unit(left[alike] @ normals[alike]))
        left[alike] = 0.0
    first, second = basis_of(meets)
    turns = 2.0 * np.pi * np.arange(_TURNED) / _TURNED
    found += [np.cos(turn) * first + np.sin(turn) * second for turn in turns]
    out: list[Floats] = []
    for each in found:
        if each @ meets > _BEHIND and all(each @ other < _ALIKE for other in out):
            out.append(each)
    return out


def _is_open(part: Placed, facets: Ints, way: Floats, level: float) -> bool:
    """Whether nothing else of the part stands over what is milled off, by rays along the way that a tool comes from."""
    faces = part.body.surface.faces
    normals = np.repeat(facet_normals(part.vertices, faces[facets]), len(_FINE), axis=0)
    places = np.einsum("qc,fcd->fqd", _FINE, part.vertices[faces[facets]]).reshape(-1, 3)
    chosen = np.flatnonzero((places @ way > level) & (normals @ way > -_LYING))
    chosen = chosen[:: 1 + len(chosen) // _RAYS]
    if not len(chosen):
        return False
    met, _ = part.scene.first(places[chosen] + _INTO * normals[chosen], np.broadcast_to(way, (len(chosen), 3)))
    return bool(np.mean((met >= 0) & ~np.isin(met, facets)) < _SHUT)


def _goes_through(part: Placed, corners: Floats, way: Floats, level: float) -> bool:
    """Whether milling facets (m, 3, 3) down to a plane would leave no wall somewhere, by rays into the metal."""
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    facing = across @ way > _FACING * np.linalg.norm(across, axis=1)
    places = np.einsum("qc,fcd->fqd", _FINE, corners[facing]).reshape(-1, 3)
    places = places[places @ way > level]
    places = places[:: 1 + len(places) // _RAYS]
    if not len(places):
        return False
    facet, far = part.scene.first(places - _INTO * way, np.broadcast_to(-way, places.shape))
    met = np.flatnonzero(facet >= 0)
    # A ray that meets the metal from outside began beside it.
    leaves = facet_normals(part.vertices, part.body.surface.faces[facet[met]]) @ way < 0.0
    return bool((far[met] + _INTO < places[met] @ way - level + _LEFT)[leaves].any())


def _features(part: Placed, facets: Ints) -> tuple[str, ...]:
    labels = part.body.labels[facets]
    count = np.bincount(labels[labels >= 0], minlength=len(part.body.features))
    return tuple(part.body.features[k].id for k in np.argsort(-count, kind="stable") if count[k])
