"""check.json: a rescan held against the plan, as a file that any program can read."""

from __future__ import annotations

from pipeline.formats.check_file.check_file import CheckFile, check_record, check_schema_text

__all__ = ["CheckFile", "check_record", "check_schema_text"]
