"""What a turning part sweeps, and whether it keeps a distance from others."""

from __future__ import annotations

import numpy as np

from pipeline.fitup import Envelope, envelope
from pipeline.formats.fit_file import envelope_record
from pipeline.layout import EnvelopeQuestion
from pipeline.lengths import mm
from pipeline.progress import Progress
from pipeline.questions.clearance import shown_places
from pipeline.questions.kind import Kind, Parts
from pipeline.questions.travel import axis_in_words
from pipeline.report.fit import Grid, Section, Shown, Term


def _answer(question: EnvelopeQuestion, parts: Parts, progress: Progress) -> Envelope:
    axis = axis_in_words(parts, question.about, f"envelope of {question.turn}")
    against = question.against or tuple(name for name in parts if name != question.turn)
    return envelope(parts[question.turn], {name: parts[name] for name in against}, axis, question.least, progress)


def _lines(question: EnvelopeQuestion, found: Envelope) -> list[str]:
    lines = [
        f"envelope   {question.turn} about {question.about}: D{mm(2 * found.largest, '.3f')} at station "
        f"{mm(found.at)}, stations {mm(found.profile[0, 0])} to {mm(found.profile[-1, 0])}"
    ]
    for each in found.reached:
        said = f"           {each.against}: {each.clearance.verdict}: {each.clearance.why}"
        if each.place is not None:
            said += f", at station {mm(each.place[0])}, {np.degrees(each.place[1]):.1f} degrees"
        lines.append(said)
        if each.relief is not None:
            station, angle, depth = each.relief.deepest
            lines.append(
                f"           relief in {each.against}: {mm(depth)} deep at station {mm(station)}, "
                f"{np.degrees(angle):.1f} degrees"
            )
    return lines


def _shown(question: EnvelopeQuestion, found: Envelope, parts: Parts) -> Shown:
    facts = [f"What turns is at most D{mm(2 * found.largest, '.3f')}, at station {mm(found.at)}."]
    sections: tuple[Section, ...] = ()
    terms: tuple[Term, ...] = ()
    grids = []
    for each in found.reached:
        if each.place is not None:
            facts.append(
                f"{each.against}: nearest at station {mm(each.place[0])}, {np.degrees(each.place[1]):.1f} degrees."
            )
        if each.relief is not None:
            relief = each.relief
            station, angle, depth = relief.deepest
            facts.append(
                f"{each.against}: needs relief of up to {mm(depth)}, most at station {mm(station)}, "
                f"{np.degrees(angle):.1f} degrees."
            )
            grids.append(
                Grid(relief.stations, np.degrees(relief.angles), relief.depth.T, "station, mm", "angle, degrees",
                     "relief, mm", f"Relief that {each.against} needs, unrolled")
            )  # fmt: skip
    known = [each for each in found.reached if each.clearance.spot is not None]
    if known:
        tightest = min(known, key=lambda each: each.clearance.spot.distance if each.clearance.spot else 0.0)
        sections, terms, _ = shown_places((question.turn, tightest.against), tightest.clearance, parts)
    verdicts = [each.clearance.verdict for each in found.reached]
    worst = next((v for v in ("hits", "too near", "can't be said") if v in verdicts), "clear")
    said = "; ".join(f"{each.against}: {each.clearance.verdict}, {each.clearance.why}" for each in found.reached)
    asked = f"envelope: {question.turn} about {question.about}"
    return Shown(
        asked, worst, worst == "clear", said, tuple(facts), sections, terms, (), tuple(grids)
    )  # fmt: skip


KIND = Kind[EnvelopeQuestion, Envelope](
    table="envelope",
    field="envelopes",
    about=lambda question: question.turn,
    answer=_answer,
    record=envelope_record,
    held=lambda found: all(each.clearance.verdict == "clear" for each in found.reached),
    lines=_lines,
    shown=_shown,
)
