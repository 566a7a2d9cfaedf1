"""Records of what lightening cost: of the datum file, and of any two meshes that are compared."""

from __future__ import annotations

from pydantic import Field

from pipeline.formats.datum_file.records.base import Count, LeftOut, Matrix, NotNegative, Record, Vector
from pipeline.geometry import MM_PER_INCH


class PeakPlace(Record):
    """Where a distance is largest, part coordinates."""

    where: Vector | None = Field(description="The point.")


class DeviationRecord(Record):
    """One-way distance, weighted by area."""

    mean: NotNegative | None = Field(None, description="Its mean.")
    rms: NotNegative | None = Field(description="Its root mean square.")
    p95: NotNegative | None = Field(description="What 95 % of the area keeps within.")
    p99: NotNegative | None = Field(description="What 99 % of the area keeps within.")
    max: NotNegative | None = Field(description="The largest.")
    where: Vector | None = Field(None, description="Where the largest is, scan coordinates.")
    in_part_frame: LeftOut[PeakPlace] = Field(None, description="The same place, moved by frame.matrix.")
    samples: LeftOut[Count] = Field(None, description="Points that it was taken at.")
    max_by_pose: LeftOut[NotNegative] = Field(
        None,
        description="95 % of what is open of the largest by where the second mesh lies; there where it was aligned and "
        "that is known.",
    )


class BothWays(Record):
    """Distances from the scan to the light mesh and back."""

    scan_to_light: DeviationRecord = Field(description="From points of the scan to the light mesh.")
    light_to_scan: DeviationRecord = Field(description="From points of the light mesh to the scan.")


class SharpEdgesRecord(Record):
    """What edges that were made sharp on request cost where the scan had them rounded."""

    area: NotNegative = Field(description="Of the scan's facets there, mm2.")
    from_scan: NotNegative = Field(description="Largest distance there of the scan as measured from the light mesh.")
    from_features: NotNegative = Field(
        description="The same of the features' own surfaces up to where they meet: what a budget is held against."
    )
    left: Count = Field(description="Vertices of the scan that were left as scanned, lest facets cross.")


class ScanAndLight(Record):
    """A count on the scan with its gaps filled, and on the light mesh."""

    scan: Count = Field(description="On the scan.")
    light: Count = Field(description="On the light mesh.")


class SoundnessRecord(Record):
    """Whether the surfaces are closed, and pass through themselves."""

    open_edges: ScanAndLight = Field(description="Edges with one facet.")
    crossing_facets: ScanAndLight = Field(
        description="Facets that pass through another one; of the scan's, those near the light mesh's."
    )


class BudgetRecord(Record):
    """One promise and whether it held."""

    what: str = Field(description="What was promised.")
    limit: float = Field(description="In `unit`.")
    value: float | None = Field(description="In `unit`; null where there is no such figure.")
    unit: str = Field(description="Of limit and value: mm or deg.")
    held: bool = Field(description="Whether the value is within the limit.")
    where: str = Field(description="The feature or place of the value; a place in part coordinates, mm.")
    in_part_frame: LeftOut[PeakPlace] = Field(None, description="The place of the value, if it is not a feature's.")

    def where_in(self, unit: str) -> str:
        """The feature or place of the value in words; the place in "mm" | "in", as it may be copied.

        >>> place = PeakPlace(where=(25.4, 0.0, -50.8))
        >>> line = BudgetRecord(
        ...     what="deviation", limit=0.1, value=0.09, unit="mm", held=True, where="", in_part_frame=place
        ... )
        >>> line.where_in("mm"), line.where_in("in")
        ('at [25.40, 0.00, -50.80]', 'at [1.000, 0.000, -2.000]')
        """
        place = None if self.in_part_frame is None else self.in_part_frame.where
        if place is None:
            return self.where
        scale, digits = (1.0, 2) if unit == "mm" else (1.0 / MM_PER_INCH, 3)
        return f"at [{', '.join(f'{v * scale:z.{digits}f}' for v in place)}]"


class FitChange(Record):
    """How far one fit is from another."""

    shift: float | None = Field(None, description="Of the axis, centre or face.")
    tilt: float | None = Field(None, description="Degrees, of the axis or normal.")
    radius_change: float | None = Field(None, description="The other's radius less this one's.")


