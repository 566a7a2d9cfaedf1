"""The record of a made part."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.fitup import Clearance
from pipeline.fitup.made import MadePart
from pipeline.formats.fit_file.clearance import clearance_record
from pipeline.formats.fit_file.plain import rows
from pipeline.formats.fit_file.records import BudgetRecord, FigureRecord, GaugeRecord, MakeRecord, TermRecord
from pipeline.layout import ClearanceQuestion


def make_record(
    part: MadePart,
    sizes: tuple[float, float, float],
    found: Sequence[tuple[str, float, Clearance]],
    files: Sequence[str],
) -> MakeRecord:
    """A made part, as a record; mm.

    sizes  its volume, mm3, its thinnest wall, and what its facets may be off its faces
    found  by part: what it must keep from it, and whether it does

    >>> import numpy as np
    >>> from pipeline.fitup.made.part import Figure
    >>> ring = MadePart("ring", "spacer", (), np.eye(4), (), (), figures=(Figure("thickness", 4.0),))
    >>> make_record(ring, (256.0, 4.0, 0.02), (), ["ring.step"]).figures[0].value
    4.0
    """
    return MakeRecord(
        name=part.name, kind=part.kind, matrix=rows(part.matrix), volume=sizes[0], wall=sizes[1], chord=sizes[2],
        figures=tuple(
            FigureRecord(name=f.name, value=f.value, unit=f.unit, expanded=f.expanded, note=f.note)
            for f in part.figures
        ),
        budgets=tuple(
            BudgetRecord(
                name=b.name, likely=b.likely, worst=b.worst, note=b.note,
                terms=tuple(TermRecord(name=s.name, kind=s.kind, size=s.size) for s in b.shares),
            )
            for b in part.budgets
        ),
        gauges=tuple(GaugeRecord(part=g.part, why=g.why, lines=g.lines) for g in part.gauges),
        clearances=tuple(
            clearance_record(ClearanceQuestion(between=(part.name, name), least=least), one)
            for name, least, one in found
        ),
        facts=part.facts, cautions=part.cautions, doubts=part.doubts, files=tuple(files),
    )  # fmt: skip
