"""The datum file for people: features.csv, relations.csv and summary.md."""

from __future__ import annotations

from pipeline.formats.tables.csv_tables import features_csv, relations_csv
from pipeline.formats.tables.safety import SAFETY, holds
from pipeline.formats.tables.summary import summary_md

__all__ = ["SAFETY", "features_csv", "holds", "relations_csv", "summary_md"]
