"""Records of batch.json: millimetres and degrees, places in each part's own frame."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pipeline.formats.datum_file import Record

SCHEMA_VERSION = "1.0"
Verdict = Literal["held", "not held", "unusable", "out of memory", "fault"]
HELD: tuple[Verdict, ...] = ("held", "not held")
"""The verdicts of parts that have figures."""


class PromiseRecord(Record):
    """A promise of the job, or a size that it has, and whether it held."""

    what: str = Field(description="What was promised.")
    value: float | None = Field(description="In `unit`; null where there is no such figure.")
    limit: float = Field(description="In `unit`.")
    unit: str = Field(description="mm or deg.")
    held: bool = Field(description="Whether the value is within the limit.")


class PartRecord(Record):
    """One scan and what came of it; figures are null where nothing did."""

    scan: str = Field(description="The scan's file, as the list or the folder has it.")
    sha256: str | None = Field(description="SHA-256 of its file, hexadecimal.")
    folder: str = Field(description="Its own output folder, in the batch's.")
    verdict: Verdict = Field(
        description="held: within budget, or none was set; not held: done, but not within budget; the others have no "
        "figures, and `why` says why."
    )
    why: str = Field(description="In a sentence, where it isn't held.")
    facets: int | None = Field(description="Of the scan.")
    size: tuple[float, float, float] | None = Field(description="Of its box along the scan's own axes.")
    noise: float | None = Field(description="Standard deviation of the scan's noise along the normal; null: none seen.")
    light_facets: int | None = Field(description="Of the light mesh.")
    datums: dict[str, str] = Field(description="Letter to feature.")
    complete: bool | None = Field(description="Whether all of the part frame was measured.")
    budget: tuple[PromiseRecord, ...] = Field(description="The promises of the job.")
    features: int | None = Field(description="Recovered, of good confidence.")
    unsure: int | None = Field(description="Recovered, of low confidence.")
    cautions: int | None = Field(description="How many its summary.md has.")


class SpreadRecord(Record):
    """One figure of one feature over all parts that show it."""

    feature: str = Field(description="Its number, the same in all parts.")
    name: str | None = Field(description="The user's name for it.")
    term: str = Field(description="What a shop calls it.")
    figure: str = Field(
        description="diameter, half angle; place along x, y or z: of a face where it crosses the line along that axis "
        "through the middle of the first part's face, of an axis where it crosses the plane square to the first "
        "part's through its middle, else of the centre; lean towards x, y or z: of its direction."
    )
    unit: Literal["mm", "deg"] = Field(description="Of all figures here.")
    values: tuple[float | None, ...] = Field(
        description="Of each of `parts`; null where the part shows no such feature of good confidence, or its frame "
        "stands on other datums."
    )
    count: int = Field(description="How many there are.")
    mean: float = Field(description="Of them.")
    sigma: float | None = Field(description="Their standard deviation; null for one alone.")
    least: float = Field(description="The smallest.")
    largest: float = Field(description="The largest.")
    measured_within: float | None = Field(
        description="Root mean square of their standard uncertainties: what measuring alone makes of sigma. The "
        "scanner's own scale is left out of a diameter's: it is one error for all. Null: not known."
    )
    p_apart: float | None = Field(
        description="How often measuring alone makes parts that are the same spread this much, as it counts among all "
        "figures here (Holm 1979). Null: not known."
    )
    apart: bool | None = Field(description="Whether the parts differ: p_apart is at most `level`.")
    trend: float | None = Field(description="By least squares, a part, in the parts' order; null for fewer than four.")
    trend_within: float | None = Field(description="Its standard uncertainty, from what is left about the line.")
    p_trend: float | None = Field(description="As p_apart, of a trend this steep where there is none.")
    drifts: bool | None = Field(description="Whether there is a trend: p_trend is at most `level`.")


class BatchFile(Record):
    """All of batch.json."""

    schema_version: str = Field(pattern=r"^1\.[0-9]+$", description="Of this shape; 1.x only adds keys.")
    job: str = Field(description="Name of the job file.")
    numbers_from: str | None = Field(
        description="SHA-256 of the scan whose numbers the features have; null where none went through."
    )
    level: float = Field(description="The chance that anything of parts that are all the same stands out falsely.")
    parts: tuple[PartRecord, ...] = Field(description="In the order of the list, or of the files' names.")
    spread: tuple[SpreadRecord, ...] = Field(description="Of the features that have a number in common.")
    cautions: tuple[str, ...] = Field(description="What is not to be relied on, in sentences.")
    held: bool = Field(description="Whether all parts are held.")
