"""Scans by an implicit function with sharp cut edges: blocks and housings with bores, ports and slots, exactly known.

A part is bodies less cuts, each an intersection of planes and cylinders; its surface is where a signed function is
zero. Vertices lie on the exact surfaces and, where two or three of them meet, on their edge. Nothing here is shared
with the demo part's maker, which rounds its edges.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

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
        ends = [
            self.plane(frame[k] * bound, frame[k] * way)
            for k in range(3)
            for way, bound in ((-1, low[k]), (1, high[k]))
        ]
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


def mesh_of(part: Part, step: float, turn: NDArray) -> tuple[NDArray, NDArray]:
    """Vertices (n, 3) mm on the exact part, on its edges where there are any, and faces (m, 3).

    Dual contouring (Ju, Losasso, Schaefer, Warren 2002): a vertex a cell that the surface passes through, a square a
    grid edge that it crosses.
    """
    count = int(np.ceil(2.0 * part.size / step)) + 2
    line = (np.arange(count) - count / 2.0) * step
    values = np.empty((count,) * 3, np.float32)
    plane = np.stack(np.meshgrid(line, line, indexing="ij"), -1).reshape(-1, 2)
    for i, x in enumerate(line):
        values[i] = part.at(np.column_stack([np.full(len(plane), x), plane]) @ turn.T)[0].reshape(count, count)
    inside = values < 0.0
    squares, cells, crossings = [], [], []
    for axis in range(3):
        low, high = np.take(inside, range(count - 1), axis), np.take(inside, range(1, count), axis)
        at = np.argwhere(low != high)
        end = at + np.eye(3, dtype=int)[axis]
        first, second = values[tuple(at.T)], values[tuple(end.T)]
        share = (first / (first - second)).astype(np.float64)
        crossing = line[at]
        crossing[:, axis] += share * step
        u, w = np.eye(3, dtype=int)[(axis + 1) % 3], np.eye(3, dtype=int)[(axis + 2) % 3]
        around = np.stack([at - u - w, at - w, at, at - u], axis=1)
        around[~inside[tuple(at.T)]] = around[~inside[tuple(at.T)]][:, ::-1]
        squares.append(around)
        cells.append(around.reshape(-1, 3))
        crossings.append(np.repeat(crossing @ turn.T, 4, axis=0))
    flat = np.concatenate(cells) @ [count * count, count, 1]
    _, index = np.unique(flat, return_inverse=True)
    v = _cell_vertices(part, np.concatenate(crossings), index.ravel(), step)
    return v, _halved(part, v, index.reshape(-1, 4))


def _cell_vertices(part: Part, crossings: NDArray, cell: NDArray, step: float) -> NDArray:
    """For each cell the middle of its crossings, moved onto the up to three walls that they are on."""
    size = np.bincount(cell)
    middle = np.stack([np.bincount(cell, crossings[:, k]) for k in range(3)], axis=1) / size[:, None]
    v = _onto(part, _onto(part, middle, step), step)
    pairs = np.unique(np.column_stack([cell, part.at(_onto(part, crossings, step))[1]]), axis=0)
    starts = np.searchsorted(pairs[:, 0], np.arange(len(size) + 1))
    for walls in (2, 3):
        mine = np.flatnonzero(np.diff(starts) == walls)
        if len(mine) == 0:
            continue
        numbers = np.stack([pairs[starts[mine] + k, 1] for k in range(walls)], axis=1)
        x = middle[mine]
        for _ in range(10):
            off, slopes = np.empty(numbers.shape), np.empty((*numbers.shape, 3))
            for number in np.unique(numbers):
                wall = part.walls[number if number >= 0 else -1 - number]
                for k in range(walls):
                    at = numbers[:, k] == number
                    off[at, k], slopes[at, k] = wall.value(x[at]), wall.normal(x[at])
            x = x - np.einsum("nij,nj->ni", np.linalg.pinv(slopes, rcond=0.05), off)
        good = (np.linalg.norm(x - middle[mine], axis=1) < 0.9 * step) & (np.abs(part.at(x)[0]) < 1e-6)
        v[mine[good]] = x[good]
    return _onto(part, v, step)


def _halved(part: Part, v: NDArray, squares: NDArray) -> NDArray:
    """Two triangles a square: of the two ways the one whose smaller triangle, seen from outside, is larger."""
    ways, least = [], []
    for first in (0, 1):
        turned = np.roll(squares, -first, axis=1)
        halves = np.stack([turned[:, [0, 1, 2]], turned[:, [0, 2, 3]]], axis=1)
        a, b, c = (v[halves[:, :, k]] for k in range(3))
        normals = part.normals(((a + b + c) / 3.0).reshape(-1, 3)).reshape(a.shape)
        ways.append(halves)
        least.append(np.einsum("nij,nij->ni", np.cross(b - a, c - a), normals).min(axis=1))
    best = np.where((least[0] >= least[1])[:, None, None], *ways)
    return best.reshape(-1, 3).astype(np.int32)


def _onto(part: Part, v: NDArray, step: float) -> NDArray:
    value, _ = part.at(v)
    move = -value[:, None] * part.normals(v)
    size = np.linalg.norm(move, axis=1)[:, None]
    return v + move * np.minimum(1.0, 0.5 * step / np.maximum(size, 1e-12))
