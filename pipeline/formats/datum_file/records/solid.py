"""Records of the solid."""

from __future__ import annotations

from pydantic import Field

from pipeline.formats.datum_file.records.base import Count, LeftOut, NotNegative, Positive, Record


class FaceShare(Record):
    """The faces of one sort."""

    kind: str = Field(description="Kind of surface, or skin, filled, never seen.")
    faces: Count = Field(description="How many.")
    area: NotNegative = Field(description="Together, mm2.")


class FallenFeature(Record):
    """A feature that has no exact face, or not everywhere."""

    feature: str = Field(description="Id of the feature.")
    why: str = Field(description="In words.")


class SolidRecord(Record):
    """The solid: exact recovered faces, coarse skin; part coordinates."""

    file: str = Field(description="Name of the STEP file.")
    closed: bool = Field(description="False: an open shell, since openings could not be closed; cautions say where.")
    valid: bool = Field(description="By the CAD kernel's own checker, with exact curves.")
    free_edges: Count = Field(description="Edges of only one face.")
    faces: Count = Field(description="Of the solid.")
    edges: Count = Field(description="Of the solid.")
    by_kind: tuple[FaceShare, ...] = Field(description="Faces by sort.")
    skin: Positive = Field(description="How far the skin may be from the light mesh, scan noise removed.")
    skin_held: NotNegative = Field(description="How far it was measured to be, both ways.")
    edges_cut_off: LeftOut[NotNegative] = Field(
        default=None,
        description="How much the scan's facets, by their length, may have cut off edges within the skin that stand "
        "out; the skin was to lie within the light mesh by that much less there. Left out where no tolerance is left.",
    )
    skin_held_at_edges: LeftOut[NotNegative] = Field(
        default=None, description="How far within the light mesh the skin was measured to be at such edges, at most."
    )
    edge_depth: NotNegative = Field(description="How far edges between features were moved at most to be sharp.")
    largest_tolerance: NotNegative = Field(description="Of the solid's edges: how far they are from their faces.")
    volume: LeftOut[float] = Field(default=None, description="mm3; left out where it is not closed.")
    volume_of_light_mesh: LeftOut[float] = Field(default=None, description="mm3, openings closed; left out likewise.")
    features: tuple[str, ...] = Field(description="Ids of the features with exact faces.")
    as_facets: tuple[FallenFeature, ...] = Field(description="Features that are facets, all or in part.")
    openings_closed: Count = Field(description="Openings closed by faces that were never seen.")
    area_never_seen: NotNegative = Field(description="Of those faces, mm2: what by_kind tells of them.")
    bytes: Count = Field(description="Size of the file.")
