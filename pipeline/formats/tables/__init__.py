"""The datum file for people: features.csv, relations.csv and summary.md; tables of a batch."""

from __future__ import annotations

from pipeline.formats.tables.batch_tables import parts_csv, spread_csv
from pipeline.formats.tables.csv_tables import features_csv, relations_csv
from pipeline.formats.tables.safety import SAFETY, holds
from pipeline.formats.tables.summary import summary_md

__all__ = ["SAFETY", "features_csv", "holds", "parts_csv", "relations_csv", "spread_csv", "summary_md"]
