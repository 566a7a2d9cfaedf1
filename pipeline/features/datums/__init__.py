"""Datum systems (ISO 5459): designation, situation features, proposals, orientation deviations (ISO 1101)."""

from __future__ import annotations

from pipeline.features.datums.datum_system import Datums, in_part, motion_between, reach_of, situations
from pipeline.features.datums.designation import Choice, choose
from pipeline.features.datums.exactness import exactness
from pipeline.features.datums.proposals import DatumProposal, complete, proposals, reason

__all__ = [
    "Choice",
    "DatumProposal",
    "Datums",
    "choose",
    "complete",
    "exactness",
    "in_part",
    "motion_between",
    "proposals",
    "reach_of",
    "reason",
    "situations",
]
