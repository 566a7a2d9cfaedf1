"""The datum file itself, and the records of its shorter lists."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, PlainSerializer, WithJsonSchema

from pipeline.formats.datum_file.records.audits import AuditRecord
from pipeline.formats.datum_file.records.base import (
    Chance,
    Count,
    Direction,
    Doubt,
    LeftOut,
    Matrix,
    NotNegative,
    Positive,
    Record,
    Vector,
)
from pipeline.formats.datum_file.records.features import (
    FeatureRecord,
    FrameRecord,
    PatternRecord,
    PointRecord,
    RelationRecord,
    SourceRecord,
)
from pipeline.formats.datum_file.records.flanges import FlangeRecord
from pipeline.formats.datum_file.records.set_ups import SetUpRecord
from pipeline.formats.datum_file.records.solid import SolidRecord
from pipeline.job import Accept, Zone, accept_text, measured_text, zone_of, zone_text
from pipeline.places import Place

SCHEMA_VERSION = "1.0"
"""Of the files that are written; the first number moves when a reader would break."""


def _as_zone(value: Any) -> Any:
    return zone_of(value) if isinstance(value, str) else value


ZoneField = Annotated[
    Zone, BeforeValidator(_as_zone), PlainSerializer(zone_text, return_type=str), WithJsonSchema({"type": "string"})
]


class MadeBy(Record):
    """What wrote the file."""

    program: str = Field(description="Name of the program.")
    version: str = Field(description="Version of the program.")
    libraries: dict[str, str] = Field(default_factory=dict, description="Versions of the libraries it computed with.")


class Units(Record):
    """The units of all figures that don't have a unit beside them."""

    length: Literal["mm"] = Field(description="Of lengths; areas are in its square.")
    angle: Literal["deg"] = Field(description="Of angles.")


class SuggestionRecord(Record):
    """A standard size near a measured one."""

    feature: str = Field(description="Id of the measured feature.")
    what: str = Field(description="clearance hole, tapping hole, drill, bearing seat, worn bearing seat ...")
    name: str = Field(description="The size as its table writes it.")
    size: float = Field(description="The standard size.")
    off: float = Field(description="Measured minus standard.")
    sigmas: Doubt | None = Field(
        None,
        description="|off| in standard uncertainties, that of making it included where a way of making it is meant.",
    )
    source: str = Field("", description="The table.")
    note: str = Field("", description="What else is to be said of it.")


class SquareUpRecord(Record):
    """How far a feature is from parallel, square or coaxial to a datum."""

    feature: str = Field(description="Id of the feature.")
    datum: str = Field(description="Letter of the datum.")
    kind: str = Field(description="parallel, square or coaxial: what it is near enough to to have been meant.")
    angle: float = Field(description="Degrees off the ideal direction.")
    angle_uncertainty: Doubt | None = Field(None, description="Standard uncertainty of the angle.")
    over: LeftOut[float] = Field(None, description="mm that the angle comes to across `length` mm of the feature.")
    length: LeftOut[float] = Field(None, description="Of the feature.")
    offset: float | None = Field(None, description="Distance of the axes at the feature's middle, coaxial only.")
    offset_uncertainty: Doubt | None = Field(None, description="Standard uncertainty of the offset.")
    significant: bool = Field(
        False, description="It stands out of its uncertainty, among all of them: p_adjusted is at most tests.level."
    )
    within: LeftOut[float] = Field(
        None, description="Degrees that the true angle is within, at 95 %: so much could be there without being seen."
    )
    p: LeftOut[Chance] = Field(None, description="How often noise alone makes it this large or larger.")
    p_adjusted: LeftOut[Chance] = Field(None, description="The same as it counts among all `tests`.")


class TestsRecord(Record):
    """How it is judged what stands out in square_up and relations: all deviations from exactly parallel, square,
    coaxial and intersecting are one family."""

    correction: str = Field(description="For the number of tests; Holm 1979: Scand. J. Statist. 6, 65-70.")
    level: float = Field(description="The chance that anything of an exact part stands out falsely.")
    count: Count = Field(description="How many tests there were.")


class GapRecord(Record):
    """A boundary loop of the scan and what was done with it."""

    id: str = Field(description="Short and stable, as those of features.")
    kind: str = Field(description="What it was taken for: face, edge, blind, opening, border, or pepper (tiny).")
    done: str = Field(description="closed, left open or capped.")
    centre: LeftOut[Vector] = Field(None, description="Scan coordinates.")
    in_part_frame: LeftOut[PointRecord] = Field(None, description="The centre, moved by frame.matrix.")
    length: LeftOut[float] = Field(None, description="Of its rim.")
    area: LeftOut[float] = Field(None, description="That it spans, mm2.")
    area_filled: LeftOut[float] = Field(None, description="Of what was put in, mm2.")
    features: tuple[str, ...] = Field((), description="Ids of the features at its rim.")
    note: str = Field("", description="How it was closed, or why not.")
    proposed: str = Field("", description="Why its closing is only proposed; empty where it isn't.")
    count: int = Field(1, description="How many gaps this stands for; tiny ones are told as one, with their sums.")


