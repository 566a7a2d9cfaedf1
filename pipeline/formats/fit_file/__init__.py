"""fit.json: what was found of placed parts, as a file that any program can read."""

from __future__ import annotations

from pipeline.formats.fit_file.build import fit_record
from pipeline.formats.fit_file.schema import fit_schema_text

__all__ = ["fit_record", "fit_schema_text"]
