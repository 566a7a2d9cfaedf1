"""Records of flanges: outlines, holes and hole patterns in the flange's own sketch."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from pipeline.formats.datum_file.records.base import Count, Doubt, LeftOut, Matrix, NotNegative, Place, Positive, Record


class SegmentRecord(Record):
    """One piece of an outline, x and y in the flange's sketch."""

    kind: Literal["line", "arc", "circle", "free"] = Field(description="free: a polyline through `points`.")
    start: Place = Field(description="Where it begins: the end of the piece before it.")
    end: Place = Field(description="Where it ends; a circle's is its start.")
    centre: Place | None = Field(None, description="Of an arc or circle.")
    radius: NotNegative | None = Field(None, description="Of an arc or circle.")
    ccw: bool = Field(True, description="An arc runs counter-clockwise, seen from outside the material.")
    points: tuple[Place, ...] | None = Field(None, description="Of a free piece, its start and end included.")
    feature: str | None = Field(None, description="Id of the feature whose surface cuts the face here, if it is known.")

    @property
    def round(self) -> tuple[Place, float]:
        """Centre (2,) and radius, mm, of an arc or circle. Raises ValueError where it has none.

        >>> SegmentRecord(kind="circle", start=(5.0, 0.0), end=(5.0, 0.0), centre=(0.0, 0.0), radius=5.0).round
        ((0.0, 0.0), 5.0)
        """
        if self.centre is None or self.radius is None:
            raise ValueError(f"a segment of kind {self.kind!r} has no centre and radius")
        return self.centre, self.radius

    @property
    def corners(self) -> tuple[Place, ...]:
        """The points of a free piece, (2,) each, mm; of another its ends.

        >>> SegmentRecord(kind="line", start=(0.0, 0.0), end=(5.0, 0.0)).corners
        ((0.0, 0.0), (5.0, 0.0))
        """
        return self.points or (self.start, self.end)


class OutlineRecord(Record):
    """A closed loop in a flange's sketch: outer counter-clockwise, openings clockwise."""

    segments: tuple[SegmentRecord, ...] = Field(description="Its pieces in their order.")
    rms: LeftOut[float] = Field(None, description="Of the measured border points against the segments.")
    rounding: LeftOut[float] = Field(
        None, description="By how much the measured border was moved out to the sharp edge."
    )
    tolerance: LeftOut[float] = Field(None, description="Of free pieces.")
    broken: bool = Field(False, description="Part of the loop was not seen: that stretch is bridged.")
    what: LeftOut[Literal["opening", "spigot", "piece"]] = Field(
        default=None,
        description="Of a loop inside: no material at the face's level inside it, material that stands proud of the "
        "face, or a further piece of the face itself. An opening where it is left out.",
    )

    @property
    def means(self) -> str:
        """`what`, also of a file that doesn't say it.

        >>> OutlineRecord(segments=()).means
        'opening'
        """
        return self.what or "opening"


class HoleRecord(Record):
    """A bore that pierces a flange."""

    feature: str = Field(description="Id of the bore.")
    place: Place = Field(description="Where its axis meets the face, in the sketch.")
    diameter: Positive = Field(description="Of the bore.")
    depth_seen: LeftOut[float] = Field(None, description="From the face; the hole may be deeper.")
    tilt: LeftOut[float] = Field(None, description="Degrees between its axis and the face's normal.")
    place_uncertainty: Doubt | None = Field(None, description="Standard uncertainty of the place.")
    diameter_uncertainty: Doubt | None = Field(None, description="Standard uncertainty of the diameter.")
    end: LeftOut[Literal["through", "blind"]] = Field(
        default=None,
        description="through: nothing stands in it, or its wall reaches the flange's back; blind: its floor was seen; "
        "left out where neither was seen.",
    )
    depth: LeftOut[Positive] = Field(default=None, description="From the face to the floor, of a blind one.")
    edge: LeftOut[NotNegative] = Field(
        default=None, description="From its middle to the nearest edge of the outer outline."
    )
    thickness: LeftOut[Positive] = Field(
        default=None, description="Of the flange just round it, by rays square to the face; left out where not seen."
    )


class HolePatternRecord(Record):
    """Holes of one flange that belong together, in its sketch."""

    kind: str = Field(description="pitch_circle, rectangle, free.")
    members: tuple[str, ...] = Field(description="Ids of its bores.")
    centre: Place = Field(description="Its middle.")
    rms: LeftOut[float] = Field(None, description="Of the holes off the pattern.")
    diameter: NotNegative | None = Field(None, description="Of a pitch circle.")
    count: int | None = Field(None, description="Places of the pattern, those without a hole among them.")
    missing: LeftOut[int] = Field(None, description="Places that have no hole.")
    phase: float | None = Field(
        None, description="Degrees from the sketch's x to the first hole, or to a rectangle's longer side."
    )
    size: Place | None = Field(None, description="Longer and shorter side of a rectangle.")
    gaps_at: tuple[Place, ...] = Field((), description="Places that the pitch gives a hole and that have none.")
    size_uncertainty: LeftOut[Doubt] = Field(None, description="Standard uncertainty of the diameter, or of each side.")
    phase_uncertainty: LeftOut[Doubt] = Field(None, description="Standard uncertainty of a pitch circle's phase, deg.")


class ThicknessRecord(Record):
    """How thick a flange is where its back was seen, by rays square to the face through the measured facets."""

    least: Positive = Field(description="The 2nd hundredth over the places.")
    middle: Positive = Field(description="The median.")
    most: Positive = Field(description="The 98th hundredth over the places.")
    places: Count = Field(description="Places of the face, spread evenly, that have a back that was seen.")
    share: Annotated[float, Field(ge=0, le=1)] = Field(description="Of all places of the face that were looked behind.")
    back: LeftOut[str] = Field(default=None, description="Id of the face that carries the back, if it is one.")


class FlangeRecord(Record):
    """A flat face with its outlines and the holes that pierce it."""

    feature: str = Field(description="Id of the face.")
    matrix: Matrix = Field(
        description="4x4, row-major: scan coordinates -> the flange's sketch; z = 0 on the face, z out of the material."
    )
    origin_at: str = Field("", description="What the sketch's origin is, in words.")
    outer: OutlineRecord | None = Field(description="The outer border; null where none could be made.")
    inner: tuple[OutlineRecord, ...] = Field(description="Loops inside it: openings, spigots, further pieces.")
    holes: tuple[HoleRecord, ...] = Field(description="The bores that pierce it.")
    patterns: tuple[HolePatternRecord, ...] = Field((), description="Which of the holes belong together.")
    cautions: tuple[str, ...] = Field((), description="What of it is not to be relied on.")
    thickness: LeftOut[ThicknessRecord] = Field(
        default=None, description="Left out where its back was not seen or is too far off to be a flange's."
    )
