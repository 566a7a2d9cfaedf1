"""The first stretch of a large collapse: window after window of the mesh, so that only one needs working memory.

A window is a run of vertices in the order of memory, in which what is close in space is mostly close too, with all
facets that have a corner among them. Its vertices are put onto neighbours within it (`Sweeps.go_onto`) as long as that
is cheaper than limits that a sample of the windows gives; those that share a facet with another window stay. So what
becomes of a window hangs on nothing else, and is kept: when the whole is done again, only windows that have changed
are. What is left is one mesh again, with the quadrics of all facets that there were, by which the sweeps that follow
place its vertices. Method: streaming simplification (Isenburg, Lindstrom, Gumhold and Snoeyink, "Large mesh
simplification using processing sequences", 2003, from memory), with edges collapsed instead of clusters.

Working memory: about 7 bytes a facet, and twice what is left of the mesh.
"""

from __future__ import annotations

import hashlib
from typing import NamedTuple

import numpy as np

from pipeline.geometry import Bytes, Floats, Ints, Longs, Mask, Shorts
from pipeline.jit import njit
from pipeline.mesh.simplify.collapse_mesh import CollapseMesh
from pipeline.mesh.simplify.edge_collapse import FAR_SHARE, facing_out, start_collapse, sweep_down
from pipeline.mesh.simplify.sweeps import Sweeps

# Windows go so far down, as a multiple of the facets wanted: sweeps that place each vertex anew several times follow.
_DOWN_TO = 16.0
# What is less than so many times that is swept as a whole: on scans of 4 million facets rms and 99 % were the same, but
# the largest deviation up to half as large again, for no less time.
_LARGE = 4.0
# Vertices of a window: many against those that are on its rim.
_WINDOW = 1 << 16
# One in so many windows, and this many at least, tell how cheap a step has to be.
_SAMPLE, _FEWEST = 24, 3
# A sweep over the sample that takes away less than this share of its facets is the last.
_WORTH = 0.15


class _Mesh(NamedTuple):
    """The whole; the facets of window w are listed[starts[w] : starts[w + 1]]; seen (n,) working memory, -1."""

    points: Floats
    faces: Ints
    label: Ints
    carriers: Shorts
    still: Bytes
    table: Floats
    outward: Floats
    seen: Ints
    starts: Longs
    listed: Ints


class _Window(NamedTuple):
    """What a collapse of a window begins with: vertices `ids` (k,), its own ones first, and its facets by these.

    held  (k,) those that stay: on the rim, of another window, and still ones
    """

    ids: Ints
    faces: Ints
    label: Ints
    held: Bytes
    own: int


class _Left(NamedTuple):
    """What is left of a window, made from what has this digest.

    kept  (k,) its vertices that are left, and `into` which of these stands for each one, -1 none
    """

    digest: bytes
    kept: Ints
    into: Ints
    quadrics: Floats
    border: Bytes


