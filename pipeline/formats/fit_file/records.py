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


class OverlapRecord(Record):
    """What two parts that cross have in common."""

    volume: float | None = Field(description="mm3, fits among it; null where one of both bounds no solid.")
    middle: Vector | None = Field(description="Its centre of gravity; null as `volume`.")
    shift: Vector | None = Field(
        description="The smallest shift found that frees the second part, mm; there may be a smaller one. Null: none."
    )


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
    overlap: OverlapRecord | None = Field(None, description="What they have in common; null where nothing crosses.")


class StopRecord(Record):
    """What ends a run."""

    against: str = Field(description="The part.")
    places: tuple[Vector, Vector] = Field(description="On the moving part, where it is then, and on the other one.")
    on: tuple[str | None, str | None] = Field(description="Ids of the features there; null: none.")
    measured: bool = Field(description="Whether both places were measured.")
    rate: float = Field(description="mm by which the gap closes for each mm or degree, there.")
    expanded: float | None = Field(description="95 % of the run, mm or degrees; null where it can't be told.")
    terms: tuple[TermRecord, ...] = Field(description="What the gap there is not known better than by.")


class MillingRecord(Record):
    """Metal that would have to go: all of a place that stands above a plane."""

    depth: float = Field(description="mm between the plane and the highest of it.")
    expanded: float | None = Field(description="mm, 95 %, that this isn't known better; null: it can't be told.")
    way: Vector = Field(description="Square to the plane, out of the part.")
    place: Vector = Field(description="mm, the highest of it, the parts where they stand.")
    reach: float = Field(description="mm from there to the farthest of it.")
    on: tuple[str, ...] = Field(description="The features that it is of, the largest first; none: skin.")


class GainRecord(Record):
    """How far a part would go if something were gone."""

    without: str = Field(description="What.")
    part: str = Field(description="Which part that is, or is of.")
    run: float = Field(description="mm or degrees.")
    stop: str | None = Field(description="The part that stops it then; null: it goes all the way.")
    stop_on: str | None = Field(None, description="The feature that stops it then; null: skin, or nothing.")
    expanded: float | None = Field(None, description="Of the run, 95 %, mm or degrees; null: it can't be told.")
    milling: MillingRecord | None = Field(None, description="What is milled off; null: all of the part is gone.")


class OwedRecord(Record):
    """What a cut of the layout gives."""

    cut: str = Field(description="What it is called.")
    part: str = Field(description="Which part it is made in.")
    run: float = Field(description="How far it went without it and those after it, mm or degrees.")
    more: float = Field(description="What it gives, mm or degrees, those before it being made.")
    stop: str | None = Field(description="The part that stopped it then; null: it went all the way.")


class RunRecord(Record):
    """One way of a travel."""

    way: Literal[1, -1] = Field(description="1 forward, -1 back.")
    run: float = Field(description="How far it goes, mm or degrees.")
    sure: float = Field(description="How far at least, at 95 %.")
    verdict: Literal["far enough", "too short", "can't be said", "told"] = Field(description="told: nothing is asked.")
    why: str = Field(description="What settles it.")
    stop: StopRecord | None = Field(description="What ends it; null where it goes all the way.")
    gaps: tuple[tuple[float, float | None], ...] = Field(
        description="Run, and the smallest gap there, mm: 0 where parts cross, null where nothing is near."
    )
    gains: tuple[GainRecord, ...] = Field(description="What would let it go farther, the most first.")
    owed: tuple[OwedRecord, ...] = Field(
        (), description="What each cut of the parts gives, the last one first; those that give nothing aren't in it."
    )


class TravelMapRecord(Record):
    """The gap over a travel and a second motion that is made first."""

    second: tuple[float, ...] = Field(description="mm or degrees of the second motion.")
    second_turns: bool = Field(description="Whether that is a turn, degrees.")
    runs: tuple[float, ...] = Field(description="mm or degrees of the travel, below nought back.")
    gaps: tuple[tuple[float | None, ...], ...] = Field(description="mm, one row for each `second`; as those of a run.")
    pairs: tuple[tuple[str, str, str], ...] = Field(
        description='Other part, feature of the moving part ("": none), feature of the other one.'
    )
    pair: tuple[tuple[int, ...], ...] = Field(description="Which of `pairs`, from 0, is nearest; rows as `gaps`.")
    limits: tuple[tuple[float, float], ...] = Field(description="How far it goes back and forward, for each `second`.")


class TravelRecord(Record):
    """How far a part goes before it comes too near to others."""

    move: str = Field(description="The part.")
    turns: bool = Field(description="Whether it turns, so that runs are degrees; else mm.")
    least: float = Field(description="What it must keep, mm.")
    up_to: float = Field(description="How far it is moved at most.")
    at_least: float | None = Field(description="How far it must go; null where nothing is asked.")
    runs: tuple[RunRecord, ...] = Field(description="One for each way.")
    map: TravelMapRecord | None = Field(description="null where no second motion was asked for.")


