"""Lighten to a tolerance: as few facets as can be found that keep a distance, and the proof that they do.

While edges collapse, every vertex of the noise-free surface that is not inside a feature's face is
held to within the tolerance of the light facets near it, and facets on curved features to their chord
error; faces of planes need no watching. Afterwards the two-sided distance is measured exactly. Where it
is too large the last steps are taken back, the surroundings are held closer, and what changed is
measured again. What was already too far when the cheap first sweeps ended is kept out of them, and the
whole is done again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.features.simplification.facet_lattice import lattice_points
from pipeline.features.simplification.feature_association import Target, distance_to_target
from pipeline.geometry import Floats, Indices, Ints, Mask
from pipeline.jit import njit
from pipeline.mesh.query import (
    DenseMesh,
    LightFacets,
    Scene,
    farthest_on_facets,
    grid_points,
    hinges_of,
    vertices_near_new,
)
from pipeline.mesh.repair import folded_facets
from pipeline.mesh.simplify import CollapseMesh, HeldPoints, ReversibleCollapse, exhaust, start_collapse, sweep_down
from pipeline.mesh.topology import edge_lengths, facet_areas, facet_neighbours, facet_normals
from pipeline.progress import Progress
from pipeline.values import Surface

# Held points stay within this share of the tolerance: what lies between them may use the rest.
_SHARE = 0.92
# The sweeps before may not use more than this share of the tolerance on any facet.
_SWEEP_SHARE = 0.5
_STARTS = 6
_MENDINGS = 25
_TIGHTER = 0.7
# After so many mendings the vertices of a step that was taken back stay where they are.
_PATIENCE = 5
# What uses more than this share of the tolerance is mended too: between the points looked at there may be more.
_CLEAR = 0.93
# Steps between those points, in units of the scan's facet size.
_PITCH = 0.7
# Facets of the scan longer than this, in the same steps, are looked at between their vertices too.
_LONG = 6.0
_STEPS = 64
# Steps along the sides of a doubtful facet of the scan.
_INSIDE = 5
# So many rings of a feature's vertices next to its rim are held as well.
_RINGS = 2
# Between the scan's vertices no share is less: chords over an edge are deepest there, and short ones are many.
_LEAST_BETWEEN = 0.2
# Sine of the slope at which a way counts as level with a facet.
_LEVEL = 1e-6


class Light(Protocol):
    """What of a light mesh is measured."""

    @property
    def points(self) -> Floats: ...
    @property
    def faces(self) -> Ints: ...
    @property
    def label(self) -> Ints: ...
    @property
    def origin(self) -> NDArray[np.uint8]: ...


@dataclass(frozen=True)
class Kept:
    """The lightened mesh, the two-sided maximum, mm, that was measured on it, and its facets (k, 3, 3) that cross."""

    work: CollapseMesh
    deviation: float
    crossing: Floats


def lightened_within(
    surface: Surface, target: Target, tolerance: float, facets: int, progress: Progress, *,
    starts: int = _STARTS, enough: float | None = None, shares: Floats | None = None, check_sweeps: bool = False,
) -> Kept:  # fmt: skip
    """Collapse the target surface until no edge may go, or `facets` are left; a `Kept`.

    surface    the scan; `target` the noise-free surface with its facets; `progress` is told how far it is
    tolerance  mm, of the two-sided distance to the target
    starts     so often all is done anew, closer, where mending did not suffice
    enough     mm: a maximum that is not worth another start; a little less than the tolerance unless it is given
    shares     (n,) of the tolerance, above 0 to 1: the light mesh may lie within the target by no more at each vertex
    check_sweeps  what the first sweeps take too far is kept out of them before all else: a tenth more time where they
               take nothing too far, half of it where they do

    The measured two-sided maximum is returned; it can exceed the tolerance only where mending did not suffice. What is
    beyond its share is mended likewise, but no reason to do all anew.

    Method: quadric edge collapse (Garland and Heckbert 1997), each step within the tolerance.
    Below, a plate of 32 facets.

    >>> from pipeline.features.simplification import on_features
    >>> from pipeline.progress import silent
    >>> a = np.array([*np.ndindex(4, 4)]) @ [[5], [1]]
    >>> plate = Surface.measured([*np.ndindex(5, 5, 1)], np.vstack([a + [0, 5, 6], a + [0, 6, 1]]))
    >>> target = on_features(plate.vertices, plate.faces, np.full(32, -1, np.int32), (), 0.1)
    >>> kept = lightened_within(plate, target, 0.01, 2, silent)
    >>> len(kept.work.faces) <= 8, kept.deviation <= 0.01, len(kept.crossing)
    (True, True, 0)
    """
    outside = _outside_faces(surface.faces, target.labels, len(target.vertices))
    watched = outside
    for _ in range(_RINGS):
        watched = _grown(surface.faces, watched)
    still = np.zeros(len(watched), dtype=np.bool_)
    reach = np.full(len(watched), _SHARE * tolerance)
    proof = Proof(surface, target, tolerance, shares)
    best: Kept | None = None
    lowest = True, np.inf
    for start in range(starts):
        done = start / starts
        progress(0.1 + 0.8 * done, "collapsing the cheapest edges that keep the tolerance")
        work = _swept(surface, target, still, facets, tolerance)
        if check_sweeps and start == 0:
            # No later step mends what is too far here.
            beyond = proof.dense_beyond(work)
            if beyond.any():
                # Only sweeps take folds away.
                folded = folded_facets(target.vertices, surface.faces) & (target.labels < 0)
                still |= _grown(surface.faces, beyond)
                still[surface.faces[folded]] = False
                watched = watched | beyond
                work = _swept(surface, target, still, facets, tolerance)
        which = np.flatnonzero(watched & (work.parent >= 0)).astype(np.int32)
        held = HeldPoints(
            target.vertices, surface.faces, which, ~outside[which], reach[which], _SHARE * tolerance,
            reach[which] if shares is None else reach[which] * shares[which],
        )  # fmt: skip
        reversible = ReversibleCollapse(work, held)
        exhaust(reversible, facets)
        progress(0.5 + 0.4 * done, "measuring the distance both ways")
        proof.begin(len(work.faces))
        worst, crossing, given_up = _mended(work, reversible, proof, reach, facets)
        left = work.points[work.faces[crossing]]
        new, _ = vertices_near_new(target.vertices, surface.faces, left)
        reversible.done()
        rank = bool(new.any()), worst
        better = best is None or rank < lowest
        if better:
            best, lowest = Kept(work, worst, left), rank
        # What another start doesn't better, such as facets that are too coarse as they came, no start will.
        if not new.any() and (worst <= (_CLEAR * tolerance if enough is None else enough) or not better):
            break
        closer = new | proof.dense_round(given_up)
        still |= _grown(surface.faces, closer)
        watched = watched | closer
    assert best is not None
    return best


def _swept(surface: Surface, target: Target, still: Mask, facets: int, tolerance: float) -> CollapseMesh:
    """The target surface after sweeps that leave some vertices (n,) alone."""
    work = start_collapse(
        target.vertices, surface.faces, target.labels, surface.origin, target.carriers, target.table,
        remember=True, still=still,
    )  # fmt: skip
    typical = float(np.median(facet_areas(target.vertices, surface.faces)))
    most = (_SWEEP_SHARE * tolerance) ** 2 * typical / 3
    sweep_down(work, facets, most=most, sag=_SWEEP_SHARE * tolerance)
    return work


def _mended(
    work: CollapseMesh, reversible: ReversibleCollapse, proof: Proof, reach: Floats, facets: int
) -> tuple[float, Ints, Ints]:
    """Take back what came too far and go on within a shorter reach (n0,), until nothing is or patience is at its end.

    The measured maximum, mm, the facets that cross, and those with no step left to take back.
    """
    given_up = np.empty(0, dtype=np.int32)
    for mending in range(_MENDINGS):
        changed = reversible.changed()
        worst = proof.measure(work, reversible.alive(), changed)
        far, crossing = proof.bad(), reversible.crossing(changed)
        wrong = np.union1d(crossing, reversible.folded())
        bad = np.setdiff1d(np.union1d(far, wrong), given_up)
        if not len(bad):
            return worst, crossing, given_up
        closer = proof.dense_round(far)
        reach[closer] *= _TIGHTER
        reversible.hold_closer(closer, _TIGHTER)
        freeze = (work.label[bad] >= 0) | np.isin(bad, wrong) | (mending >= _PATIENCE)
        near, stuck = reversible.take_back(bad, freeze)
        given_up = np.union1d(given_up, stuck)
        reversible.collapse(facets, None if reversible.facets <= facets else near)
    changed = reversible.changed()
    return proof.measure(work, reversible.alive(), changed), reversible.crossing(changed), given_up


def stands_out(points: Floats, near: Floats, normals: Floats) -> Mask:
    """(n,) bool: whether points (n, 3) stand out of a surface, by the nearest point of it and its facet's normal there.

    Nearest to an edge, a point may lie level with one of its facets: then the other one tells, and it stands out.

    >>> up = np.array([[0.0, 0.0, 1.0]] * 3)
    >>> stands_out(np.array([[0, 0, 2.0], [5.0, 0, 1.0], [0, 0, 0.5]]), np.array([[0, 0, 1.0]] * 3), up).tolist()
    [True, True, False]
    """
    way = points - near
    return np.asarray(np.einsum("ij,ij->i", way, normals) >= -_LEVEL * np.linalg.norm(way, axis=1))


class Proof:
    """The two-sided distance between a noise-free surface and a light mesh that changes here and there.

    What is farther than nearly all of the tolerance, mm, is called bad. Distances of dense vertices that stand out of
    the light mesh are divided by their shares (n,), and those of what of it lies within the dense mesh's skin by the
    mean of its facet's.
    """

    def __init__(self, surface: Surface, target: Target, tolerance: float, shares: Floats | None = None) -> None:
        limit = _CLEAR * tolerance
        pitch = _PITCH * float(np.sqrt(np.median(facet_areas(target.vertices, surface.faces))))
        self._faces = surface.faces
        self._target = target
        self._limit = limit
        self._pitch = pitch
        self._scene = Scene(Surface(target.vertices, surface.faces, surface.origin))
        # Vertices say enough where facets are small.
        longest = edge_lengths(target.vertices, surface.faces).reshape(-1, 3).max(axis=1)
        long = np.flatnonzero(longest > _LONG * pitch)
        lattice = lattice_points(target.vertices, surface.faces[long], pitch, _STEPS)
        self._points = np.vstack([target.vertices, lattice])
        self._shares = np.ones(len(self._points))
        between = np.ones(len(surface.faces), dtype=np.float32)
        if shares is not None:
            self._shares[: len(shares)] = shares
            skin = np.flatnonzero(target.labels < 0)
            between[skin] = shares[surface.faces[skin]].mean(axis=1).clip(min=_LEAST_BETWEEN)
        neighbours = facet_neighbours(surface.faces, len(target.vertices))
        hinges = hinges_of(target.vertices, surface.faces, neighbours)
        self._dense = DenseMesh(target.vertices, surface.faces, neighbours, target.labels, hinges, between)

    def begin(self, facets: int) -> None:
        """Start on a light mesh of so many facets."""
        self._forth = np.full(len(self._points), np.inf)
        self._used = self._forth.copy()
        self._nearest = np.zeros(len(self._points), dtype=np.int32)
        self._back = np.zeros(facets)
        self._back_used = np.zeros(facets)
        self._seen = np.full((facets, 10), np.nan)
        self._pairs = np.empty((0, 2), dtype=np.int32)

    def dense_beyond(self, work: CollapseMesh) -> Mask:
        """Vertices (n0,) of the dense mesh round which a light mesh is too far from it."""
        self.begin(len(work.faces))
        self.measure(work, np.arange(len(work.faces), dtype=np.int32), np.ones(len(work.faces), dtype=np.bool_))
        return self.dense_round(self.bad())

    def measure(self, work: Light, alive: Ints, changed: Mask) -> float:
        """Measure what is `changed` (m,) of the light mesh since the last time, where it is not as it was then; the
        maximum over all, mm.

        The distance to it is measured anew where a point was nearest to what changed, that from it for that alone.
        """
        ask = np.flatnonzero(changed[self._nearest] | np.isinf(self._forth))
        light = Scene(Surface(work.points, work.faces[alive], work.origin[alive]))
        self._forth[ask], found, near = light.closest(self._points[ask])
        self._nearest[ask] = alive[found]
        some = np.flatnonzero(self._shares[ask] < 1.0)
        normals = facet_normals(work.points, work.faces[alive[found[some]]])
        out = stands_out(self._points[ask[some]], near[some], normals)
        self._used[ask] = self._forth[ask]
        self._used[ask[some[out]]] /= self._shares[ask[some[out]]]
        self._look_between(light, alive, ask)
        gone, fresh = changed.copy(), alive[changed[alive]]
        now = np.column_stack([work.points[work.faces[fresh]].reshape(-1, 9), work.label[fresh]])
        # What was taken back is often made again as it was.
        same = np.asarray((self._seen[fresh] == now).all(axis=1))
        self._seen[changed] = np.nan
        self._seen[fresh] = now
        gone[fresh[same]] = False
        fresh = fresh[~same]
        faces, labels = work.faces[fresh], work.label[fresh]
        _, begin, _ = self._scene.closest(work.points[faces[:, 0]])
        target = self._target
        back, used, where, steps = farthest_on_facets(
            LightFacets(work.points, faces, labels, begin),
            self._dense,
            target.table, self._pitch, self._limit, self._limit / _CLEAR,
        )  # fmt: skip
        # Where the walk found no near facet the tree may; then the whole light facet is looked at.
        over = np.flatnonzero(used > self._limit)
        _, exact, _ = self._to_target(where[over], labels[over])
        again = over[exact <= self._limit]
        points, at = grid_points(work.points, faces[again], steps[again])
        points, at = np.vstack([where[over], points]), np.concatenate([over, again[at]])
        off, exact, dense = self._to_target(points, labels[at])
        for total, row, mine in ((self._back, back, off), (self._back_used, used, exact)):
            row[over] = 0.0
            np.maximum.at(row, at, mine)
            total[gone] = 0.0
            total[fresh] = row
        far = exact > self._limit
        self._pairs = np.vstack([self._pairs[~gone[self._pairs[:, 0]]], np.c_[fresh[at[far]], dense[far]]]).astype(
            np.int32
        )
        return float(max(self._forth.max(), self._back.max()))

    def _look_between(self, light: Scene, alive: Ints, fresh: Indices) -> None:
        """Look inside facets of the scan, with a `fresh` corner, where the corners' distances differ very much."""
        corners = self._forth[self._faces]
        most = corners.max(axis=1)
        asked = np.zeros(len(self._forth), dtype=np.bool_)
        asked[fresh] = True
        doubt = (most <= self._limit) & (1.5 * most - 0.5 * corners.min(axis=1) > self._limit)
        doubtful = np.flatnonzero(doubt & asked[self._faces].any(axis=1))
        points, of_facet = grid_points(
            self._target.vertices, self._faces[doubtful], np.full(len(doubtful), _INSIDE)
        )  # fmt: skip
        distance, found, _ = light.closest(points)
        far = distance > self._limit
        # What is too far there counts at a corner of its facet.
        corner = self._faces[doubtful[of_facet[far]], 0]
        np.maximum.at(self._forth, corner, distance[far])
        np.maximum.at(self._used, corner, distance[far])
        self._nearest[corner] = alive[found[far]]

    def _to_target(self, points: Floats, labels: Ints) -> tuple[Floats, Floats, Ints]:
        """Distances (n,) mm of points of light facets, what they use (n,), and the dense facets (n,) they are near."""
        off, facet = distance_to_target(self._scene, self._target, points, labels)
        share = self._dense.shares[facet]
        way = points - self._target.vertices[self._faces[facet, 0]]
        normals = facet_normals(self._target.vertices, self._faces[facet])
        within = np.einsum("ij,ij->i", way, normals) < 0.0
        return off, np.where(within, off / share, off), facet

    def bad(self) -> Ints:
        """Light facets that are too far, or nearest to what is."""
        far = self._back_used > self._limit
        far[self._nearest[self._used > self._limit]] = True
        return np.flatnonzero(far).astype(np.int32)

    def dense_round(self, light: Ints) -> Mask:
        """Vertices (n0,) of the dense mesh near these light facets, and near what of them is too far."""
        mine = np.zeros(len(self._back), dtype=np.bool_)
        mine[light] = True
        out: Mask = mine[self._nearest[: len(self._target.vertices)]]
        # A facet that is too far may be the nearest one to no vertex.
        out[self._faces[self._pairs[mine[self._pairs[:, 0]], 1]]] = True
        return out


@njit(cache=True)
def _outside_faces(faces: Ints, labels: Ints, n: int) -> Mask:
    """Vertices (n,) with a facet that carries no feature, or with facets of different ones."""
    first = np.full(n, -2, dtype=np.int32)
    out = np.zeros(n, dtype=np.bool_)
    for f in range(len(faces)):
        for k in range(3):
            v = faces[f, k]
            if labels[f] < 0 or (first[v] != -2 and first[v] != labels[f]):
                out[v] = True
            first[v] = labels[f]
    return out


@njit(cache=True)
def _grown(faces: Ints, chosen: Mask) -> Mask:
    """The chosen vertices (n,) and their neighbours."""
    out = chosen.copy()
    for f in range(len(faces)):
        if chosen[faces[f, 0]] or chosen[faces[f, 1]] or chosen[faces[f, 2]]:
            for k in range(3):
                out[faces[f, k]] = True
    return out
