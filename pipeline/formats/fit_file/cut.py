"""The records of cuts and of walls."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from pipeline.fitup import Cut, Walls, WallSpot
from pipeline.formats.fit_file.clearance import spot_record
from pipeline.formats.fit_file.plain import rows
from pipeline.formats.fit_file.records import (
    ChangedRecord,
    CutRecord,
    ExactCutRecord,
    OpeningRecord,
    PlannedRecord,
    SoundingRecord,
    TakenTerm,
    WallRecord,
    WallSpotRecord,
)
from pipeline.layout import CutQuestion


def cut_record(question: CutQuestion, cut: Cut, exact: ExactCutRecord | None) -> CutRecord:
    """A cut that was asked for and what it does, as a record; mm, mm2, mm3, g.

    exact  the same of the exact solid

    >>> from pipeline.fitup import Placed, cut_part, item_in_words, placed, turned_body
    >>> bar = Placed(turned_body("bar", [(0, 40), (50, 40)], 0.01), placed([]))
    >>> face = CutQuestion(part="bar", facing={"face": "end", "take": 2})
    >>> made = cut_part(bar, face, lambda *words: item_in_words(bar.body, *words), "cut 1")
    >>> record = cut_record(face, made, None)
    >>> round(record.volume), [p.feature for p in record.planned], [(c.feature, c.how) for c in record.changed]
    (2513, ['P1'], [('end', 'gone'), ('step 1', 'shorter')])
    """
    return CutRecord(
        part=question.part, name=cut.name, kind=question.what, volume=cut.volume, expanded=cut.expanded,
        of_facets=cut.facets, terms=tuple(TakenTerm(name=t.name, kind=t.kind, size=t.size) for t in cut.terms),
        unsure=cut.unsure, mass=cut.mass,
        planned=tuple(
            PlannedRecord(
                feature=f.id, name=f.name or "", kind=f.kind, side=_side(f.side),
                point=rows([f.point])[0], direction=rows([f.direction])[0], radius=f.radius, area=f.extent.area,
                length=f.extent.length, position_uncertainty=f.uncertainty.position,
            )
            for f in cut.planned
        ),
        openings=tuple(
            OpeningRecord(opens=o.opens, place=rows([o.place])[0], area=o.area, unseen=o.unseen, on=o.on)
            for o in cut.openings
        ),
        changed=tuple(
            ChangedRecord(
                feature=c.number, how=c.how, area_before=c.area[0], area_after=c.area[1],
                length_before=c.length and c.length[0], length_after=c.length and c.length[1],
            )
            for c in cut.changed
        ),
        pieces=cut.pieces, tunnels=cut.tunnels, hollows=cut.hollows, notes=cut.notes, sound=cut.sound,
        wall=None if cut.wall is None else wall_record(question.part, tuple(f.id for f in cut.planned), cut.wall),
        exact=exact,
    )  # fmt: skip


def _side(side: str | None) -> Literal["bore", "boss"] | None:
    return None if side is None else "bore" if side == "bore" else "boss"


def wall_record(part: str, behind: Sequence[str], found: Walls) -> WallRecord:
    """What is left behind faces of a part, as a record; mm.

    >>> none = Walls(6.0, "holds", "7.000 mm, +-0.100 (95 %)", (), 0.0, *(() for _ in range(4)))
    >>> wall_record("housing", ["H1"], none).least
    6.0
    """
    return WallRecord(
        part=part, behind=tuple(behind), least=found.least, verdict=found.verdict, why=found.why,
        spots=tuple(map(_spot, found.spots)), unknown_area=found.unknown,
    )  # fmt: skip


def _spot(found: WallSpot) -> WallSpotRecord:
    sounding = found.sounding
    return WallSpotRecord(
        verdict=found.verdict, why=found.why, spot=spot_record(found.spot), seen=found.seen,
        sounding=SoundingRecord(
            place=rows([sounding.place])[0], way=rows([sounding.way])[0], before=sounding.before, after=sounding.after
        ),
    )  # fmt: skip
