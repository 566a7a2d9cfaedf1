"""Records of fit.json: millimetres and degrees; places where the parts are put together, as the first part has them."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pipeline.formats.datum_file import Record

SCHEMA_VERSION = "1.0"
Vector = tuple[float, float, float]
_Row = tuple[float, float, float, float]


class LeftRecord(Record):
    """A line of a placing that isn't held exactly, since lines before it hold the part."""

    words: str = Field(description="The line.")
    shift: float = Field(description="By how much it stays off, mm.")
    angle: float = Field(description="By how much it stays off, degrees.")


class PartRecord(Record):
    """A part, and where it stands."""

    name: str = Field(description="In the layout.")
    matrix: tuple[_Row, _Row, _Row, _Row] = Field(description="4x4, row-major: place = matrix * part.")
    closed: bool = Field(description="Whether its surface bounds a solid, openings closed as never seen among it.")
    facets: int = Field(description="Of its surface.")
    taken: tuple[tuple[str, ...], ...] = Field(description="Freedoms that each line of its placing takes.")
    free: tuple[str, ...] = Field(description="Freedoms that are left; all of them where it has no lines.")
    left: tuple[LeftRecord, ...] = Field(description="Lines that aren't held exactly.")


class TermRecord(Record):
    """Something that a distance is not known better than by."""

    name: str = Field(description="What it is.")
    kind: Literal["random", "bound"] = Field(description="A standard uncertainty (k = 1), or the most that it can be.")
    size: float = Field(description="mm.")


class SpotRecord(Record):
    """Where measured metal of two parts is nearest to each other."""

    distance: float = Field(description="mm.")
    expanded: float = Field(description="What it is known within, mm: 95 %, twice the random terms and the bounds.")
    of_facets: float = Field(description="Distance of the facets themselves, mm, with their noise.")
    places: tuple[Vector, Vector] = Field(description="On the one and on the other part.")
    on: tuple[str | None, str | None] = Field(description="Ids of the features there; null: none.")
    terms: tuple[TermRecord, ...] = Field(description="What it is not known better than by.")
    unsure: str = Field(description='Why `expanded` can\'t be vouched for; "" where it can.')


class UnseenRecord(Record):
    """Where two parts are nearest to each other, one of them at a place that was never measured."""

    distance: float = Field(description="mm, of what was put there to close the surface.")
    places: tuple[Vector, Vector] = Field(description="On the one and on the other part.")


class FitOfPair(Record):
    """A bore and what stands in it."""

    bore: tuple[str, str] = Field(description="Part and feature.")
    inner: tuple[str, str] = Field(description="Part and feature.")
    play: float = Field(description="Of the diameters, mm; negative: interference.")
    expanded: float | None = Field(description="What it is known within, 95 %, mm; null where nothing can be said.")
    eccentric: float = Field(description="By how much the axes are apart within the overlap, at most, mm.")
    overlap: float = Field(description="Length that they share, mm.")


class ClearanceRecord(Record):
    """What was asked of two parts, and the answer."""

    between: tuple[str, str] = Field(description="The parts.")
    least: float = Field(description="What they must keep between them, mm.")
    verdict: Literal["clear", "too near", "hits", "can't be said"] = Field(description="The answer.")
    why: str = Field(description="What settles it, or what would.")
    spot: SpotRecord | None = Field(description="Nearest measured metal; null where there is none, or it crosses.")
    unseen: UnseenRecord | None = Field(description="A place never measured that is nearer; null where none is.")
    crossing_facets: int = Field(description="Pairs of facets that cross, but for what is meant to fit.")
    depth: float = Field(description="How deep corners of the one lie in the other, mm, at least.")
    fits: tuple[FitOfPair, ...] = Field(description="Bores of the one in which cylinders of the other stand.")


class FitFile(Record):
    """What was found of the parts of a layout."""

    schema_version: str = Field(SCHEMA_VERSION, description="Of this sort of file.")
    layout: str = Field(description="Name of the layout file.")
    length: Literal["mm"] = "mm"
    angle: Literal["deg"] = "deg"
    parts: tuple[PartRecord, ...] = Field(description="In the layout's order.")
    clearances: tuple[ClearanceRecord, ...] = Field(description="In the layout's order.")
    held: bool = Field(description="Whether all that was asked for is held for certain.")
