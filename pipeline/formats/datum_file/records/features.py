"""Records of the scan, the frame, the features and what holds between them."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import ConfigDict, Field, model_validator

from pipeline.formats.datum_file.records.audits import FeatureAuditRecord
from pipeline.formats.datum_file.records.base import (
    Chance,
    Count,
    Direction,
    Doubt,
    LeftOut,
    Matrix,
    NotNegative,
    Place,
    Positive,
    Record,
    Vector,
)
from pipeline.formats.datum_file.records.kinds import contradiction, kinds_schema

_NOTHING = 1e-6  # mm, degrees: what rounding leaves of a datum's place in its own frame


class SourceRecord(Record):
    """The scan that everything was made from."""

    file: str = Field(description="Name of the scan's file.")
    sha256: str = Field(description="SHA-256 of the scan's file, hexadecimal.")
    facets: Count = Field(description="Facets of the scan as read.")
    vertices: Count = Field(description="Vertices of the scan as read.")
    unit_factor: Positive = Field(description="What the scan's numbers were multiplied by to become mm.")
    noise_sigma: NotNegative | None = Field(description="Standard deviation of the scan's noise along the normal.")
    mean_edge: NotNegative | None = Field(description="Mean length of the scan's edges.")
    bounds: tuple[Vector, Vector] = Field(description="Lowest and highest coordinates, scan coordinates.")
    scale_uncertainty: LeftOut[Positive] = Field(
        None,
        description="Standard uncertainty of the scanner's scale, mm per m, as the job gives it: it is in the "
        "uncertainty of every size and distance, one and the same error in all. None of them holds it where it is left "
        "out.",
    )

    @property
    def scale(self) -> float:
        """Relative standard uncertainty of the scanner's scale that sizes and distances hold; 0 where they hold none.

        >>> SourceRecord(
        ...     file="a.stl", sha256="", facets=1, vertices=3, unit_factor=1.0, noise_sigma=0.01, mean_edge=1.0,
        ...     bounds=((0.0, 0.0, 0.0), (1.0, 1.0, 0.0)), scale_uncertainty=0.05,
        ... ).scale
        5e-05
        """
        return 1e-3 * (self.scale_uncertainty or 0.0)


class SituationRecord(Record):
    """The plane, axis or point that a datum stands for, part coordinates."""

    kind: Literal["plane", "axis", "point", "axis+point", "axis+plane"] = Field(
        description="What the datum stands for."
    )
    point: Vector = Field(description="The point, or one on the plane or axis.")
    direction: Direction | None = Field(description="Normal of the plane, or the axis; null for a point.")


class DatumRecord(Record):
    """One datum of the frame."""

    letter: str = Field(pattern="^[A-Z]$", description="The datum's letter.")
    feature: str = Field(description="A feature's id, or words that name several: middle of U and V ...")
    constrains: tuple[Literal["tx", "ty", "tz", "rx", "ry", "rz"], ...] = Field(
        description="What it constrains: shifts along (t) and turns about (r) the axes of the part frame."
    )
    situation: LeftOut[SituationRecord] = Field(
        None, description="The plane, axis or point that the datum stands for, part coordinates."
    )


class FrameUncertainty(Record):
    """Standard uncertainty of the part frame about its own axes."""

    translation: tuple[Doubt, Doubt, Doubt] = Field(description="Along x, y, z.")
    rotation: tuple[Doubt, Doubt, Doubt] = Field(description="About x, y, z.")


class FrameChoice(Record):
    """Another frame that the part offers."""

    datums: dict[str, str] = Field(description="Letter to feature, as a job's [frame] takes them.")
    complete: bool = Field(description="As that of the frame itself.")
    error: Doubt | None = Field(description="As that of the frame itself.")


class FrameRecord(Record):
    """The datum system (ISO 5459; datum reference frame in ASME Y14.5)."""

    matrix: Matrix = Field(description="4x4, row-major: part = matrix * scan.")
    datums: tuple[DatumRecord, ...] = Field(description="The datums in their order.")
    complete: bool = Field(
        description="False: some direction or place of the part frame was chosen, not measured; see reasons."
    )
    reasons: tuple[str, ...] = Field((), description="Why the frame is what it is, in sentences.")
    uncertainty: FrameUncertainty | None = Field(
        None, description="Standard uncertainty of the part frame about its own axes."
    )
    error: LeftOut[Doubt] = Field(
        None, description="Mean over the features of the standard uncertainty that the frame puts into their places."
    )
    others: LeftOut[tuple[FrameChoice, ...]] = Field(None, description="Other frames that the part offers.")


class PointRecord(Record):
    """A point in part coordinates."""

    point: Vector = Field(description="Moved by frame.matrix.")


class PlaceUncertainty(Record):
    """Standard uncertainty (k = 1) of a feature against the part frame."""

    position: Doubt | None = Field(
        description="Across the axis, along the normal of a plane, the largest principal value of a centre."
    )
    direction: Doubt | None = Field(description="Of the axis or normal.")

    @property
    def place_defines(self) -> bool:
        """Whether the frame was set on the place of the feature, so that nothing of it is uncertain there.

        >>> PlaceUncertainty(position=3e-11, direction=0.004).place_defines
        True
        """
        return self.position is not None and self.position < _NOTHING

    @property
    def direction_defines(self) -> bool:
        """The same of its direction.

        >>> PlaceUncertainty(position=3e-11, direction=0.004).direction_defines
        False
        """
        return self.direction is not None and self.direction < _NOTHING


class PlaceRecord(Record):
    """A feature's point and direction in part coordinates."""

    point: Vector = Field(description="The feature's point.")
    direction: Direction | None = Field(description="The feature's direction; null for a sphere.")
    orientation: LeftOut[Direction] = Field(default=None, description="The feature's orientation, if its kind has one.")
    uncertainty: PlaceUncertainty | None = Field(
        None, description="Standard uncertainty against the part frame: the feature's and the frame's together."
    )