class ProposalRecord(Record):
    """A patch that looks as if it were not the part; nothing was cut for it."""

    what: str = Field(description="plug, post or loose piece.")
    centre: Vector = Field(description="Scan coordinates.")
    in_part_frame: LeftOut[PointRecord] = Field(None, description="The centre, moved by frame.matrix.")
    area: float = Field(description="Of the patch, mm2.")
    reason: str = Field(description="Why it looks so.")
    zone: ZoneField = Field(description="A table ready to paste into a job file.")


class RemovalRecord(Record):
    """What the cleaning removed or mended."""

    what: str = Field(description="What it was.")
    count: int = Field(description="How many facets, or how many times.")
    area: float = Field(description="mm2.")
    note: str = Field(description="What else is to be said of it.")


class RejectedRecord(Record):
    """A patch that was looked at and not made a feature."""

    kind: str = Field(description="The kind of surface that it was looked at as.")
    point: Vector = Field(description="Scan coordinates.")
    area: float = Field(description="Of the patch, mm2.")
    reason: str = Field(description="Why not.")
    cast: bool = Field(
        False,
        description="True where the form against the noise, or a rim that runs smoothly into skin, says that this is "
        "a cast face.",
    )
    side: LeftOut[Literal["bore", "boss"]] = Field(
        None, description="bore: material outside; boss: material inside; not of a plane."
    )
    direction: LeftOut[Direction] = Field(
        None, description="Scan coordinates. Outward normal of a plane; axis of the others; not of a sphere."
    )
    radius: LeftOut[Positive] = Field(None, description="Not of a plane. Cone: at `point`. Torus: of the tube.")
    arc: LeftOut[NotNegative] = Field(None, description="Angle about the axis that was seen, degrees.")
    length: LeftOut[NotNegative] = Field(None, description="Along the axis.")
    fits: LeftOut[bool] = Field(
        None, description="True where its form is hidden in the noise, so that something else speaks against it."
    )
    number: LeftOut[Count] = Field(None, description="In report, summary and pictures; only of those listed there.")
    place: LeftOut[Vector] = Field(None, description="Scan coordinates. A point on the patch, in its middle.")
    in_part_frame: LeftOut[PointRecord] = Field(None, description="`place`, moved by frame.matrix.")

    def acceptance(self, unit: str) -> str:
        """The table of a job file that makes a feature of it, "" where it isn't listed; unit "mm" | "in" of outputs.

        >>> told = {"kind": "plane", "point": (0.0, 0.0, 0.0), "area": 80.0, "reason": "strip"}
        >>> RejectedRecord(**told, number=1, in_part_frame={"point": (0.0, 2.5, -3.0)}).acceptance("mm").splitlines()[1]
        'near = [0.0, 2.5, -3.0]'
        """
        if self.in_part_frame is None:
            return ""
        x, y, z = (round(v, 2) for v in self.in_part_frame.point)
        return accept_text(Accept(near=Place(at=(x, y, z), unit_said=unit == "in"), kind=self.kind))


class CaliperRecord(Record):
    """A size measured on the part against the scan's."""

    feature: str = Field(description="Id of the feature; of a distance or a thickness the first.")
    measured: float = Field(description="The size on the part.")
    measured_uncertainty: Doubt = Field(description="Its standard uncertainty.")
    scanned: float | None = Field(description="The size in the scan.")
    scanned_uncertainty: Doubt | None = Field(description="Its standard uncertainty.")
    agrees: bool | None = Field(description="Whether the two agree; null where it can't be told.")
    note: str = Field(description="Why, in words.")
    what: str = Field("diameter", description="diameter, distance or thickness.")
    other: LeftOut[str] = Field(None, description="Id of the second feature of a distance or a thickness.")
    instrument: LeftOut[str] = Field(None, description="What it was measured with, in the user's words.")


class ToMeasureRecord(Record):
    """A size worth measuring on the part, and the table to fill in by the machine."""

    features: tuple[str, ...] = Field(description="Id of the feature, or ids of two.")
    what: str = Field(description="diameter, distance or thickness.")
    why: str = Field(description="What hangs on it.")
    how: str = Field(description="With what, where, and what that tells beyond the size.")
    size: float = Field(description="In the scan.")
    size_uncertainty: Doubt | None = Field(description="Its standard uncertainty.")
    open: Doubt | None = Field(
        None, description="95 % either way of the scan's size as a share of the tolerance that hangs on it."
    )
    instrument: str = Field(description="With what.")
    rows: tuple[str, ...] = Field(description="Of the table to fill in.")
    columns: tuple[str, ...] = Field(description="Of the table to fill in.")

    def job_lines(self) -> str:
        """The lines for the job file; value and uncertainty are to be filled in.

        >>> from pipeline.formats.datum_file import build
        >>> from tests.outcomes import outcome
        >>> print(build(outcome()).to_measure[0].job_lines(), end="")
        [[measured]]
        what = "diameter"
        features = ["cylinder-1"]
        value =
        uncertainty =
        instrument = "bore gauge"
        """
        return measured_text(self.what, self.features, instrument=self.instrument)


