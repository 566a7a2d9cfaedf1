"""Questions to a mesh: distance, points on facets, facet deviation, self-intersection, visibility, lines of sight."""

from __future__ import annotations

from pipeline.mesh.query.distance import Scene
from pipeline.mesh.query.facet_deviation import DenseMesh, LightFacets, farthest_on_facets
from pipeline.mesh.query.facet_points import (
    grid_points,
    nearest_on,
    nearest_on_facet,
    nearest_on_facets,
    point_at,
    spread_points,
    square_distance,
)
from pipeline.mesh.query.facet_tree import (
    FacetTree,
    Meant,
    NearestFacets,
    crossing_facets,
    facet_tree,
    nearest_facets,
)
from pipeline.mesh.query.plane_section import plane_section
from pipeline.mesh.query.self_intersections import self_intersections, vertices_near_new
from pipeline.mesh.query.sight_lines import SightLines
from pipeline.mesh.query.visibility_grid import VisibilityGrid

__all__ = [
    "DenseMesh",
    "FacetTree",
    "LightFacets",
    "Meant",
    "NearestFacets",
    "Scene",
    "SightLines",
    "VisibilityGrid",
    "crossing_facets",
    "facet_tree",
    "farthest_on_facets",
    "grid_points",
    "nearest_facets",
    "nearest_on",
    "nearest_on_facet",
    "nearest_on_facets",
    "plane_section",
    "point_at",
    "self_intersections",
    "spread_points",
    "square_distance",
    "vertices_near_new",
]
