"""Questions to a mesh: distance, points on facets, facet deviation, self-intersection, visibility, lines of sight."""

from __future__ import annotations

from pipeline.mesh.query.distance import Scene
from pipeline.mesh.query.facet_deviation import DenseMesh, LightFacets, farthest_on_facets, hinges_of
from pipeline.mesh.query.facet_distance import Meant, NearestFacets, crossing_facets, nearest_facets
from pipeline.mesh.query.facet_pairs import nearest_of_pair
from pipeline.mesh.query.facet_points import (
    grid_points,
    nearest_on,
    nearest_on_facet,
    nearest_on_facets,
    point_at,
    spread_points,
    square_distance,
)
from pipeline.mesh.query.facet_travel import Contact, clear_from, first_contact
from pipeline.mesh.query.facet_tree import FacetTree, facet_tree
from pipeline.mesh.query.facet_turn import TurnTree, first_contact_turning, turn_tree, turned_over
from pipeline.mesh.query.plane_section import plane_section
from pipeline.mesh.query.self_intersections import self_intersections, vertices_near_new
from pipeline.mesh.query.sight_lines import SightLines
from pipeline.mesh.query.visibility_grid import VisibilityGrid

__all__ = [
    "Contact",
    "DenseMesh",
    "FacetTree",
    "LightFacets",
    "Meant",
    "NearestFacets",
    "Scene",
    "SightLines",
    "TurnTree",
    "VisibilityGrid",
    "clear_from",
    "crossing_facets",
    "facet_tree",
    "farthest_on_facets",
    "first_contact",
    "first_contact_turning",
    "grid_points",
    "hinges_of",
    "nearest_facets",
    "nearest_of_pair",
    "nearest_on",
    "nearest_on_facet",
    "nearest_on_facets",
    "plane_section",
    "point_at",
    "self_intersections",
    "spread_points",
    "square_distance",
    "turn_tree",
    "turned_over",
    "vertices_near_new",
]
