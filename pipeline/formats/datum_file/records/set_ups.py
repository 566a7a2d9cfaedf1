"""Records of the set-ups that were laid on the job's own scan."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from pipeline.formats.datum_file.records.base import Count, Doubt, LeftOut, Matrix, NotNegative, Record, Vector
from pipeline.formats.datum_file.records.features import SourceRecord

Share = Annotated[float, Field(ge=0, le=1)]


class SharedRecord(Record):
    """A feature that a set-up and the scan it was laid on both show, and how the two lie to each other."""

    feature: str = Field(description="Its id.")
    off: float = Field(description="Along the normal of a plane, across an axis, of a centre.")
    tilt: NotNegative = Field(description="Angle between the two.")
    off_within: Doubt = Field(description="95 % of that by noise alone.")
    tilt_within: Doubt = Field(description="95 % of the angle by noise alone.")
    apart: bool = Field(description="It stands out, at 95 % of all shared features together (Holm 1979).")


class BallRecord(Record):
    """A reference ball that a set-up and the scan it was laid on both show; it is no part of what comes out."""

    place: Vector = Field(description="Of its centre, scan coordinates.")
    diameter: NotNegative = Field(description="As the set-up shows it by itself.")
    diameter_there: NotNegative = Field(description="As the scan it was laid on shows it by itself.")
    off: NotNegative = Field(description="By which the two centres are apart, at the diameter that is known.")
    off_within: Doubt = Field(description="95 % of that by noise alone.")
    apart: bool = Field(description="It stands out, at 95 % of all balls together (Holm 1979).")


class MisfitRecord(Record):
    """A cell of what both saw."""

    place: Vector = Field(description="Scan coordinates, its middle.")
    off: float = Field(description="Mean misfit there, outwards.")
    uncertainty: Doubt = Field(description="What noise and pose leave of it, standard.")
    seam: LeftOut[bool] = Field(None, description="A seam of the two scans runs there: what is off is a step.")


class PoseUncertainty(Record):
    """Of a small motion after the pose, about the origin of the scan coordinates."""

    translation: Vector = Field(description="Standard uncertainty of the shift.")
    rotation: Vector = Field(description="Standard uncertainty of the turn about x, y and z.")
    covariance: tuple[tuple[float, ...], ...] = Field(description="6 x 6 of both, mm and rad.")


class BendRecord(Record):
    """How the part is bent and twisted in one scan otherwise than in another."""

    bow: NotNegative = Field(description="By which its middle stands off the line between the ends of what both saw.")
    bow_uncertainty: Doubt = Field(description="Standard uncertainty of that.")
    twist: float = Field(description="Degrees by which one of these ends is turned to the other.")
    twist_uncertainty: Doubt = Field(description="Standard uncertainty of that, degrees.")
    length: NotNegative = Field(description="From end to end.")
    stands_out: bool = Field(description="Whether noise hardly explains it.")


class SetUpRecord(Record):
    """Another scan of the part, from another side, and where it lies."""

    source: SourceRecord = Field(description="The scan.")
    onto: Count = Field(description="The set-up that it was laid on, 1 for the job's own scan.")
    matrix: Matrix = Field(description="4x4, row-major, its own coordinates -> scan coordinates.")
    uncertainty: PoseUncertainty = Field(description="Of the matrix.")
    corner_within: Doubt = Field(description="95 % of the place of the part's farthest corner by that.")
    overlap: Share = Field(description="Share of it that lies on the scan it was laid on.")
    clash: Share = Field(description="Share of that which is off by more than noise.")
    shared: tuple[SharedRecord, ...] = Field(description="Features that both show.")
    scale: LeftOut[float] = Field(
        None, description="By how much larger it is than the scan it was laid on, mm per m; left out where few tell."
    )
    scale_uncertainty: LeftOut[Doubt] = Field(None, description="Standard uncertainty of that.")
    bend: LeftOut[BendRecord] = Field(
        None, description="How the part is formed otherwise in it than in that scan; left out where too little tells."
    )
    balls: LeftOut[tuple[BallRecord, ...]] = Field(
        None, description="Reference balls that both show; left out if none."
    )
    misfits: tuple[MisfitRecord, ...] = Field((), description="How what both saw lies to each other, cell by cell.")
