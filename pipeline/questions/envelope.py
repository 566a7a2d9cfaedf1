"""What a turning part sweeps, and whether it keeps a distance from others."""

from __future__ import annotations

import numpy as np

from pipeline.fitup import Envelope, envelope
from pipeline.formats.fit_file import envelope_record
from pipeline.layout import EnvelopeQuestion
from pipeline.progress import Progress
from pipeline.questions.kind import Kind, Parts
from pipeline.questions.travel import axis_in_words


def _answer(question: EnvelopeQuestion, parts: Parts, progress: Progress) -> Envelope:
    axis = axis_in_words(parts, question.about, f"envelope of {question.turn}")
    against = question.against or tuple(name for name in parts if name != question.turn)
    return envelope(parts[question.turn], {name: parts[name] for name in against}, axis, question.least, progress)


def _lines(question: EnvelopeQuestion, found: Envelope) -> list[str]:
    lines = [
        f"envelope   {question.turn} about {question.about}: D{2 * found.largest:.3f} at station {found.at:.2f}, "
        f"stations {found.profile[0, 0]:.2f} to {found.profile[-1, 0]:.2f}"
    ]
    for each in found.reached:
        said = f"           {each.against}: {each.clearance.verdict}: {each.clearance.why}"
        if each.place is not None:
            said += f", at station {each.place[0]:.2f}, {np.degrees(each.place[1]):.1f} degrees"
        lines.append(said)
        if each.relief is not None:
            station, angle, depth = each.relief.deepest
            lines.append(
                f"           relief in {each.against}: {depth:.2f} mm deep at station {station:.2f}, "
                f"{np.degrees(angle):.1f} degrees"
            )
    return lines


KIND = Kind[EnvelopeQuestion, Envelope](
    table="envelope",
    field="envelopes",
    about=lambda question: question.turn,
    answer=_answer,
    record=envelope_record,
    held=lambda found: all(each.clearance.verdict == "clear" for each in found.reached),
    lines=_lines,
)
