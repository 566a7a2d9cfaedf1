"""A rescan after the cuts were made in metal, held against the plan."""

from __future__ import annotations

from pipeline.fitup.rescan.against_plan import AgainstPlan, HeldFace, MovedFeature, against_plan

__all__ = ["AgainstPlan", "HeldFace", "MovedFeature", "against_plan"]
