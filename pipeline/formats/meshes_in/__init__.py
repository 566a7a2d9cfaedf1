"""Scans in: meshes (STL, PLY, OBJ, OFF, 3MF, glTF) and points (PLY, text, E57), each read by a file of its own behind
one function."""

from __future__ import annotations

from pipeline.formats.meshes_in.light import read_light
from pipeline.formats.meshes_in.reader import FORMS, MeshFile, form_of, read_mesh

__all__ = ["FORMS", "MeshFile", "form_of", "read_light", "read_mesh"]
