"""Distances by VCGlib (pymeshlab): another library than the one inside the product."""

from __future__ import annotations

import numpy as np
import pymeshlab


def distances_to(points: np.ndarray, vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """Unsigned distance (n,) of points (n, 3) to a mesh."""
    meshes = pymeshlab.MeshSet()
    meshes.add_mesh(pymeshlab.Mesh(np.asarray(vertices, float), np.asarray(faces)))
    meshes.add_mesh(pymeshlab.Mesh(np.asarray(points, float)))
    meshes.compute_scalar_by_distance_from_another_mesh_per_vertex(
        measuremesh=1, refmesh=0, signeddist=False, maxdist=pymeshlab.PercentageValue(100.0)
    )
    return np.asarray(meshes.mesh(1).vertex_scalar_array())
