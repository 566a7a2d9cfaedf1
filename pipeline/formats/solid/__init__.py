"""part.step: a closed solid whose recovered faces are exact and whose skin is coarse."""

from __future__ import annotations

from pipeline.formats.solid.part import PartReport, make_part

__all__ = ["PartReport", "make_part"]
