"""Meshes whose density varies: vertices of an even scan taken away where fewer are wanted."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix


def thinned(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], wanted: NDArray[np.float64], seed: int = 1
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Collapse edges shorter than `wanted` (n,) mm at their ends; vertices that stay are not moved.

    Noise therefore stays what it was. Borders are kept, facets never turn over by more than 60 degrees.
    Returns vertices without those that are no longer used, and faces.
    """
    rng = np.random.default_rng(seed)
    for _ in range(60):
        gone = _collapsible(vertices, faces, wanted, rng)
        if np.count_nonzero(gone != np.arange(len(vertices))) < 1e-3 * len(vertices):
            break
        faces = gone[faces]
        faces = faces[(faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])]
    used = np.unique(faces)
    number = np.zeros(len(vertices), np.int32)
    number[used] = np.arange(len(used), dtype=np.int32)
    return vertices[used], number[faces]


def _collapsible(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], wanted: NDArray[np.float64], rng: np.random.Generator
) -> NDArray[np.int32]:
    """(n,) the vertex that each one goes to, itself where it stays; the pairs touch none of each other's rings."""
    n = len(vertices)
    pairs = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1).astype(np.int64)
    keys, counts = np.unique(pairs[:, 0] * n + pairs[:, 1], return_counts=True)
    a, b = keys // n, keys % n
    border = np.zeros(n, bool)
    border[a[counts != 2]] = border[b[counts != 2]] = True
    length = np.linalg.norm(vertices[a] - vertices[b], axis=1)
    short = (length < 0.75 * np.minimum(wanted[a], wanted[b])) & ~border[a] & ~border[b]
    price = np.where(short, length * rng.uniform(1.0, 1.3, len(a)), np.inf)
    at_vertex = np.full(n, np.inf)
    np.minimum.at(at_vertex, a, price)
    np.minimum.at(at_vertex, b, price)
    nearby = at_vertex.copy()
    np.minimum.at(nearby, a, at_vertex[b])
    np.minimum.at(nearby, b, at_vertex[a])
    chosen = short & (price == nearby[a]) & (price == nearby[b])
    a, b = a[chosen], b[chosen]
    ones = np.ones(len(keys), np.int8)
    ring = csr_matrix((ones, (keys // n, keys % n)), shape=(n, n))
    ring = (ring + ring.T).tocsr()
    sound = np.asarray(ring[a].multiply(ring[b]).sum(axis=1)).ravel() == 2
    goal = np.arange(n, dtype=np.int32)
    goal[b[sound]] = a[sound]
    turned = _turned(vertices, faces, goal)
    goal[turned] = turned
    return goal


def _turned(vertices: NDArray[np.float64], faces: NDArray[np.int32], goal: NDArray[np.int32]) -> NDArray[np.int64]:
    """Vertices that may not go where they would: a facet of theirs would turn over or become a needle."""
    moving = goal != np.arange(len(goal))
    touched = faces[moving[faces].any(axis=1)]
    after = goal[touched]
    stays = (after[:, 0] != after[:, 1]) & (after[:, 1] != after[:, 2]) & (after[:, 2] != after[:, 0])
    touched, after = touched[stays], after[stays]
    one, two = (
        np.cross(vertices[f[:, 1]] - vertices[f[:, 0]], vertices[f[:, 2]] - vertices[f[:, 0]]) for f in (touched, after)
    )
    size = np.linalg.norm(two, axis=1)
    longest = np.max([np.linalg.norm(vertices[after[:, k]] - vertices[after[:, k - 1]], axis=1) for k in range(3)], 0)
    bad = np.einsum("ij,ij->i", one, two) < 0.5 * np.linalg.norm(one, axis=1) * size
    bad |= size < 0.1 * longest**2
    corners = touched[bad].ravel()
    return np.unique(corners[moving[corners]])