class Streaming:
    """Sweeps down to `facets`, as often as they are asked for; windows that are as they were are done once.

    A mesh that is not much larger than what is wanted is swept as a whole.

    >>> v = np.array([*np.ndindex(9, 9, 1)], float)
    >>> a = np.array([*np.ndindex(8, 8)]) @ [[9], [1]]
    >>> f = np.vstack([a + [0, 9, 10], a + [0, 10, 1]]).astype(np.int32)
    >>> free, none = np.full((81, 3), -1, np.int16), np.empty((0, 0))
    >>> work = Streaming(64).down(v, f, np.full(128, -1, np.int32), np.zeros(128, np.uint8), free, none)
    >>> len(work.faces)
    64
    """

    def __init__(self, facets: int) -> None:
        self._facets = facets
        self._limits: list[float] | None = None
        self._left: dict[int, _Left] = {}

    def down(
        self, vertices: Floats, faces: Ints, label: Ints, origin: Bytes, carriers: Shorts, table: Floats,
        *, still: Mask | None = None,
    ) -> CollapseMesh:  # fmt: skip
        """A work for `finish_collapse`; all arrays as `start_collapse` takes them."""
        if len(faces) > _LARGE * _DOWN_TO * self._facets and len(vertices) > 2 * _WINDOW:
            work = self._streamed(vertices, faces, label, origin, carriers, table, still)
        else:
            work = start_collapse(vertices, faces, label, origin, carriers, table, still=still)
        sweep_down(work, self._facets)
        return work

    def _streamed(
        self, vertices: Floats, faces: Ints, label: Ints, origin: Bytes, carriers: Shorts, table: Floats,
        still: Mask | None,
    ) -> CollapseMesh:  # fmt: skip
        n = len(vertices)
        starts, listed = _facets_of_windows(faces, n, _WINDOW)
        held = np.zeros(n, dtype=np.uint8) if still is None else still.astype(np.uint8)
        seen, outward = np.full(n, -1, dtype=np.int32), facing_out(vertices, faces, label, table)
        mesh = _Mesh(vertices, faces, label, carriers, held, table, outward, seen, starts, listed)
        if self._limits is None:
            self._limits = _limits(mesh, _DOWN_TO * self._facets / len(faces))
        windows = range(len(starts) - 1)
        for w in windows:
            self._do(mesh, w)
        del seen, listed, mesh
        left = [self._left[w] for w in windows]
        number, ids = _numbers(left), np.concatenate([one.kept for one in left])
        some = _kept(faces, number)
        return CollapseMesh(
            vertices[ids], number[faces[some]], np.concatenate([one.quadrics for one in left]), carriers[ids],
            np.concatenate([one.border for one in left]), held[ids], label[some], origin[some], table, outward,
            np.empty(0, dtype=np.int32),
        )  # fmt: skip

    def _do(self, mesh: _Mesh, w: int) -> None:
        """Collapse a window, unless that was done to what it is now."""
        assert self._limits is not None
        window = _window(mesh, w)
        parts = mesh.points[window.ids], mesh.carriers[window.ids], window.faces, window.label, window.held
        digest = hashlib.blake2b(b"".join(part.tobytes() for part in parts)).digest()
        if w in self._left and self._left[w].digest == digest:
            return
        work, sweeps = _opened(mesh, window)
        for limit in self._limits:
            sweeps.go_onto(limit)
        sweeps.done()
        into = work.parent[: window.own].copy()
        kept = _standing(mesh.points, window.ids, into, work.points)
        count = len(kept)
        self._left[w] = _Left(digest, kept, into, work.quadrics[:count].copy(), work.border[:count].copy())


def _window(mesh: _Mesh, w: int) -> _Window:
    low = w * _WINDOW
    own = min(_WINDOW, len(mesh.seen) - low)
    ids, faces, label, held = _gathered(mesh, mesh.listed[mesh.starts[w] : mesh.starts[w + 1]], low, own)
    return _Window(ids, faces, label, held, own)


def _opened(mesh: _Mesh, window: _Window) -> tuple[CollapseMesh, Sweeps]:
    """The working copy of a window, and its sweeps."""
    work = start_collapse(
        mesh.points[window.ids], window.faces, window.label, np.zeros(len(window.faces), dtype=np.uint8),
        mesh.carriers[window.ids], mesh.table, remember=True, still=window.held.astype(np.bool_),
        outward=mesh.outward,
    )  # fmt: skip
    # Of a vertex of another window not all facets are here: its edges look like a border.
    work.border[window.own :] = 0
    return work, Sweeps(work)


def _numbers(left: list[_Left]) -> Ints:
    """(n,) which of all vertices that are left stands for each one, -1 none."""
    starts = np.cumsum([0, *(len(one.kept) for one in left)])[:-1]
    parts = [np.where(one.into >= 0, one.into + start, -1) for one, start in zip(left, starts, strict=True)]
    return np.concatenate(parts).astype(np.int32)


