"""batch.json: many scans run with one job and the spread of their features, as a file that any program reads."""

from __future__ import annotations

from pipeline.formats.batch_file.build import Lifted, batch_record, batch_schema_text, failed, lifted
from pipeline.formats.batch_file.records import HELD, BatchFile, PartRecord, SpreadRecord

__all__ = [
    "HELD",
    "BatchFile",
    "Lifted",
    "PartRecord",
    "SpreadRecord",
    "batch_record",
    "batch_schema_text",
    "failed",
    "lifted",
]