class ExtentRecord(Record):
    """What of a feature was seen."""

    area: NotNegative = Field(description="Measured facets only.")
    length: NotNegative | None = Field(description="Along the axis; null for plane and sphere.")
    arc: Annotated[float, Field(ge=0, le=360.000001)] | None = Field(
        description="Degrees of the circle covered; null for a plane."
    )
    along: Place | None = Field(
        None, description="Lowest and highest place along the direction from `point` that was seen."
    )
    facets: LeftOut[Count] = Field(None, description="Measured facets that carry it.")


class UncertaintyRecord(Record):
    """Standard uncertainty (k = 1)."""

    position: Doubt | None = Field(
        description="Of `point`: across the axis, along the normal of a plane, the largest principal value of a centre."
    )
    direction: Doubt | None = Field(description="Of the axis or normal; null for a sphere.")
    radius: Doubt | None = Field(description="Null for a plane.")
    method: str = Field(description="How it was computed, in a sentence.")


class FormRecord(Record):
    """Form error of what was seen of a feature."""

    rms: NotNegative | None = Field(description="Of the orthogonal residuals that were used.")
    peak_to_valley: NotNegative | None = Field(description="About the least-squares reference, spikes left out.")
    inliers: Annotated[float, Field(ge=0, le=1)] | None = Field(description="Share of the support that was used.")
    standard: str = Field(
        description="flatness (ISO 12781), cylindricity (ISO 12180), roundness (ISO 12181), or form where no standard "
        "names one."
    )
    minimum_zone: NotNegative | None = Field(None, description="Width of the least zone that holds all of it.")
    noise_share: NotNegative | None = Field(
        None, description="The peak to valley that the scan's own noise makes of a perfect face."
    )
    told: bool | None = Field(
        None,
        description="Whether the form is told from the scan's noise, at 95 % of all features of the part together "
        "(Holm 1979). Where it isn't, peak_to_valley is the most that the form may be.",
    )
    of_means: NotNegative | None = Field(
        None,
        description="Peak to valley of means over cells a seventh of the face wide: with most of the noise averaged "
        "out.",
    )
    noise_of_means: NotNegative | None = Field(None, description="What the scan's noise alone makes of of_means.")


class FeatureRecord(Record):
    """A recovered surface. The unit of lengths is the mm, that of angles the degree."""

    model_config = ConfigDict(json_schema_extra=kinds_schema)

    id: str = Field(
        min_length=1,
        description="Its short number, as H1: the same scan and settings give the same one, and the file of names in "
        "the output folder carries it over to another scan of the part.",
    )
    old_id: LeftOut[str] = Field(
        default=None, description="What version 0.1.0 called it; job files may say it for one version more."
    )
    name: str | None = Field(None, description="The user's name for it, if any.")
    kind: str = Field(description="What surface it is.")
    side: Literal["bore", "boss"] | None = Field(
        description="bore: material outside; boss: material inside; null for a plane."
    )
    machined: bool = Field(
        True, description="False where the form error against the noise says that this is a cast face."
    )
    constraint: str | None = Field(None, description="What the job had the fit held to; null for a free fit.")
    confidence: Literal["good", "low"] = Field("good", description="low: not to be relied on, see reasons.")
    reasons: tuple[str, ...] = Field((), description="Why the confidence is low.")
    point: Vector = Field(
        description="Scan coordinates. On the plane (centroid of its support), on the axis at mid-length, or the "
        "centre."
    )
    direction: Direction | None = Field(
        description="Scan coordinates. Outward normal of a plane; axis of the others; null for a sphere. A cone's "
        "points the way its radius grows."
    )
    orientation: LeftOut[Direction] = Field(
        default=None,
        description="Scan coordinates. Square to the direction; only of kinds that are not round about it.",
    )
    radius: Positive | None = Field(description="Cone: at `point`. Torus: of the tube. Null for a plane.")
    half_angle: Annotated[float, Field(gt=0, lt=90)] | None = Field(None, description="Cone only.")
    major_radius: Positive | None = Field(None, description="Torus only.")
    in_part_frame: PlaceRecord = Field(description="Point and direction, moved by frame.matrix.")
    extent: ExtentRecord = Field(description="What of it was seen.")
    set_ups: LeftOut[tuple[Count, ...]] = Field(
        default=None,
        description="The set-ups that saw it, 1 for `source`, 2 for the first of `set_ups`; of one scan none.",
    )
    uncertainty: UncertaintyRecord = Field(description="Standard uncertainty (k = 1).")
    form: FormRecord = Field(description="Form error.")
    audit: FeatureAuditRecord | None = Field(description="The fit on the light mesh against the fit on the scan.")

    @model_validator(mode="after")
    def _of_its_kind(self) -> Self:
        wrong = contradiction(self.kind, self.__dict__)
        if wrong is not None:
            raise ValueError(wrong)
        return self