class FeatureAuditRecord(Record):
    """The fit of a feature on the light mesh against the fit on the scan."""

    shift: NotNegative | None = Field(description="Of the axis, centre or face.")
    tilt: NotNegative | None = Field(description="Degrees, of the axis or normal; null for a sphere.")
    radius_change: float | None = Field(description="Light less scan; null for a plane.")
    on_facets: LeftOut[FitChange] = Field(
        None, description="The same three for a fit on the light facets, which lie inside a curved surface."
    )
    worst: NotNegative | None = Field(
        None, description="Largest distance of its measured facets from the light mesh, scan noise removed."
    )
    verdict: str = Field("", description="ok, changed, over budget or unknown.")
    note: str = Field("", description="Why, in words.")


class AuditFigures(Record):
    """What an audit measured, and each promise."""

    budget: tuple[BudgetRecord, ...] = Field(description="The promises of the job.")
    scan_to_light: DeviationRecord = Field(description="From points of the scan to the light mesh.")
    light_to_scan: DeviationRecord = Field(description="From points of the light mesh to the scan.")
    noise_aside: BothWays | None = Field(
        None, description="The same two with the scan's noise taken off: what a budget is held against."
    )
    second_opinion: LeftOut[BothWays] = Field(
        None, description="The distances against the scan as measured, by another library, where that was asked for."
    )
    sharp_edges: LeftOut[SharpEdgesRecord] = Field(
        None, description="There where edges were made sharp on request, and apart from the figures above."
    )
    soundness: LeftOut[SoundnessRecord] = Field(None, description="Of the scan and of the light mesh.")
    facets_before: Count = Field(description="Of the scan.")
    facets_after: Count = Field(description="Of the light mesh.")
    area_filled: float = Field(description="Of the light mesh, mm2: never measured.")
    area_measured: float = Field(description="Of the light mesh, mm2.")
    area_removed: LeftOut[float] = Field(None, description="Of the scan, mm2: what was removed.")
    noise_sigma: float | None = Field(None, description="Of the scan.")
    lightening_rms: float | None = Field(None, description="rms of scan_to_light, scan noise removed.")


class AuditRecord(AuditFigures):
    """What lightening cost, against the scan as measured."""

    within_budget: bool = Field(description="Whether all promises held; true where there was none.")


class ComparedFeature(FeatureAuditRecord):
    """A feature of the first mesh, fitted again on the second."""

    id: str = Field(description="The feature's id.")
    light_vertices: Count = Field(description="Vertices of the second mesh that carry it.")
    shift_by_pose: LeftOut[NotNegative] = Field(
        None, description="95 % of what is open of the shift by where the second mesh lies; as max_by_pose."
    )
    tilt_by_pose: LeftOut[NotNegative | None] = Field(None, description="The same of the tilt, degrees.")


class AlignmentRecord(Record):
    """How well it is known where the second mesh lies on the first."""

    by: tuple[str, ...] = Field(description="Features of the first mesh that it was laid on; the rest is skin.")
    standard: tuple[float, float, float, float, float, float] | None = Field(
        description="Standard uncertainties (k = 1): shift at the origin, mm, and turn, degrees, x y z each; null: "
        "can't be told."
    )
    corner: NotNegative | None = Field(
        description="95 % of the place of the first mesh's farthest corner by that; null: can't be told."
    )


class ComparisonRecord(AuditFigures):
    """Two meshes audited against each other; coordinates are those of the first mesh."""

    within_budget: LeftOut[bool] = Field(None, description="Whether all promises held; left out where there was none.")
    features: tuple[ComparedFeature, ...] = Field(description="The first mesh's features.")
    cautions: tuple[str, ...] = Field(description="What the figures don't say by themselves.")
    filled: LeftOut[DeviationRecord] = Field(
        None,
        description="From the second mesh's filled facets to the nearest of the first: no part of any other figure; "
        "where it has some.",
    )
    motion: Matrix = Field(description="4x4, row-major: what was applied to the second mesh first.")
    aligned: LeftOut[AlignmentRecord] = Field(None, description="There where the second mesh was aligned.")
