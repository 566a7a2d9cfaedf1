"""What would have to be milled off a part, down to a plane, so that a motion goes on there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.fitup import Placed
from pipeline.fitup.motions.motion import Pair
from pipeline.geometry import Floats, Ints, Mask, area_vectors, basis_of, box_of, transformed, unit
from pipeline.lengths import place_in_mm
from pipeline.mesh.topology import facet_normals

_TURNED = 8  # ways square to the motion that are tried
_ALIKE = np.cos(np.radians(5.0))
_BEHIND = -0.1  # of a way with the one that meets the motion: from there no tool comes
_ALONG = 4  # normals of what is in the way that are tried, by their areas
_DEEPEST = 20.0  # mm: what is deeper is no relief but another part (common practice, no source)
_SHUT = 0.1  # share of what is milled off that may have other metal in the tool's way: edges and noise
_CLOSE, _CLOSELY = 1e-3, 1e-3  # mm that the depth is told to, and share
_ABOUT = 2.0  # mm about a facet that is met, within which others are looked at together
_BETTER = 0.98  # of the depth by the ways before that one must do with
_LEFT = 1.0  # mm of metal, under which a wall counts as milled through (common practice, no source)
_THROUGH = 2e-3  # share of what is milled off that may leave less: edges and noise
_INTO = 0.01  # mm below the surface that rays begin
_FACING = 0.5  # cosine of a facet's normal with the way, from which on metal is looked for below it
_LYING = 0.1  # and from which on, below nought, it looks away
_RAYS = 10_000
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


@dataclass(frozen=True)
class Farther:
    """How far a part must get with a place milled off.

    pairs  it, and each other part that this place may meet
    side   0: the place is the moving part's, 1: the other part's, of one pair
    way    1 forward, -1 back
    run    mm or rad; least: mm that it keeps
    """

    pairs: Sequence[Pair]
    side: int
    way: int
    run: float
    least: float

    @property
    def part(self) -> Placed:
        """Whose the place is."""
        return self.pairs[0].moving if self.side == 0 else self.pairs[0].other

    def stopped_by(self, corners: Floats, source: Ints) -> int | None:
        """Which of facets (k, 3, 3), all that is left of the place, stops it; source: (k,) of which facet each is."""
        for pair in self.pairs if len(corners) else ():
            found = pair.meets(self.side, corners, source, self.way, self.run, self.least)
            if found is not None:
                return found
        return None


def least_milling(
    farther: Farther, chosen: Mask, met: tuple[Floats, Floats, Floats], known: float | None
) -> Milling | None:
    """The shallowest milling of chosen facets (m,) that lets a part move on; None where each would go through a wall.

    met    the place that is met first, (3,) mm, the normal out of it and the way from there against what meets it, unit
    known  mm, 95 %, that the gap there isn't known better; None where it can't be told

    What other facets do isn't looked at.
    """
    first, normal, meets = met
    part = farther.part
    facets = np.flatnonzero(chosen & _in_the_way(farther)).astype(np.int32)
    if not len(facets):
        return None
    corners = part.vertices[part.body.surface.faces[facets]]
    best: tuple[float, Floats] | None = None
    for towards in _ways(part, facets, normal, meets):
        high = corners @ towards
        top, most = float(high.max()), min(float(np.ptp(high)) + _CLOSE, _DEEPEST)
        depth = most if best is None else min(most, _BETTER * best[0])
        # What is met first has to go.
        if top - float(first @ towards) < depth:
            found = _depth(farther, facets, corners, first, towards, depth)
            if found is not None and _is_open(part, facets, towards, top - found):
                best = best if _goes_through(part, facets, towards, top - found) else (found, towards)
    if best is None:
        return None
    depth, towards = best
    high = (corners @ towards).max(axis=1)
    goes = high > float(high.max()) - depth
    ends = corners[goes].reshape(-1, 3)
    place = ends[int(np.argmax(ends @ towards))]
    return Milling(
        part.body.name, depth, known, towards, place, float(np.linalg.norm(ends - place, axis=1).max()),
        _features(part, facets[goes]),
    )  # fmt: skip


def _depth(
    farther: Farther, facets: Ints, corners: Floats, first: Floats, towards: Floats, most: float
) -> float | None:
    """mm, at most `most`, below the highest of facets down to which they must be milled; None where that isn't enough.

    It is sought by halves on the few of them about the place that is met first, and these grow by what is still met
    then.
    """
    top = float((corners @ towards).max())

    def met(some: Ints, depth: float) -> int | None:
        """Which of some of the facets is met first all the same."""
        left, source = milled(corners[some], towards, top - depth)
        found = farther.stopped_by(left, facets[some][source])
        return None if found is None else int(some[source[found]])

    everything = np.arange(len(facets), dtype=np.int32)
    if met(everything, most) is not None:
        return None
    middles = corners.mean(axis=1)
    few, shallow = everything[:0], 0.0
    found: int | None = int(np.argmin(np.linalg.norm(middles - first, axis=1)))
    while found is not None:
        near = np.linalg.norm(middles - middles[found], axis=1) < _ABOUT
        few, deep = np.union1d(few, np.append(everything[near], found)).astype(np.int32), most
        while deep - shallow > max(_CLOSE, _CLOSELY * deep):
            half = 0.5 * (shallow + deep)
            shallow, deep = (shallow, half) if met(few, half) is None else (half, deep)
        shallow, found = deep, met(everything, deep)
    return shallow


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
    area = np.linalg.norm(area_vectors(left), axis=1)
    return left[area > 1e-12], source[area > 1e-12].astype(np.int32)


def _in_the_way(farther: Farther) -> Mask:
    """(m,) facets of the other part whose boxes the moving one's box comes upon; else all."""
    part, pair = farther.part, farther.pairs[0]
    if farther.side == 0 or pair.motion.turns:
        return np.ones(len(part.body.labels), bool)
    moving = pair.moving.vertices
    moved = transformed(pair.motion.at(farther.way * farther.run), moving)
    low, high = box_of(np.vstack([box_of(moving), box_of(moved)]))
    corners = part.vertices[part.body.surface.faces]
    near = (corners.min(axis=1) <= high + farther.least) & (corners.max(axis=1) >= low - farther.least)
    return np.asarray(near.all(axis=1))