class KeptPlaceRecord(Record):
    """A point that a job has, and the part frame that it was read in: it is read in that one until it is changed."""

    job: str = Field(description="The job file as seen from the output folder; empty for none.")
    setting: str = Field(description="Where it stands in the job.")
    at: Vector = Field(description="As the job has it, mm.")
    part_frame: Matrix | None = Field(
        description="4x4, row-major, scan -> part coordinates: the frame that it was read in; null: scan coordinates."
    )


class JobPlaceRecord(KeptPlaceRecord):
    """A point that the job of this run has, and what was taken for it."""

    point: Vector = Field(description="Scan coordinates.")
    in_part_frame: PointRecord = Field(description="The same point, moved by frame.matrix.")
    feature: str | None = Field(None, description="Id of the feature or gap that was taken; null: the point itself.")
    distance: NotNegative | None = Field(None, description="Of the point from its surface or axis.")


class DatumFile(Record):
    """Features, datum reference frame, relations and audit of one scan. Lengths in mm, angles in degrees, directions
    of length 1. Readers should refuse another major schema_version and ignore keys they don't know. Null: no figure
    that could be vouched for, or none that applies; `cautions` says why."""

    schema_version: str = Field(pattern=r"^1\.[0-9]+$", description="The first number moves when a reader would break.")
    made_by: MadeBy = Field(MadeBy(program="", version=""), description="What wrote the file.")
    title: str | None = Field(None, description="The job's title.")
    units: Units = Field(description="The units of all figures that don't have a unit beside them.")
    source: SourceRecord = Field(description="The scan.")
    set_ups: LeftOut[tuple[SetUpRecord, ...]] = Field(
        default=None, description="Further scans of the part, from other sides: where each lies to `source`, and why."
    )
    frame: FrameRecord = Field(description="The datum system (ISO 5459; datum reference frame in ASME Y14.5).")
    features: tuple[FeatureRecord, ...] = Field(description="The recovered surfaces.")
    patterns: tuple[PatternRecord, ...] = Field(description="Features that belong together.")
    relations: tuple[RelationRecord, ...] = Field(description="What holds between two features.")
    flanges: tuple[FlangeRecord, ...] = Field((), description="Flat faces with outlines and holes.")
    suggestions: tuple[SuggestionRecord, ...] = Field(
        (), description="Standard sizes near a measured one; nothing was snapped to them."
    )
    square_up: tuple[SquareUpRecord, ...] = Field(
        (), description="How far from parallel, square or coaxial to a datum."
    )
    tests: LeftOut[TestsRecord] = Field(None, description="How it is judged what stands out.")
    gaps: tuple[GapRecord, ...] = Field((), description="Boundary loops of the scan and what was done with them.")
    proposals: tuple[ProposalRecord, ...] = Field(
        (),
        description="Patches that look as if they were not the part; nothing was cut for them. zone is a table ready "
        "to paste into a job file.",
    )
    removals: tuple[RemovalRecord, ...] = Field((), description="What the cleaning removed or mended.")
    rejected: tuple[RejectedRecord, ...] = Field((), description="Patches that were not made features.")
    calipers: tuple[CaliperRecord, ...] = Field((), description="Sizes measured on the part against the scan.")
    to_measure: tuple[ToMeasureRecord, ...] = Field(
        (), description="Sizes worth measuring on the part, what gains most first."
    )
    places: LeftOut[tuple[JobPlaceRecord, ...]] = Field(
        default=None, description="Points of the job, and what was taken for them."
    )
    places_kept: tuple[KeptPlaceRecord, ...] = Field(
        (), description="Points of other jobs that were run into this folder, and the frames that they are read in."
    )
    audit: AuditRecord = Field(description="What lightening cost.")
    solid: LeftOut[SolidRecord] = Field(default=None, description="The solid, where one was made.")
    cautions: tuple[str, ...] = Field(description="What is not to be relied on, in sentences.")
    files: LeftOut[tuple[str, ...]] = Field(default=None, description="Names of all files of this output folder.")

    def name_of(self, ident: str) -> str | None:
        """The name that the job gave the feature with this id, if any.

        >>> from pipeline.formats.datum_file import build
        >>> from tests.outcomes import outcome
        >>> datums = build(outcome())
        >>> datums.name_of("cylinder-1"), datums.name_of("plane-1")
        ('main bore', None)
        """
        return next((feature.name for feature in self.features if feature.id == ident), None)