class PatternPlace(Record):
    """A pattern's centre and normal in part coordinates."""

    centre: Vector = Field(description="The pattern's centre.")
    normal: Direction | None = Field(description="The pattern's normal or axis.")


_OF_A_PITCH_CIRCLE = ("centre", "normal", "diameter", "count", "missing", "rms")


def _pattern_schema(schema: dict[str, Any]) -> None:
    """A pitch circle has all of its keys, null or not."""
    of_pitch_circles = {"properties": {"kind": {"const": "pitch_circle"}}}
    schema["allOf"] = [{"if": of_pitch_circles, "then": {"required": list(_OF_A_PITCH_CIRCLE)}}]


class PatternRecord(Record):
    """Features that belong together. A pitch circle has all of its keys; the others those that apply to them."""

    model_config = ConfigDict(json_schema_extra=_pattern_schema)

    kind: str = Field(description="pitch_circle, coaxial, rectangle, mid_plane.")
    members: tuple[str, ...] = Field(description="Ids of its features.")
    centre: Vector | None = Field(None, description="Scan coordinates.")
    normal: Direction | None = Field(None, description="Scan coordinates; of a common axis its direction.")
    diameter: NotNegative | None = Field(None, description="Of a pitch circle.")
    count: int | None = Field(None, description="Places of the pattern, those without a hole among them.")
    missing: int | None = Field(None, description="Places that have no hole.")
    phase: float | None = Field(None, description="Degrees to the first hole.")
    rms: NotNegative | None = Field(None, description="Of the members off the pattern.")
    size: Place | None = Field(None, description="Longer and shorter side of a rectangle.")
    note: str | None = Field(None, description="What else is to be said of it.")
    in_part_frame: LeftOut[PatternPlace] = Field(None, description="Centre and normal, moved by frame.matrix.")
    size_uncertainty: LeftOut[Doubt] = Field(None, description="Standard uncertainty of the diameter, or of each side.")

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.kind == "pitch_circle" and not self.model_fields_set.issuperset(_OF_A_PITCH_CIRCLE):
            raise ValueError(f"a pitch_circle needs {', '.join(_OF_A_PITCH_CIRCLE)}")
        return self

    def lacking(self) -> frozenset[str]:
        """The keys that are left out of the file where they have no value.

        >>> PatternRecord(kind="coaxial", members=("cylinder-1", "cone-1"), rms=0.002).model_dump()
        {'kind': 'coaxial', 'members': ('cylinder-1', 'cone-1'), 'rms': 0.002}
        """
        return self.may_lack if self.kind == "pitch_circle" else frozenset(type(self).model_fields)


class RelationRecord(Record):
    """What holds between two features, where the uncertainty supports it."""

    kind: str = Field(
        description="parallel and perpendicular: value is how far it is from that; coaxial: offset of the axes; "
        "intersecting: gap of the axes."
    )
    between: tuple[str, str] = Field(description="Ids of the two features.")
    value: float | None = Field(description="In `unit`.")
    uncertainty: Doubt | None = Field(description="Standard uncertainty (k = 1), in `unit`.")
    unit: Literal["mm", "deg"] = Field(description="Of value and uncertainty.")
    p_adjusted: LeftOut[Chance] = Field(
        None,
        description="Of what could have been meant to be parallel, perpendicular, coaxial or intersecting: how often "
        "noise alone makes it this large or larger, as that counts among all `tests`.",
    )
    over: LeftOut[Place] = Field(
        None,
        description="Of a distance between what isn't parallel: the least and the largest over what was seen of the "
        "second; `value` is that at its middle.",
    )