def _ways(part: Placed, facets: Ints, normal: Floats, meets: Floats) -> list[Floats]:
    """Ways out of a part from which it may be milled, (3,) unit each: the likely ones first."""
    normals = facet_normals(part.vertices, part.body.surface.faces[facets])
    area = np.linalg.norm(area_vectors(part.vertices[part.body.surface.faces[facets]]), axis=1)
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


def _goes_through(part: Placed, facets: Ints, way: Floats, level: float) -> bool:
    """Whether milling facets down to a plane would leave no wall somewhere, by rays into the metal.

    Rays that leave at once through what is milled off as well are those of an edge.
    """
    faces = part.body.surface.faces
    corners = part.vertices[faces[facets]]
    across = area_vectors(corners)
    area = np.linalg.norm(across, axis=1)
    facing = across @ way > _FACING * area
    places = np.einsum("qc,fcd->fqd", _FINE, corners[facing]).reshape(-1, 3)
    area = np.repeat(area[facing], len(_FINE))[places @ way > level]
    places = places[places @ way > level]
    step = 1 + len(places) // _RAYS
    places, area = places[::step], area[::step]
    if not len(places):
        return False
    met, far = part.scene.first(places - _INTO * way, np.broadcast_to(-way, places.shape))
    # One that meets the metal from outside began beside it.
    leaves = (met >= 0) & (facet_normals(part.vertices, faces[met]) @ way < 0.0)
    thin = leaves & (far + _INTO < places @ way - level + _LEFT) & ~((far < _LEFT) & np.isin(met, facets))
    return bool(area @ thin > _THROUGH * area.sum())


def _features(part: Placed, facets: Ints) -> tuple[str, ...]:
    labels = part.body.labels[facets]
    count = np.bincount(labels[labels >= 0], minlength=len(part.body.features))
    return tuple(part.body.features[k].id for k in np.argsort(-count, kind="stable") if count[k])
