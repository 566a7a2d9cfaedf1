"""Duplicate layers, surface that was scanned twice: of two components that lie on each other the smaller is one."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Bytes, Floats, Ints, Mask, box_of
from pipeline.jit import njit
from pipeline.mesh.topology import edge_lengths, facet_normals, vertex_normals

_CELLS = 128
_LOOKED_AT = 8


@njit(cache=True)
def _mark(v: Floats, f: Ints, labels: Ints, origin: Floats, size: float, cells: Bytes) -> None:
    for i in range(f.shape[0]):
        if labels[i] == 0:
            continue
        for k in range(3):
            p = f[i, k]
            cells[
                int((v[p, 0] - origin[0]) / size),
                int((v[p, 1] - origin[1]) / size),
                int((v[p, 2] - origin[2]) / size),
            ] = 1


@njit(cache=True)
def _touched(v: Floats, f: Ints, origin: Floats, size: float, cells: Bytes) -> Mask:
    out = np.zeros(f.shape[0], dtype=np.bool_)
    for i in range(f.shape[0]):
        for k in range(3):
            p = f[i, k]
            x = int((v[p, 0] - origin[0]) / size)
            y = int((v[p, 1] - origin[1]) / size)
            z = int((v[p, 2] - origin[2]) / size)
            if cells[x, y, z]:
                out[i] = True
    return out


def _near_other_components(v: Floats, f: Ints, labels: Ints) -> Mask:
    """Facets in and round the coarse cells that hold anything but the largest component."""
    from scipy.ndimage import binary_dilation

    low, high = box_of(v)
    size = float((high - low).max()) / _CELLS
    cells = np.zeros(tuple(((high - low) / size).astype(int) + 3), dtype=np.uint8)
    _mark(v, f, labels, low - size, size, cells)
    return _touched(v, f, low - size, size, binary_dilation(cells, np.ones((3, 3, 3))).astype(np.uint8))


def duplicate_layer_facets(v: Floats, f: Ints, labels: Ints, sigma: float) -> Mask:
    """(m,) facets of a component over which, within the noise or half an edge, lies a larger one facing the same way.

    v, f    vertices (n, 3) mm and faces (m, 3)
    labels  (m,) number of each facet's connected component, the largest first
    sigma   mm, the noise

    No solid has two surfaces facing the same way that near to each other. Components of which under a fifth is
    covered touch by chance and are left alone.

    >>> square = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [0.0, 1.0, 0.0]])
    >>> v, f = np.vstack([10 * square, 5 * square + [0.0, 0.0, 0.01]]), np.array([[0, 1, 2], [0, 2, 3]], np.int32)
    >>> duplicate_layer_facets(v, np.vstack([f, f + np.int32(4)]), np.array([0, 0, 1, 1], np.int32), 0.01).tolist()
    [False, False, True, True]
    """
    found = np.zeros(len(f), dtype=bool)
    if labels.max() == 0:
        return found
    from scipy.spatial import cKDTree

    near = np.flatnonzero(_near_other_components(v, f, labels))
    used, inverse = np.unique(f[near], return_inverse=True)
    corners: Ints = np.empty((len(near), 3), dtype=np.int32)
    corners[:] = inverse.reshape(-1, 3)
    points = v[used]
    component = np.zeros(len(used), dtype=np.int32)
    component[corners] = labels[near][:, None]
    normals = vertex_normals(points, corners)
    reach = np.zeros(len(used))
    np.maximum.at(reach, corners, edge_lengths(points, corners).max(axis=1)[:, None])

    asking = np.flatnonzero(labels[near] > 0)
    centres = points[corners[asking]].mean(axis=1)
    own = labels[near][asking]
    facing = facet_normals(points, corners[asking])
    distance, nearest = cKDTree(points).query(centres, k=min(_LOOKED_AT, len(points)), workers=-1)
    covered = np.zeros(len(asking), dtype=bool)
    for distances, hits in zip(np.atleast_2d(distance.T), np.atleast_2d(nearest.T), strict=True):
        offset = np.abs(np.einsum("ij,ij->i", centres - points[hits], normals[hits]))
        covered |= (
            (component[hits] < own)
            & (distances < reach[hits] + offset)
            & (offset < np.maximum(10 * sigma, 0.5 * reach[hits]))
            & (np.einsum("ij,ij->i", facing, normals[hits]) > 0.7)
        )
    share = np.bincount(own, weights=covered) / np.maximum(np.bincount(own), 1)
    found[near[asking]] = covered & (share[own] > 0.2)
    return found
