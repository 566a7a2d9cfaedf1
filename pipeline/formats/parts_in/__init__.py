"""Parts of a layout in: the folder of a run, a mesh or STEP file, or figures that a part is turned from."""

from __future__ import annotations

from pipeline.formats.parts_in.part import read_part

__all__ = ["read_part"]
