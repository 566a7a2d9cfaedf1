"""Records of flanges: outlines, holes and hole patterns in the flange's own sketch."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pipeline.formats.datum_file.records.base import Doubt, LeftOut, Matrix, NotNegative, Place, Positive, Record


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
        """Centre and radius of an arc or circle. Raises ValueError where it has none."""
        if self.centre is None or self.radius is None:
            raise ValueError(f"a segment of kind {self.kind!r} has no centre and radius")
        return self.centre, self.radius

    @property
    def corners(self) -> tuple[Place, ...]:
        """The points of a free piece; of another its ends."""
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


class HoleRecord(Record):
    """A bore that pierces a flange."""

    feature: str = Field(description="Id of the bore.")
    place: Place = Field(description="Where its axis meets the face, in the sketch.")
    diameter: Positive = Field(description="Of the bore.")
    depth_seen: LeftOut[float] = Field(None, description="From the face; the hole may be deeper.")
    tilt: LeftOut[float] = Field(None, description="Degrees between its axis and the face's normal.")
    place_uncertainty: Doubt | None = Field(None, description="Standard uncertainty of the place.")
    diameter_uncertainty: Doubt | None = Field(None, description="Standard uncertainty of the diameter.")


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


class FlangeRecord(Record):
    """A flat face with its outlines and the holes that pierce it."""

    feature: str = Field(description="Id of the face.")
    matrix: Matrix = Field(
        description="4x4, row-major: scan coordinates -> the flange's sketch; z = 0 on the face, z out of the material."
    )
    origin_at: str = Field("", description="What the sketch's origin is, in words.")
    outer: OutlineRecord | None = Field(description="The outer border; null where none could be made.")
    inner: tuple[OutlineRecord, ...] = Field(description="Its openings.")
    holes: tuple[HoleRecord, ...] = Field(description="The bores that pierce it.")
    patterns: tuple[HolePatternRecord, ...] = Field((), description="Which of the holes belong together.")
    cautions: tuple[str, ...] = Field((), description="What of it is not to be relied on.")
