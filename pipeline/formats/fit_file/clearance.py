"""The record of a clearance."""

from __future__ import annotations

from pipeline.fitup import Clearance, Spot
from pipeline.formats.fit_file.plain import row, rows
from pipeline.formats.fit_file.records import (
    ClearanceRecord,
    FitOfPair,
    OverlapRecord,
    SpotRecord,
    TermRecord,
    UnseenRecord,
)
from pipeline.layout import ClearanceQuestion


def clearance_record(question: ClearanceQuestion, found: Clearance) -> ClearanceRecord:
    """What was asked of two parts and the answer, as a record; mm.

    >>> nothing = Clearance("clear", "nothing is near", None, None, (), 0, 0.0)
    >>> clearance_record(ClearanceQuestion(between=("rod", "bar"), least=1.0), nothing).verdict
    'clear'
    """
    spot, unseen = found.spot, found.unseen
    return ClearanceRecord(
        between=question.between, least=question.least, verdict=found.verdict, why=found.why,
        spot=None if spot is None else spot_record(spot),
        unseen=None
        if unseen is None
        else UnseenRecord(distance=unseen.distance, places=rows((unseen.on_one, unseen.on_other))),
        crossing_facets=found.crossing, depth=found.depth,
        fits=tuple(
            FitOfPair(
                bore=fit.bore, inner=fit.inner, play=fit.play, expanded=fit.expanded, eccentric=fit.eccentric,
                overlap=fit.overlap,
            )
            for fit in found.fits
        ),
        overlap=None
        if found.overlap is None
        else OverlapRecord(
            volume=found.overlap.volume,
            middle=None if found.overlap.middle is None else row(found.overlap.middle),
            shift=None if found.overlap.shift is None else row(found.overlap.shift),
        ),
    )  # fmt: skip


def spot_record(spot: Spot) -> SpotRecord:
    """What is known of a distance between two places, as a record; mm."""
    return SpotRecord(
        distance=spot.distance, expanded=spot.expanded, of_facets=spot.raw, places=rows(spot.places), on=spot.on,
        terms=tuple(TermRecord(name=t.name, kind=t.kind, size=t.size) for t in spot.terms), unsure=spot.unsure,
    )  # fmt: skip
