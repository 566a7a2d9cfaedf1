"""The record of one run, as `run --json` prints it: the datum file's own records, and what the run took."""

from __future__ import annotations

from pydantic import Field

from pipeline.formats.datum_file.records.audits import BudgetRecord
from pipeline.formats.datum_file.records.base import Count, LeftOut, NotNegative, Record
from pipeline.formats.datum_file.records.features import FeatureRecord, FrameRecord, SourceRecord
from pipeline.formats.datum_file.records.file import CaliperRecord, GapRecord


class StageRecord(Record):
    """What one stage took."""

    name: str = Field(description="read, clean, recover, fill, frame, lighten, audit or export.")
    seconds: NotNegative = Field(description="0 where its result was reused.")
    peak_mb: NotNegative | None = Field(
        description="MB (10^6 bytes) of memory at the highest; null where it was reused or the system doesn't tell."
    )
    reused: bool = Field(description="Whether an earlier run had left its result.")


class RunRecord(Record):
    """What a run found and took. Units and coordinates are those of datums.json, in the same folder, which has more."""

    schema_version: str = Field(pattern=r"^1\.[0-9]+$", description="Of the records, as in datums.json.")
    out: str = Field(description="The output folder.")
    within_budget: LeftOut[bool] = Field(None, description="Whether all promises held; left out where there was none.")
    budget: tuple[BudgetRecord, ...] = Field(description="The promises of the job.")
    calipers: tuple[CaliperRecord, ...] = Field(description="Sizes measured on the part against the scan's.")
    source: SourceRecord = Field(description="The scan.")
    facets_before: Count = Field(description="Of the scan.")
    facets_after: Count = Field(description="Of the light mesh.")
    frame: FrameRecord = Field(description="The datum reference frame; its datums are in frame.datums.")
    features: tuple[FeatureRecord, ...] = Field(description="The recovered surfaces.")
    gaps: tuple[GapRecord, ...] = Field(description="Boundary loops of the scan and what was done with them.")
    cautions: tuple[str, ...] = Field(description="What is not to be relied on, in sentences.")
    stages: tuple[StageRecord, ...] = Field(description="In their order.")
