"""A block with one milled face and cast sides, drafted and warped as wanted; its scan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from sample_meshes import solid
from sample_meshes.design import X, Y, Z, _Table
from sample_meshes.make_scan import Noise, noise_along_normal
from sample_meshes.meshing import mesh

HALF = (45.0, 30.0, 20.0)
TOP = 18.0
BORE = 12.0


@dataclass(frozen=True)
class BlockScan:
    """vertices (n, 3) mm, faces (m, 3); the block lies as it was drawn, its milled face up."""

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]


def block_scan(bow: float, texture: float, draft: float, edge: float, noise: Noise, seed: int = 1) -> BlockScan:
    """A scan of the block: 90 x 60 mm, milled top with a blind bore, sides drafted by `draft` deg.

    bow      mm by which the long sides and the bottom bend away over their 90 mm
    texture  mm, amplitude of each of seven waves of 8-14 mm on all cast faces
    """
    table = _Table(0.35)
    table.cast_box(np.zeros(3), np.array([X, -Y, -Z]), HALF, draft, 3.0, 3.0)
    table.cut_plane("top", TOP * Z, Z)
    table.cut_round("bore", TOP * Z, -Z, BORE, 15.0, bottom="bottom", before=10.0)
    rng = np.random.default_rng(seed)
    ways = rng.normal(size=(7, 3))
    ways *= (2.0 * np.pi / rng.uniform(8.0, 14.0, 7) / np.linalg.norm(ways, axis=1))[:, None]
    skin = np.column_stack([ways, rng.uniform(0.0, 2.0 * np.pi, 7), np.full(7, texture)])
    warp = [np.pi / (2.0 * HALF[0]), 0.0, 0.0, np.pi / 2.0, bow]
    body = solid.Solid(np.array(table.rows), np.vstack([skin, warp]), np.zeros((0, 5)), 0.0)
    size = np.array(HALF) + 6.0
    turn = Rotation.from_rotvec([0.3, 0.2, 0.5]).as_matrix()
    vertices, faces = mesh(body, -size, size, 1.05 * edge, turn)
    normals = body.normals(vertices, rounded=True)
    along = noise_along_normal(vertices, noise, np.random.default_rng([seed, 3]))
    return BlockScan(vertices + along[:, None] * normals, faces.astype(np.int32))
