"""The value types that every room knows: surfaces, features, gaps, datum systems, audits, the result of each stage.

Lengths are mm, angles radians, directions unit vectors. All points are in scan coordinates (after the unit conversion
of the read stage) unless a name says otherwise.
"""

from __future__ import annotations

from pipeline.values.audit import (
    Alignment,
    Audit,
    BudgetLine,
    Deviation,
    FeatureAudit,
    SecondOpinion,
    SharpEdges,
    Soundness,
)
from pipeline.values.datums import Datum, Frame, InPart, SizeSuggestion, SquareUp
from pipeline.values.features import (
    Carried,
    Extent,
    Feature,
    Form,
    NoiseModel,
    Pattern,
    Rejected,
    Relation,
    Source,
    Uncertainty,
)
from pipeline.values.gaps import Gap, Proposal, Removal
from pipeline.values.joined import Bend, SetUpJoin, SharedBall, SharedFeature
from pipeline.values.names import NameBook, NumberedFeature, NumberedGap
from pipeline.values.results import (
    SEAM,
    AuditResult,
    CleanResult,
    ExportResult,
    FillResult,
    FrameResult,
    JoinResult,
    LightenResult,
    Outcome,
    ReadResult,
    RecoverResult,
    SizeCheck,
    Taken,
    ToMeasure,
)
from pipeline.values.sketches import Flange, Hole, HolePattern, Outline, Segment, Thickness
from pipeline.values.surface import FILLED, MEASURED, ORIGIN_NAMES, SNAPPED, Surface

__all__ = [
    "FILLED",
    "MEASURED",
    "ORIGIN_NAMES",
    "SEAM",
    "SNAPPED",
    "Alignment",
    "Audit",
    "AuditResult",
    "Bend",
    "BudgetLine",
    "Carried",
    "CleanResult",
    "Datum",
    "Deviation",
    "ExportResult",
    "Extent",
    "Feature",
    "FeatureAudit",
    "FillResult",
    "Flange",
    "Form",
    "Frame",
    "FrameResult",
    "Gap",
    "Hole",
    "HolePattern",
    "InPart",
    "JoinResult",
    "LightenResult",
    "NameBook",
    "NoiseModel",
    "NumberedFeature",
    "NumberedGap",
    "Outcome",
    "Outline",
    "Pattern",
    "Proposal",
    "ReadResult",
    "RecoverResult",
    "Rejected",
    "Relation",
    "Removal",
    "SecondOpinion",
    "Segment",
    "SetUpJoin",
    "SharedBall",
    "SharedFeature",
    "SharpEdges",
    "SizeCheck",
    "SizeSuggestion",
    "Soundness",
    "Source",
    "SquareUp",
    "Surface",
    "Taken",
    "Thickness",
    "ToMeasure",
    "Uncertainty",
]