def _limits(mesh: _Mesh, share: float) -> list[float]:
    """How cheap steps have to be, sweep after sweep, to come near a `share` of the facets, by a sample."""
    windows = len(mesh.starts) - 1
    count = max(_FEWEST, windows // _SAMPLE)
    some = np.unique((2 * np.arange(count) + 1) * windows // (2 * count))
    sample = [_opened(mesh, _window(mesh, int(w)))[1] for w in some]
    goal = share * sum(sweeps.facets for sweeps in sample)
    limits: list[float] = []
    while True:
        before = sum(sweeps.facets for sweeps in sample)
        known = np.concatenate([sweeps.prices_onto() for sweeps in sample])
        if before <= goal or not len(known):
            return limits
        limits.append(float(np.quantile(known, FAR_SHARE)))
        if sum(sweeps.go_onto(limits[-1]) for sweeps in sample) < _WORTH * before:
            return limits


@njit(cache=True)
def _facets_of_windows(faces: Ints, n: int, size: int) -> tuple[Longs, Ints]:
    """The facets that have a corner in each window of `size` of n vertices, in compressed rows, ascending."""
    windows = (n + size - 1) // size
    starts = np.zeros(windows + 1, dtype=np.int64)
    for f in range(len(faces)):
        a, b, c = faces[f, 0] // size, faces[f, 1] // size, faces[f, 2] // size
        starts[a + 1] += 1
        if b != a:
            starts[b + 1] += 1
        if c != a and c != b:
            starts[c + 1] += 1
    for w in range(windows):
        starts[w + 1] += starts[w]
    place = starts[:-1].copy()
    listed = np.empty(starts[-1], dtype=np.int32)
    for f in range(len(faces)):
        a, b, c = faces[f, 0] // size, faces[f, 1] // size, faces[f, 2] // size
        listed[place[a]] = f
        place[a] += 1
        if b != a:
            listed[place[b]] = f
            place[b] += 1
        if c != a and c != b:
            listed[place[c]] = f
            place[c] += 1
    return starts, listed


@njit(cache=True)
def _gathered(mesh: _Mesh, here: Ints, low: int, own: int) -> tuple[Ints, Ints, Ints, Bytes]:
    """The vertices of a window, its own ones first, its facets by these, their labels, and which vertices stay."""
    seen = mesh.seen
    ids = np.empty(own + 3 * len(here), dtype=np.int32)
    held = np.zeros(len(ids), dtype=np.uint8)
    faces = np.empty((len(here), 3), dtype=np.int32)
    label = np.empty(len(here), dtype=np.int32)
    for i in range(own):
        ids[i] = low + i
        held[i] = mesh.still[low + i]
    count = own
    for s in range(len(here)):
        f = here[s]
        whole = True
        for k in range(3):
            v = mesh.faces[f, k]
            if low <= v < low + own:
                faces[s, k] = v - low
                continue
            whole = False
            if seen[v] < 0:
                seen[v] = count
                ids[count] = v
                count += 1
            faces[s, k] = seen[v]
        if not whole:
            for k in range(3):
                held[faces[s, k]] = 1
        label[s] = mesh.label[f]
    for i in range(own, count):
        seen[ids[i]] = -1
    return ids[:count], faces, label, held[:count]


@njit(cache=True)
def _kept(faces: Ints, number: Ints) -> Ints:
    """The facets whose corners are three vertices still."""
    out = np.empty(len(faces), dtype=np.int32)
    count = 0
    for f in range(len(faces)):
        a, b, c = number[faces[f, 0]], number[faces[f, 1]], number[faces[f, 2]]
        if a != b and b != c and c != a:
            out[count] = f
            count += 1
    return out[:count].copy()


@njit(cache=True)
def _standing(points: Floats, ids: Ints, into: Ints, left: Floats) -> Ints:
    """Of the vertices that went into each one that is left the one that is where that is."""
    count = 0
    for i in range(len(into)):
        count = max(count, into[i] + 1)
    kept = np.full(count, -1, dtype=np.int32)
    for i in range(len(into)):
        k = into[i]
        if k < 0 or kept[k] >= 0:
            continue
        p = ids[i]
        if points[p, 0] == left[k, 0] and points[p, 1] == left[k, 1] and points[p, 2] == left[k, 2]:
            kept[k] = p
    return kept
