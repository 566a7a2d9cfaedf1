"""Parts of a layout in: the folder of a run, a mesh or STEP file, or figures of a turned part or of a plate."""

from __future__ import annotations

from pipeline.formats.parts_in.assembly import placed_parts
from pipeline.formats.parts_in.run_folder import body_of_run, read_run

__all__ = ["body_of_run", "placed_parts", "read_run"]
