"""What is wrong with a scanned mesh, and how it is set right: welding, orientation, spikes, doubles, noise."""

from __future__ import annotations

from pipeline.mesh.repair.connected_components import crumbs, facets_by_piece, sides
from pipeline.mesh.repair.degenerate_facets import flat_facets, flip_flat
from pipeline.mesh.repair.denoise import denoised
from pipeline.mesh.repair.duplicate_layers import doubled
from pipeline.mesh.repair.fold_overs import folded_facets, unfold
from pipeline.mesh.repair.intersecting_facets import crossing
from pipeline.mesh.repair.manifold import one_fan_each, part
from pipeline.mesh.repair.orientation import inconsistent_edges, minority, turn
from pipeline.mesh.repair.spikes import folds, spikes
from pipeline.mesh.repair.weld import Welder, weld, weld_points

__all__ = [
    "Welder",
    "crossing",
    "crumbs",
    "denoised",
    "doubled",
    "facets_by_piece",
    "flat_facets",
    "flip_flat",
    "folded_facets",
    "folds",
    "inconsistent_edges",
    "minority",
    "one_fan_each",
    "part",
    "sides",
    "spikes",
    "turn",
    "unfold",
    "weld",
    "weld_points",
]
