"""The datum file for people: features.csv, relations.csv and summary.md."""

from __future__ import annotations

from pipeline.formats.tables.csv_tables import features_csv, relations_csv
from pipeline.formats.tables.safety import HOLDS, SAFETY
from pipeline.formats.tables.summary import summary_md

__all__ = ["HOLDS", "SAFETY", "features_csv", "relations_csv", "summary_md"]
