"""Solids bounded by triangle meshes: what two of them have in common, and what one leaves of the other."""

from __future__ import annotations

from pipeline.mesh.booleans.solids import Cutting, MeshSolid, mesh_solid, split, united

__all__ = ["Cutting", "MeshSolid", "mesh_solid", "split", "united"]
