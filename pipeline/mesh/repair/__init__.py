"""What is wrong with a scanned mesh, and how it is set right: welding, orientation, spikes, duplicate layers, noise."""

from __future__ import annotations

from pipeline.mesh.repair.connected_components import facets_by_component, small_components
from pipeline.mesh.repair.degenerate_facets import flip_zero_area, zero_area_facets
from pipeline.mesh.repair.denoise import denoised
from pipeline.mesh.repair.duplicate_layers import duplicate_layer_facets
from pipeline.mesh.repair.fold_overs import fold_overs, folded_facets, unfold
from pipeline.mesh.repair.intersecting_facets import intersecting_facets
from pipeline.mesh.repair.manifold import neighbours_left, split_nonmanifold, split_singular_vertices
from pipeline.mesh.repair.orientation import (
    component_orientation,
    inconsistent_edges,
    inconsistent_facets,
    reversed_facets,
)
from pipeline.mesh.repair.spikes import spikes
from pipeline.mesh.repair.weld import Welder, weld, weld_points

__all__ = [
    "Welder",
    "component_orientation",
    "denoised",
    "duplicate_layer_facets",
    "facets_by_component",
    "flip_zero_area",
    "fold_overs",
    "folded_facets",
    "inconsistent_edges",
    "inconsistent_facets",
    "intersecting_facets",
    "neighbours_left",
    "reversed_facets",
    "small_components",
    "spikes",
    "split_nonmanifold",
    "split_singular_vertices",
    "unfold",
    "weld",
    "weld_points",
    "zero_area_facets",
]
