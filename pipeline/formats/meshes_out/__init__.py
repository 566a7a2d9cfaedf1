"""Mesh files out: STL, PLY with labels, OBJ, 3MF and glTF binary."""

from __future__ import annotations

from pipeline.formats.meshes_out.writers import (
    ORIGIN_COMMENT,
    UNIT_COMMENTS,
    write_3mf,
    write_glb,
    write_obj,
    write_parts_3mf,
    write_parts_glb,
    write_ply,
    write_stl,
)

__all__ = [
    "ORIGIN_COMMENT",
    "UNIT_COMMENTS",
    "write_3mf",
    "write_glb",
    "write_obj",
    "write_parts_3mf",
    "write_parts_glb",
    "write_ply",
    "write_stl",
]