class ReliefRecord(Record):
    """How deep a part reaches into an envelope and what must be kept about it."""

    stations: tuple[float, ...] = Field(description="mm along the axis.")
    angles: tuple[float, ...] = Field(description="Degrees about it.")
    zero: Vector = Field(description="Where the angles begin.")
    depth: tuple[tuple[float, ...], ...] = Field(description="mm radially, a row for each station; 0: none.")
    deepest: tuple[float, float, float] = Field(description="Station, angle and depth of the deepest place of the map.")


class ReachedRecord(Record):
    """What an envelope has to do with another part."""

    clearance: ClearanceRecord = Field(description="Of the envelope from the part.")
    place: tuple[float, float] | None = Field(description="Station mm and angle, degrees, of the place; null: unknown.")
    relief: ReliefRecord | None = Field(description="null where nothing has to go.")


class EnvelopeRecord(Record):
    """All that a part sweeps that turns about an axis."""

    turn: str = Field(description="The part.")
    point: Vector = Field(description="Of the axis; stations count from there.")
    direction: Vector = Field(description="Of the axis.")
    profile: tuple[tuple[float, float], ...] = Field(description="Station and radius, mm, around all that is swept.")
    reached: tuple[ReachedRecord, ...] = Field(description="One for each other part.")


class TakenTerm(Record):
    """Something that a volume is not known better than by."""

    name: str = Field(description="What it is.")
    kind: Literal["random", "bound"] = Field(description="A standard uncertainty (k = 1), or the most that it can be.")
    size: float = Field(description="mm3.")


class OpeningRecord(Record):
    """A patch of a part's surface that a cut takes."""

    opens: Literal["goes in", "opens into", "comes out", "runs out", "into a hollow"] = Field(
        description="What the tool does there."
    )
    place: Vector = Field(description="On it, in the part's coordinates.")
    area: float = Field(description="mm2.")
    unseen: float = Field(description="Share of it that was filled or never scanned.")
    on: tuple[str, ...] = Field(description="Ids of its features.")


class ChangedRecord(Record):
    """A feature of which a cut takes some, or all."""

    feature: str = Field(description="Id.")
    how: Literal["gone", "shorter", "smaller"] = Field(description="What becomes of it.")
    area_before: float = Field(description="mm2.")
    area_after: float = Field(description="mm2.")
    length_before: float | None = Field(description="Along its axis, mm; null: it has none.")
    length_after: float | None = Field(description="Along its axis, mm; null: it has none.")


class PlannedRecord(Record):
    """A face that a cut leaves; its place in the part's coordinates."""

    feature: str = Field(description="Its number among the part's features from then on.")
    name: str = Field(description="After its cut.")
    kind: str = Field(description="Of surface.")
    side: Literal["bore", "boss"] | None = Field(description="null: a plane.")
    point: Vector = Field(description="On it, or on its axis.")
    direction: Vector = Field(description="Out of the metal, or along its axis.")
    radius: float | None = Field(description="mm.")
    area: float = Field(description="mm2.")
    length: float | None = Field(description="Along its axis, mm.")
    position_uncertainty: float | None = Field(
        description="Standard, mm: of the datums that it is laid out from; null: can't be vouched for."
    )


class SoundingRecord(Record):
    """Where to measure a wall from outside before metal is taken."""

    place: Vector = Field(description="On the outside, in the part's coordinates.")
    way: Vector = Field(description="Into the metal, unit.")
    before: float | None = Field(description="Metal that there should be before the cut, mm; null: not known.")
    after: float = Field(description="Metal that is left after it, mm.")


class WallSpotRecord(Record):
    """A place where a wall is thin."""

    verdict: Literal["holds", "too thin", "can't be said"] = Field(description="The answer there.")
    why: str = Field(description="What settles it, or what would.")
    spot: SpotRecord = Field(description="On the face and beyond the metal, in the part's coordinates.")
    seen: bool = Field(
        description="Whether what is beyond was measured; if not, the distance is to what was put there."
    )
    sounding: SoundingRecord = Field(description="Where to measure it.")


class WallRecord(Record):
    """The walls behind some faces of a part."""

    part: str = Field(description="In the layout.")
    behind: tuple[str, ...] = Field(description="Ids of the features that it was asked of; empty: everywhere.")
    least: float = Field(description="What must be left, mm.")
    verdict: Literal["holds", "too thin", "can't be said"] = Field(description="The answer.")
    why: str = Field(description="What settles it, or what would.")
    spots: tuple[WallSpotRecord, ...] = Field(description="Thin places, measured ones first, the thinnest first.")
    unknown_area: float = Field(description="mm2 behind which what is beyond was filled or never scanned.")


