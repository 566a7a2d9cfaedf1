"""Scans by an implicit function with sharp cut edges: blocks and housings with bores, ports and slots, exactly known.

A part is bodies less cuts, each an intersection of planes and cylinders; its surface is where a signed function is
zero. The mesh is scikit-image's marching cubes, its vertices moved onto the exact surfaces and, beside an edge of two
or three of them, onto that edge. Nothing here is shared with the demo part's maker, which rounds its edges.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

X, Y, Z = np.eye(3)
NOISE = 0.012


@dataclass(frozen=True)
class Wall:
    """An exact surface; radius None for a plane, whose direction is its outward normal."""

    point: NDArray
    direction: NDArray
    radius: float | None = None

    def value(self, x: NDArray) -> NDArray:
        """(n,) mm, below zero inside; distances are true ones."""
        w = x - self.point
        along = w @ self.direction
        if self.radius is None:
            return along
        return np.sqrt(np.maximum(np.einsum("ij,ij->i", w, w) - along * along, 0.0)) - self.radius

    def normal(self, x: NDArray) -> NDArray:
        """(n, 3) unit, the way the value grows."""
        if self.radius is None:
            return np.broadcast_to(self.direction, x.shape)
        w = x - self.point
        w = w - (w @ self.direction)[:, None] * self.direction
        return w / np.maximum(np.linalg.norm(w, axis=1), 1e-12)[:, None]


@dataclass(frozen=True)
class Hole:
    """A real opening: its own cut, the line through its middle, and half its width or its radius.

    mouths  (k,) mm along the line from `point`: where it opens into the air or another hole
    """

    what: str
    cut: tuple[int, ...]
    point: NDArray
    direction: NDArray
    half: float
    mouths: tuple[float, ...]


@dataclass
class Part:
    """Walls, and which of them bound each body and each cut (numbers of walls)."""

    walls: list[Wall] = field(default_factory=list)
    bodies: list[tuple[int, ...]] = field(default_factory=list)
    cuts: list[tuple[int, ...]] = field(default_factory=list)
    holes: list[Hole] = field(default_factory=list)
    size: float = 0.0

    def plane(self, point, normal) -> int:
        self.walls.append(Wall(np.asarray(point, float), np.asarray(normal, float)))
        return len(self.walls) - 1

    def round(self, point, direction, radius: float) -> int:
        direction = np.asarray(direction, float)
        self.walls.append(Wall(np.asarray(point, float), direction / np.linalg.norm(direction), radius))
        return len(self.walls) - 1

    def box(self, low, high, frame=None) -> tuple[int, ...]:
        frame = np.eye(3) if frame is None else frame
        ends = [self.plane(frame[k] * bound, frame[k] * way) for k in range(3) for way, bound in ((-1, low[k]), (1, high[k]))]
        return tuple(ends)

    def bore(self, what: str, point, direction, radius: float, reach: float, mouths: tuple[float, ...]) -> Hole:
        """A round hole from `point` on, `reach` mm deep, flat at its end; the air before it belongs to its cut."""
        point, direction = np.asarray(point, float), np.asarray(direction, float)
        cut = (
            self.round(point, direction, radius),
            self.plane(point - 12.0 * direction, -direction),
            self.plane(point + reach * direction, direction),
        )
        self.cuts.append(cut)
        hole = Hole(what, cut, point, direction, radius, mouths)
        self.holes.append(hole)
        return hole

    def at(self, x: NDArray) -> tuple[NDArray, NDArray]:
        """Value (n,), below zero in the metal, and (n,) the wall that it is of; walls of cuts count from -1 down."""
        best, wall = np.full(len(x), np.inf), np.zeros(len(x), np.int64)
        values = [w.value(x) for w in self.walls]
        for body in self.bodies:
            worst, which = _largest(values, body)
            better = worst < best
            best, wall = np.where(better, worst, best), np.where(better, which, wall)
        for cut in self.cuts:
            worst, which = _largest(values, cut)
            carved = -worst > best
            best, wall = np.where(carved, -worst, best), np.where(carved, -1 - which, wall)
        return best, wall

    def in_air(self, x: NDArray) -> NDArray:
        """(n,) mm by which points lie outside the metal (a lower bound), 0 inside."""
        return np.maximum(self.at(x)[0], 0.0)

    def normals(self, x: NDArray) -> NDArray:
        """(n, 3) outward unit normals of the walls that points are of."""
        out = np.empty_like(x)
        _, wall = self.at(x)
        for number in np.unique(wall):
            mine = wall == number
            way = self.walls[number].normal(x[mine]) if number >= 0 else -self.walls[-1 - number].normal(x[mine])
            out[mine] = way
        return out


def _largest(values: list[NDArray], which: tuple[int, ...]) -> tuple[NDArray, NDArray]:
    stack = np.stack([values[k] for k in which])
    first = np.argmax(stack, axis=0)
    return np.take_along_axis(stack, first[None], 0)[0], np.asarray(which)[first]


def _signed(part: Part, number: int, x: NDArray) -> tuple[NDArray, NDArray]:
    wall = part.walls[number if number >= 0 else -1 - number]
    return wall.value(x), wall.normal(x)


def mesh_of(part: Part, step: float, turn: NDArray) -> tuple[NDArray, NDArray]:
    """Vertices (n, 3) mm on the exact part and faces (m, 3), seen from outside counter-clockwise."""
    from skimage.measure import marching_cubes

    half = part.size
    count = int(np.ceil(2.0 * half / step)) + 2
    line = (np.arange(count) - count / 2.0) * step
    values = np.empty((count, count, count), np.float32)
    plane = np.stack(np.meshgrid(line, line, indexing="ij"), -1).reshape(-1, 2)
    for i, x in enumerate(line):
        points = np.column_stack([np.full(len(plane), x), plane]) @ turn.T
        values[i] = part.at(points)[0].reshape(count, count)
    v, f, _, _ = marching_cubes(values, 0.0, spacing=(step,) * 3, gradient_direction="ascent")
    v = (v.astype(np.float64) + line[0]) @ turn.T
    f = f.astype(np.int32)
    a, b, c = (v[f[:, k]] for k in range(3))
    if np.einsum("ij,ij->", a, np.cross(b, c)) < 0.0:
        f = f[:, ::-1].copy()
    for _ in range(3):
        v = _onto(part, v, step)
    v = _edges_sharp(part, v, f, step)
    return _relaxed(part, v, f, step)


def _onto(part: Part, v: NDArray, step: float) -> NDArray:
    value, _ = part.at(v)
    move = -value[:, None] * part.normals(v)
    size = np.linalg.norm(move, axis=1)[:, None]
    return v + move * np.minimum(1.0, 0.5 * step / np.maximum(size, 1e-12))


def _edges_of(f: NDArray) -> NDArray:
    pairs = np.sort(f[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    return np.unique(pairs, axis=0)


def _edges_sharp(part: Part, v: NDArray, f: NDArray, step: float) -> NDArray:
    """Of two neighbours on different walls the one nearer to the edge goes onto it; so do corners of three walls."""
    v = v.copy()
    _, wall = part.at(v)
    edges = _edges_of(f)
    edges = edges[wall[edges[:, 0]] != wall[edges[:, 1]]]
    goal: dict[int, set[int]] = {}
    for a, b in edges.tolist():
        goal.setdefault(a, {int(wall[a])}).add(int(wall[b]))
        goal.setdefault(b, {int(wall[b])}).add(int(wall[a]))
    candidates = sorted(goal)
    moved = {i: _to_edge(part, v[i], sorted(goal[i])[:3]) for i in candidates}
    away = {i: float(np.linalg.norm(moved[i] - v[i])) for i in candidates}
    fixed: set[int] = set()
    for a, b in sorted(edges.tolist(), key=lambda e: min(away[e[0]], away[e[1]])):
        if a in fixed or b in fixed:
            continue
        nearer = a if away[a] <= away[b] else b
        if away[nearer] < 1.2 * step and abs(part.at(moved[nearer][None])[0][0]) < 1e-3:
            v[nearer] = moved[nearer]
            fixed.add(nearer)
    return v


def _to_edge(part: Part, x: NDArray, numbers: list[int]) -> NDArray:
    x = x.copy()
    for _ in range(12):
        rows = [_signed(part, n, x[None]) for n in numbers]
        off = np.array([r[0][0] for r in rows])
        slopes = np.array([r[1][0] for r in rows])
        x = x - np.linalg.lstsq(slopes, off, rcond=1e-6)[0]
        if np.abs(off).max() < 1e-10:
            break
    return x


def _relaxed(part: Part, v: NDArray, f: NDArray, step: float) -> tuple[NDArray, NDArray]:
    """Slivers evened out: vertices that all their neighbours share a wall with move to their middle, along the wall."""
    edges = _edges_of(f)
    both = np.vstack([edges, edges[:, ::-1]])
    links = coo_array((np.ones(len(both)), (both[:, 0], both[:, 1])), shape=(len(v), len(v))).tocsr()
    degree = np.maximum(np.asarray(links.sum(axis=1)).ravel(), 1.0)
    for _ in range(4):
        value, wall = part.at(v)
        near = np.abs(_second(part, v)) < 1e-4
        free = ~near & (np.abs(value) < 1e-3)
        same = np.ones(len(v), bool)
        np.logical_and.at(same, both[:, 0], wall[both[:, 0]] == wall[both[:, 1]])
        free &= same
        goal = 0.5 * v + 0.5 * (links @ v) / degree[:, None]
        v = np.where(free[:, None], goal, v)
        v[free] = _onto(part, v[free], step)
    return v, f


def _second(part: Part, v: NDArray) -> NDArray:
    """Distance to the second nearest wall: nought on an edge."""
    off = np.sort(np.abs(np.stack([w.value(v) for w in part.walls])), axis=0)
    return off[1]
