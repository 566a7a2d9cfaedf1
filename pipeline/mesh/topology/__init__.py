"""Who neighbours whom on a triangle mesh, its rims, connected components, measures, defects, and its order."""

from __future__ import annotations

from pipeline.mesh.topology.adjacency import (
    FEW,
    NONMANIFOLD,
    ascending,
    corner_counts,
    corners_by_label,
    edge_in,
    facet_neighbours,
    facets_at,
    neighbours_without,
    undirected_edges,
    vertex_facets,
    vertex_labels,
    vertex_ring,
)
from pipeline.mesh.topology.boundaries import border_edges, boundary_loops
from pipeline.mesh.topology.components import compact, components, rows_left, values_left
from pipeline.mesh.topology.defects import degenerate_facets, duplicate_facets
from pipeline.mesh.topology.measures import (
    edge_lengths,
    facet_area,
    facet_areas,
    facet_normals,
    mean_edge,
    median_edge,
    vertex_normals,
)
from pipeline.mesh.topology.morton_order import in_morton_order, morton_order
from pipeline.mesh.topology.pinched_loops import cut_at_pinches

__all__ = [
    "FEW",
    "NONMANIFOLD",
    "ascending",
    "border_edges",
    "boundary_loops",
    "compact",
    "components",
    "corner_counts",
    "corners_by_label",
    "cut_at_pinches",
    "degenerate_facets",
    "duplicate_facets",
    "edge_in",
    "edge_lengths",
    "facet_area",
    "facet_areas",
    "facet_neighbours",
    "facet_normals",
    "facets_at",
    "in_morton_order",
    "mean_edge",
    "median_edge",
    "morton_order",
    "neighbours_without",
    "rows_left",
    "undirected_edges",
    "values_left",
    "vertex_facets",
    "vertex_labels",
    "vertex_normals",
    "vertex_ring",
]