class ExactCutRecord(Record):
    """The same cut of the part's exact solid by the CAD kernel."""

    volume: float | None = Field(description="mm3 that go; null: it could not be made.")
    why: str = Field(description='Why it could not be made, or differs; "" where there is nothing to say.')


class CutRecord(Record):
    """A cut, and what it does."""

    part: str = Field(description="In the layout.")
    name: str = Field(description="What its faces are called after.")
    kind: str = Field(description="facing, bore and so on.")
    volume: float = Field(description="mm3 that go.")
    expanded: float = Field(description="What that is known within, 95 %, mm3.")
    of_facets: float = Field(description="mm3 between the facets themselves.")
    terms: tuple[TakenTerm, ...] = Field(description="What it is not known better than by.")
    unsure: str = Field(description='Why `expanded` is not all of it; "" where it is.')
    mass: float | None = Field(description="g that go; null: no density was given.")
    planned: tuple[PlannedRecord, ...] = Field(description="Faces that it leaves.")
    openings: tuple[OpeningRecord, ...] = Field(description="Patches of the surface that it takes.")
    changed: tuple[ChangedRecord, ...] = Field(description="Features of which it takes some.")
    pieces: tuple[int, int] = Field(description="Of the part, before and after.")
    tunnels: tuple[int, int] = Field(description="Ways through the part (its genus), before and after.")
    hollows: tuple[int, int] = Field(description="Closed all round, before and after.")
    notes: tuple[str, ...] = Field(description="What it opens and parts, in sentences.")
    sound: bool = Field(description="Whether it does only what was asked.")
    wall: WallRecord | None = Field(description="What is left behind its faces; null: no wall was asked for.")
    exact: ExactCutRecord | None = Field(description="Of the exact solid; null: there is none.")


class FigureRecord(Record):
    """A figure for the maker of a part."""

    name: str = Field(description="What it is.")
    value: float = Field(description="In `unit`.")
    unit: str = Field(description="mm, N and so on.")
    expanded: float | None = Field(description="What it is known within, 95 %; null: it is as drawn.")
    note: str = Field(description="What is to be said of it.")


class BudgetRecord(Record):
    """By how much a place that a made part gives may be off."""

    name: str = Field(description="Of the place.")
    terms: tuple[TermRecord, ...] = Field(description="What that is made of, there; the largest first.")
    likely: float = Field(description="mm, 95 %: bounds taken as anywhere within them.")
    worst: float = Field(description="mm: all bounds at their ends, and twice what is random.")
    note: str = Field(description="What to see to first.")


class GaugeRecord(Record):
    """A size to measure before a part is made."""

    part: str = Field(description="In the layout.")
    why: str = Field(description="What it is for.")
    lines: str = Field(description="As it may stand in the job of that part's run.")


class MakeRecord(Record):
    """A part that is to be made."""

    name: str = Field(description="Its own.")
    kind: str = Field(description="template and so on.")
    matrix: tuple[_Row, _Row, _Row, _Row] = Field(description="4x4, row-major: place = matrix * its own coordinates.")
    volume: float = Field(description="mm3 of the exact solid.")
    wall: float = Field(description="mm of its thinnest place, by rays; raised letters left out.")
    chord: float | None = Field(None, description="mm that the facets of 3MF and STL may be off the exact faces.")
    figures: tuple[FigureRecord, ...] = Field(description="For its maker.")
    budgets: tuple[BudgetRecord, ...] = Field(description="By how much what it gives may be off.")
    gauges: tuple[GaugeRecord, ...] = Field(description="What to measure before it is made.")
    clearances: tuple[ClearanceRecord, ...] = Field(
        description="From each part that it must clear, its seats left out."
    )
    facts: tuple[str, ...] = Field(description="What else there is to know.")
    cautions: tuple[str, ...] = Field(description="What to see to.")
    doubts: tuple[str, ...] = Field(description="What was asked but isn't held for certain.")
    files: tuple[str, ...] = Field(description="Written beside this one; none where it would hit a part.")


class FitFile(Record):
    """What was found of the parts of a layout."""

    schema_version: str = Field(SCHEMA_VERSION, description="Of this sort of file.")
    layout: str = Field(description="Name of the layout file.")
    length: Literal["mm"] = "mm"
    angle: Literal["deg"] = "deg"
    parts: tuple[PartRecord, ...] = Field(description="In the layout's order.")
    clearances: tuple[ClearanceRecord, ...] = Field(description="In the layout's order.")
    cuts: tuple[CutRecord, ...] = Field((), description="In the layout's order.")
    walls: tuple[WallRecord, ...] = Field((), description="In the layout's order.")
    travels: tuple[TravelRecord, ...] = Field((), description="In the layout's order.")
    envelopes: tuple[EnvelopeRecord, ...] = Field((), description="In the layout's order.")
    made: tuple[MakeRecord, ...] = Field((), description="In the layout's order.")
    held: bool = Field(description="Whether all that was asked for is held for certain.")
