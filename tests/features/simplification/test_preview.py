"""A light mesh too large to show, thinned for the picture."""

from __future__ import annotations

import numpy as np

from pipeline.features.simplification.preview import preview
from pipeline.surfaces.shape import shape_of
from pipeline.values.surface import Surface
from tests.outcomes import features, part_mesh


def test_a_large_light_mesh_is_thinned_for_the_view_and_keeps_its_features() -> None:
    vertices, faces, labels = part_mesh()
    off = np.linspace(0, 1, len(vertices)).astype(np.float32)
    found = features(np.eye(4))
    whole = preview(Surface.measured(vertices, faces), labels, off, found)
    assert whole.surface.faces is not None
    assert len(whole.deviation) == len(vertices)
    small = preview(Surface.measured(vertices, faces), labels, off, found, most=2000)
    assert small.surface.facets <= 2200
    assert len(small.labels) == small.surface.facets
    assert set(np.unique(small.labels)) >= {0, 1, 6}
    on_bore = np.unique(small.surface.faces[small.labels == 6])
    radii = np.hypot(*small.surface.vertices[on_bore, :2].T)
    assert np.abs(radii - shape_of(found[6]).radius).max() < 1e-3
    assert np.isin(small.deviation, off).all()
