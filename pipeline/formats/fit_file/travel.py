"""The record of a travel."""

from __future__ import annotations

import math

from pipeline.fitup.motions import Gain, Run, Stop, Travel, TravelMap
from pipeline.formats.fit_file.plain import row, rows
from pipeline.formats.fit_file.records import (
    GainRecord,
    MillingRecord,
    OwedRecord,
    RunRecord,
    StopRecord,
    TermRecord,
    TravelMapRecord,
    TravelRecord,
)
from pipeline.geometry import Floats
from pipeline.layout import TravelQuestion


def travel_record(question: TravelQuestion, found: Travel) -> TravelRecord:
    """What was asked of a travel and the answer, as a record; mm and degrees.

    >>> question = TravelQuestion(move="rod", along=(0, 0, 1), up_to=50)
    >>> travel_record(question, Travel(False, 50.0, (), None)).up_to
    50.0
    """
    size = math.degrees if found.turns else float
    return TravelRecord(
        move=question.move, turns=found.turns, least=question.least, up_to=question.up_to, at_least=question.at_least,
        runs=tuple(_run(run, found.turns) for run in found.runs),
        map=None if found.map is None else _map(found.map, size(1.0)),
    )  # fmt: skip


def _run(run: Run, turns: bool) -> RunRecord:
    size = math.degrees if turns else float
    return RunRecord(
        way=1 if run.way > 0 else -1, run=size(run.run), sure=size(run.sure), verdict=run.verdict, why=run.why,
        stop=None if run.stop is None else _stop(run.stop, size(1.0)),
        gaps=tuple((size(at), _gap(gap)) for at, gap in run.gaps.tolist()),
        gains=tuple(_gain(gain, size(1.0)) for gain in run.gains),
        owed=tuple(
            OwedRecord(cut=o.cut, part=o.part, run=size(o.run), more=size(o.more), stop=o.stop) for o in run.owed
        ),
    )  # fmt: skip


def _stop(stop: Stop, unit: float) -> StopRecord:
    terms = () if stop.spot is None else stop.spot.terms
    return StopRecord(
        against=stop.against, places=rows(stop.places), on=stop.on, measured=stop.seen, rate=stop.rate / unit,
        expanded=None if stop.expanded is None else stop.expanded * unit,
        terms=tuple(TermRecord(name=t.name, kind=t.kind, size=t.size) for t in terms),
    )  # fmt: skip


def _gain(gain: Gain, unit: float) -> GainRecord:
    off = gain.milling
    name, on = gain.stop or (None, "")
    return GainRecord(
        without=gain.part if off is None else f"{off.depth:.2f} mm of {off.words}", part=gain.part, run=gain.run * unit,
        stop=name, stop_on=on or None, expanded=None if gain.expanded is None else gain.expanded * unit,
        milling=None if off is None else MillingRecord(
            depth=off.depth, expanded=off.expanded, way=row(off.way), place=row(off.place), reach=off.reach, on=off.on
        ),
    )  # fmt: skip


def _gap(gap: float) -> float | None:
    return gap if math.isfinite(gap) else None


def _map(found: TravelMap, unit: float) -> TravelMapRecord:
    def figures(values: Floats, by: float) -> tuple[float, ...]:
        return tuple(row(by * values))

    return TravelMapRecord(
        second=figures(found.second, math.degrees(1.0) if found.turned else 1.0), second_turns=found.turned,
        runs=figures(found.runs, unit), gaps=tuple(tuple(map(_gap, each)) for each in found.gaps.tolist()),
        pairs=found.pairs, pair=tuple(map(tuple, found.pair.tolist())), limits=rows(unit * found.limits),
    )  # fmt: skip
