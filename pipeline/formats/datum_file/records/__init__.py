"""What stands in the datum file, as frozen pydantic models: millimetres, degrees, null where there is no figure.

The file's text, its JSON Schema and its reader are all made from them. `base` holds what all records share, `kinds`
what the file holds of each kind of surface, `file` the file itself.
"""

from __future__ import annotations

from pipeline.formats.datum_file.records.audits import (
    AuditRecord,
    BothWays,
    BudgetRecord,
    ComparedFeature,
    ComparisonRecord,
    DeviationRecord,
    FeatureAuditRecord,
    FitChange,
    PeakPlace,
)
from pipeline.formats.datum_file.records.base import Matrix, Place, Record, Vector
from pipeline.formats.datum_file.records.features import (
    DatumRecord,
    ExtentRecord,
    FeatureRecord,
    FormRecord,
    FrameRecord,
    FrameUncertainty,
    PatternPlace,
    PatternRecord,
    PlaceRecord,
    PlaceUncertainty,
    RelationRecord,
    SituationRecord,
    SourceRecord,
    UncertaintyRecord,
)
from pipeline.formats.datum_file.records.file import (
    SCHEMA_VERSION,
    CaliperRecord,
    DatumFile,
    GapRecord,
    MadeBy,
    ProposalRecord,
    RejectedRecord,
    RemovalRecord,
    SquareUpRecord,
    SuggestionRecord,
    Units,
)
from pipeline.formats.datum_file.records.flanges import (
    FlangeRecord,
    HolePatternRecord,
    HoleRecord,
    OutlineRecord,
    SegmentRecord,
)
from pipeline.formats.datum_file.records.kinds import held_of
from pipeline.formats.datum_file.records.solid import FaceShare, FallenFeature, SolidRecord

__all__ = [
    "SCHEMA_VERSION",
    "AuditRecord",
    "BothWays",
    "BudgetRecord",
    "CaliperRecord",
    "ComparedFeature",
    "ComparisonRecord",
    "DatumFile",
    "DatumRecord",
    "DeviationRecord",
    "ExtentRecord",
    "FaceShare",
    "FallenFeature",
    "FeatureAuditRecord",
    "FeatureRecord",
    "FitChange",
    "FlangeRecord",
    "FormRecord",
    "FrameRecord",
    "FrameUncertainty",
    "GapRecord",
    "HolePatternRecord",
    "HoleRecord",
    "MadeBy",
    "Matrix",
    "OutlineRecord",
    "PatternPlace",
    "PatternRecord",
    "PeakPlace",
    "Place",
    "PlaceRecord",
    "PlaceUncertainty",
    "ProposalRecord",
    "Record",
    "RejectedRecord",
    "RelationRecord",
    "RemovalRecord",
    "SegmentRecord",
    "SituationRecord",
    "SolidRecord",
    "SourceRecord",
    "SquareUpRecord",
    "SuggestionRecord",
    "UncertaintyRecord",
    "Units",
    "Vector",
    "held_of",
]
