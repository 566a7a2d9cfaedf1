"""The record of placed parts and of what was asked of them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.fitup import Clearance, Placed
from pipeline.formats.fit_file.records import (
    SCHEMA_VERSION,
    ClearanceRecord,
    FitFile,
    FitOfPair,
    LeftRecord,
    PartRecord,
    SpotRecord,
    TermRecord,
    UnseenRecord,
)
from pipeline.layout import ClearanceQuestion


def fit_record(
    layout: str, parts: Mapping[str, Placed], answers: Sequence[tuple[ClearanceQuestion, Clearance]]
) -> FitFile:
    """What was found of the parts of a layout file, as a record; mm and degrees.

    >>> from pipeline.fitup import Placed, placed, turned_body
    >>> rod = Placed(turned_body("rod", [(0, 20), (50, 20)], 0.01), placed([]))
    >>> fit_record("rods.toml", {"rod": rod}, []).parts[0].free[0]
    'turn about x'
    """
    clearances = tuple(_clearance(question, found) for question, found in answers)
    return FitFile(
        schema_version=SCHEMA_VERSION,
        layout=layout,
        parts=tuple(_part(name, part) for name, part in parts.items()),
        clearances=clearances,
        held=all(found.verdict == "clear" for found in clearances),
    )


def _part(name: str, part: Placed) -> PartRecord:
    left = tuple(LeftRecord(words=one.words, shift=one.shift, angle=math.degrees(one.angle)) for one in part.pose.left)
    return PartRecord(
        name=name, matrix=_rows(part.pose.matrix), closed=part.body.closed, facets=part.body.surface.facets,
        taken=part.pose.taken, free=part.pose.free, left=left,
    )  # fmt: skip


def _rows(values: Any) -> Any:
    return tuple(tuple(float(v) + 0.0 for v in row) for row in values)


def _clearance(question: ClearanceQuestion, found: Clearance) -> ClearanceRecord:
    spot, unseen = found.spot, found.unseen
    return ClearanceRecord(
        between=question.between, least=question.least, verdict=found.verdict, why=found.why,
        spot=None
        if spot is None
        else SpotRecord(
            distance=spot.distance, expanded=spot.expanded, of_facets=spot.raw, places=_rows(spot.places), on=spot.on,
            terms=tuple(TermRecord(name=t.name, kind=t.kind, size=t.size) for t in spot.terms), unsure=spot.unsure,
        ),
        unseen=None
        if unseen is None
        else UnseenRecord(distance=unseen.distance, places=_rows((unseen.on_one, unseen.on_other))),
        crossing_facets=found.crossing, depth=found.depth,
        fits=tuple(
            FitOfPair(
                bore=fit.bore, inner=fit.inner, play=fit.play, expanded=fit.expanded, eccentric=fit.eccentric,
                overlap=fit.overlap,
            )
            for fit in found.fits
        ),
    )  # fmt: skip
