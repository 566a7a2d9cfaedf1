"""A part that is to be made: laid out, built, held against the parts that it must clear, and written."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import SettingsError
from pipeline.fitup import Clearance, Placed, clearance
from pipeline.fitup.made import Budget, MadePart, Share, made
from pipeline.formats.datum_file import Record
from pipeline.formats.fit_file import make_record
from pipeline.layout import MakeQuestion
from pipeline.progress import Progress
from pipeline.questions.clearance import shown_places
from pipeline.questions.kind import Kind, Parts
from pipeline.report.fit import Section, Shown, Term

if TYPE_CHECKING:
    from pipeline.formats.made_parts import Solid

_STRUCK = ("hits", "too near")


@dataclass(frozen=True)
class MakeAnswer:
    """A made part, its solid, where it stands, and by part whether it keeps what it must, mm."""

    question: MakeQuestion
    part: MadePart
    solid: Solid
    placed: Placed
    found: tuple[tuple[str, float, Clearance], ...]

    @property
    def written(self) -> bool:
        """Whether it is fit to be written: it comes too near to nothing."""
        return not any(one.verdict in _STRUCK for _, _, one in self.found)

    @property
    def thin(self) -> bool:
        """Whether a wall is thinner than what was asked for."""
        return self.question.wall is not None and self.solid.wall < self.question.wall.mm

    @property
    def verdict(self) -> str:
        """A word or two."""
        worst = next((v for v in (*_STRUCK, "can't be said") if any(v == c.verdict for _, _, c in self.found)), "")
        return worst or ("too thin" if self.thin else "in doubt" if self.part.doubts else "can be made")


def _answer(question: MakeQuestion, parts: Parts, progress: Progress) -> MakeAnswer:
    part = made(question, parts)
    progress(0.3, "solid")
    # The CAD kernel takes a second to import.
    from pipeline.formats.made_parts import lies_on, solid_of, standing

    solid = solid_of(part, question)
    printing = question.printing
    if printing is not None and printing.bed is not None:
        for facets in [piece.facets for piece in solid.pieces] or [solid.facets]:
            large = lies_on(facets, printing.bed, printing.grow)
            if large is not None:
                raise SettingsError(
                    f"{question.name}: it is {large[0]:.0f} x {large[1]:.0f} mm, larger than the bed of "
                    f"{printing.bed[0]:g} x {printing.bed[1]:g} mm; print it elsewhere, or have it cut from sheet."
                )
    placed = standing(part, solid)
    found = []
    for number, name in enumerate(part.against):
        progress(0.5 + 0.5 * number / len(part.against), name)
        own = {called: ident for ident, called in placed.body.names.items()}
        seats = [(own[seat.face], seat.feature) for seat in part.seats if seat.part == name]
        found.append((name, question.gap.mm, clearance(placed, parts[name], question.gap.mm, seats)))
    return MakeAnswer(question, part, solid, placed, tuple(found))


def _files(answer: MakeAnswer) -> tuple[str, ...]:
    from pipeline.formats.made_drawings import drawing_files
    from pipeline.formats.made_parts import files_of

    return (*files_of(answer.part), *drawing_files(answer.part)) if answer.written else ()


def _record(question: MakeQuestion, answer: MakeAnswer) -> Record:
    sizes = answer.solid.volume, answer.solid.wall, question.chord.mm
    return make_record(answer.part, sizes, answer.found, _files(answer))


def _held(answer: MakeAnswer) -> bool:
    return answer.verdict == "can be made"


def _lines(question: MakeQuestion, answer: MakeAnswer) -> list[str]:
    part = answer.part
    lines = [f"make       {part.name}: {answer.verdict}: {_said(answer)}"]
    lines += [f"           {fact}" for fact in _facts(answer)]
    lines += [f"           first measure, for the job of {g.part}: {g.what} of {', '.join(g.features)}, {g.why}"
              for g in part.gauges]  # fmt: skip
    return lines + [f"           caution: {text}" for text in part.cautions]


def _said(answer: MakeAnswer) -> str:
    parts = [f"{name}: {one.why}" for name, _, one in answer.found if one.verdict != "clear"]
    if answer.thin and answer.question.wall is not None:
        x, y, z = answer.solid.thin
        parts.append(
            f"{answer.solid.wall:.2f} mm of wall at [{x:.1f}, {y:.1f}, {z:.1f}] of its own, where "
            f"{answer.question.wall.mm:g} mm is the least"
        )
    if not parts and not answer.part.doubts:
        nearest = [one.spot for _, _, one in answer.found if one.spot is not None]
        if nearest:
            spot = min(nearest, key=lambda s: s.distance - s.expanded)
            parts.append(f"it keeps {spot.distance:.3f} mm, +-{spot.expanded:.3f} (95 %), from all it isn't to touch")
        else:
            parts.append("nothing is near but what it is meant to touch")
    return "; ".join([*parts, *answer.part.doubts])


def _facts(answer: MakeAnswer) -> list[str]:
    part, solid = answer.part, answer.solid
    chord = answer.question.chord.mm
    facts = [f"{solid.volume:.0f} mm3; thinnest wall {solid.wall:.2f} mm; 3MF and STL within {chord:g} mm of its faces"]
    for f in part.figures:
        doubt = "" if f.expanded is None else f" +-{f.expanded:.3f} (95 %)"
        facts.append(f"{f.name}: {f.value:.3f} {f.unit}{doubt}{f'; {f.note}' if f.note else ''}")
    for budget in part.budgets:
        facts.append(
            f"{budget.name}: within {budget.likely:.3f} mm (95 %), {budget.worst:.3f} mm at worst"
            f"{f'; {budget.note}' if budget.note else ''}"
        )
        facts += [f"  {share.kind} {share.size:.4f} mm: {share.name}" for share in _ranked(budget)]
    return [*facts, *part.facts, *([] if answer.written else ["not written, since it would not clear what is there"])]


def _ranked(budget: Budget) -> list[Share]:
    return sorted(budget.shares, key=lambda share: -share.size)


def _shown(question: MakeQuestion, answer: MakeAnswer, parts: Parts) -> Shown:
    part = answer.part
    sections: list[Section] = []
    both = {**parts, part.name: answer.placed}
    near = [(name, one) for name, _, one in answer.found if one.spot is not None or one.unseen is not None]
    for name, one in near[:2]:
        sections += shown_places((part.name, name), one, both)[0]
    terms = tuple(Term(f"{b.name}: {s.name}", s.kind, s.size) for b in part.budgets for s in b.shares)
    pastes = tuple((f"To be measured first, ready for the job of {g.part}:", g.lines) for g in part.gauges)
    facts = (*_facts(answer), *part.cautions)
    asked = f"make: {part.name}, {part.kind}"
    return Shown(asked, answer.verdict, _held(answer), _said(answer), facts, tuple(sections), terms, pastes=pastes)


def _writes(question: MakeQuestion, answer: MakeAnswer, room: Path) -> tuple[str, ...]:
    if not answer.written:
        return ()
    from pipeline.formats.made_drawings import write_made_drawing
    from pipeline.formats.made_parts import write_made

    return (*write_made(room, answer.part, answer.solid, question), *write_made_drawing(room, answer.part))


KIND = Kind[MakeQuestion, MakeAnswer](
    table="make",
    field="made",
    about=lambda question: question.name,
    answer=_answer,
    record=_record,
    held=_held,
    lines=_lines,
    shown=_shown,
    leaves=lambda answer: {answer.part.name: answer.placed},
    writes=_writes,
    keep=None,
)
