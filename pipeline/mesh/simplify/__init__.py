"""Edge collapse by quadrics (Garland and Heckbert 1997), vertices bound to surfaces, reversible in its last stretch."""

from __future__ import annotations

from pipeline.mesh.simplify.collapse_mesh import CollapseMesh
from pipeline.mesh.simplify.edge_collapse import exhaust, finish_collapse, start_collapse, sweep_down
from pipeline.mesh.simplify.reversible_collapse import HeldPoints, ReversibleCollapse
from pipeline.mesh.simplify.slivers import least_height, take_out_slivers
from pipeline.mesh.simplify.streaming import Streaming
from pipeline.mesh.simplify.touching import move_apart

__all__ = [
    "CollapseMesh",
    "HeldPoints",
    "ReversibleCollapse",
    "Streaming",
    "exhaust",
    "finish_collapse",
    "least_height",
    "move_apart",
    "start_collapse",
    "sweep_down",
    "take_out_slivers",
]
