"""A box without a feature, exactly meshed, as a scan of some noise."""

from __future__ import annotations

import numpy as np
import trimesh

from pipeline.features.joining import Scene, SetUp
from pipeline.values import NoiseModel, Surface


def bare_box() -> SetUp:
    box = trimesh.creation.box((60.0, 40.0, 20.0))
    vertices, faces = trimesh.remesh.subdivide_to_size(box.vertices, box.faces, 3.0)
    surface = Surface.measured(vertices, faces)
    noise = NoiseModel(0.004, 0.004, np.array([[0.004, 0.0]]), "made")
    return SetUp(surface, np.full(surface.facets, -1, np.int32), (), Scene(()), noise)
