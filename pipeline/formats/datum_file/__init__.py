"""datums.json: what a run found, as a file that any program can read.

`build` makes it of a run's outcome, `text_of` its text, `schema_text` the JSON Schema that it fulfils, and
`read_datums` reads it again; `run_record` is what a run prints and `comparison_record` the audit of two meshes, in
the same words. `records` has the types of what stands in it.
"""

from __future__ import annotations

from pipeline.formats.datum_file.audit_parts import comparison_record
from pipeline.formats.datum_file.build import build
from pipeline.formats.datum_file.job_places import last_run
from pipeline.formats.datum_file.read import read_datums
from pipeline.formats.datum_file.records import (
    CaliperRecord,
    DatumFile,
    FaceShare,
    FallenFeature,
    FeatureRecord,
    FlangeRecord,
    GapRecord,
    HolePatternRecord,
    HoleRecord,
    OutlineRecord,
    PatternRecord,
    ProposalRecord,
    Record,
    SolidRecord,
    near_sizes,
    nine_figures,
)
from pipeline.formats.datum_file.run_parts import run_record
from pipeline.formats.datum_file.schema import SCHEMAS, schema_of, schema_text
from pipeline.formats.datum_file.text import lengths_in, plain_data, text_of

__all__ = [
    "SCHEMAS",
    "CaliperRecord",
    "DatumFile",
    "FaceShare",
    "FallenFeature",
    "FeatureRecord",
    "FlangeRecord",
    "GapRecord",
    "HolePatternRecord",
    "HoleRecord",
    "OutlineRecord",
    "PatternRecord",
    "ProposalRecord",
    "Record",
    "SolidRecord",
    "build",
    "comparison_record",
    "last_run",
    "lengths_in",
    "near_sizes",
    "nine_figures",
    "plain_data",
    "read_datums",
    "run_record",
    "schema_of",
    "schema_text",
    "text_of",
]
