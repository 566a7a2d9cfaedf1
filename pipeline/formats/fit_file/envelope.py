"""The record of an envelope."""

from __future__ import annotations

import numpy as np

from pipeline.fitup import Envelope, Reached, Relief
from pipeline.formats.fit_file.clearance import clearance_record
from pipeline.formats.fit_file.plain import row, rows
from pipeline.formats.fit_file.records import EnvelopeRecord, ReachedRecord, ReliefRecord
from pipeline.layout import ClearanceQuestion, EnvelopeQuestion


def envelope_record(question: EnvelopeQuestion, found: Envelope) -> EnvelopeRecord:
    """What was asked of an envelope and the answer, as a record; mm and degrees.

    >>> question = EnvelopeQuestion(turn="rotor", about="housing: H1")
    >>> axis = np.zeros(3), np.array([0.0, 0.0, 1.0])
    >>> envelope_record(question, Envelope(np.array([[0.0, 5.0], [9.0, 5.0]]), *axis, 5.0, 0.0, ())).profile
    ((0.0, 5.0), (9.0, 5.0))
    """
    return EnvelopeRecord(
        turn=question.turn, point=row(found.point), direction=row(found.direction), profile=rows(found.profile),
        reached=tuple(_reached(question, each) for each in found.reached),
    )  # fmt: skip


def _reached(question: EnvelopeQuestion, found: Reached) -> ReachedRecord:
    asked = ClearanceQuestion(between=(question.turn, found.against), least=question.least)
    place = None if found.place is None else (found.place[0], float(np.degrees(found.place[1])))
    relief = None if found.relief is None else _relief(found.relief)
    return ReachedRecord(clearance=clearance_record(asked, found.clearance), place=place, relief=relief)


def _relief(found: Relief) -> ReliefRecord:
    station, angle, depth = found.deepest
    return ReliefRecord(
        stations=row(found.stations), angles=row(np.degrees(found.angles)), zero=row(found.zero),
        depth=rows(found.depth), deepest=(station, float(np.degrees(angle)), depth),
    )  # fmt: skip
