"""fit.json: what was found of placed parts, as a file that any program can read."""

from __future__ import annotations

from pipeline.formats.fit_file.build import fit_record
from pipeline.formats.fit_file.clearance import clearance_record
from pipeline.formats.fit_file.cut import cut_record, wall_record
from pipeline.formats.fit_file.envelope import envelope_record
from pipeline.formats.fit_file.make import make_record
from pipeline.formats.fit_file.plain import rows
from pipeline.formats.fit_file.records import ExactCutRecord, FitFile, WallRecord
from pipeline.formats.fit_file.schema import fit_schema_text
from pipeline.formats.fit_file.travel import travel_record

__all__ = [
    "ExactCutRecord",
    "FitFile",
    "WallRecord",
    "clearance_record",
    "cut_record",
    "envelope_record",
    "fit_record",
    "fit_schema_text",
    "make_record",
    "rows",
    "travel_record",
    "wall_record",
]
