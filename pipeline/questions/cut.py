"""A cut into a part: from then on the part is the one that is left. Cuts are made on the light mesh; where the part has
an exact solid, `part.step` of a run or the STEP file that it comes from, they are made on that as well."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pipeline.errors import GeometryError
from pipeline.fitup import Cut, Placed, cut_part, item_on
from pipeline.formats.datum_file import Record
from pipeline.formats.fit_file import ExactCutRecord, cut_record
from pipeline.formats.meshes_out import write_ply, write_stl
from pipeline.geometry import Floats, transformed
from pipeline.layout import CutQuestion
from pipeline.lengths import mm, mm3
from pipeline.progress import Progress
from pipeline.questions.kind import Kind, Parts
from pipeline.questions.wall import soundings, wall_lines, wall_maps, wall_places
from pipeline.report.fit import Shown, Term, section_through

if TYPE_CHECKING:
    from pipeline.formats.solid import KeptSolid, NamedBody

_PARTED = 0.005  # share by which the exact solid's volume may differ before it is told


@dataclass(frozen=True)
class CutAnswer:
    """A cut of the mesh, and of the exact solid where there is one."""

    cut: Cut
    exact: ExactCutRecord | None


@dataclass(frozen=True)
class _Kept:
    """An answer as plain values: the cut, its bodies without their files, the record of the exact one as text, and that
    solid itself."""

    cut: Cut
    exact: str | None
    solid: KeptSolid | None


def _about(question: CutQuestion) -> str:
    return f"{question.name or question.what} of {question.part}"


def _answer(question: CutQuestion, parts: Parts, progress: Progress) -> CutAnswer:
    part = parts[question.part]
    words = f"the {question.what}{f' {question.name!r}' if question.name else ''} of {question.part}"
    name = question.name or f"{question.what} P{part.body.next_planned}"
    named = question.model_copy(update={"name": name})
    cut = cut_part(part, named, lambda text, wanted: item_on(part, parts, text, wanted), words, progress)
    progress(0.9, "exact solid")
    body, exact = _exactly(part, cut)
    after = Placed(replace(cut.after.body, exact=body, solid=part.body.solid if exact is not None else None), part.pose)
    return CutAnswer(replace(cut, after=after), exact)


def _exactly(part: Placed, cut: Cut) -> tuple[NamedBody | None, ExactCutRecord | None]:
    """The exact solid after a cut, None where there is none any more, and what is to be told of it."""
    if part.body.solid is None or not part.body.solid.is_file():
        return None, None
    # The CAD kernel takes a second to import.
    from pipeline.formats.solid import cut_away, read_solid

    try:
        before = part.body.exact or read_solid(part.body.solid)
        body = before
        for stroke in cut.strokes:
            body, _ = cut_away(body, stroke, cut.name)
    except (GeometryError, OSError) as error:
        return None, ExactCutRecord(volume=None, why=f"no exact solid from here on: {error}")
    volume = before.volume - body.volume
    off = abs(volume - cut.volume)
    differs = off > max(cut.expanded, _PARTED * cut.volume)
    why = (
        f"it takes {mm3(volume - cut.volume, '+.0f')} more of the exact solid than of the light mesh" if differs else ""
    )
    return body, ExactCutRecord(volume=volume, why=why)


def _record(question: CutQuestion, answer: CutAnswer) -> Record:
    return cut_record(question, answer.cut, answer.exact)


def _held(answer: CutAnswer) -> bool:
    wall = answer.cut.wall
    return answer.cut.sound and (wall is None or wall.verdict == "holds")


def _cut_lines(question: CutQuestion, answer: CutAnswer) -> list[str]:
    cut = answer.cut
    mass = "" if cut.mass is None else f", {cut.mass:.0f} g"
    doubt = f" ({cut.unsure})" if cut.unsure else ""
    lines = [f"cut        {question.part}, {cut.name}: {mm3(cut.volume)} +-{mm3(cut.expanded)} (95 %){doubt}{mass}"]
    lines += [f"           {note}" for note in cut.notes]
    gone = [f"{c.number} {c.how}{_sizes(c.length)}" for c in cut.changed]
    if gone:
        lines.append(f"           {', '.join(gone)}")
    lines.append(f"           new faces: {', '.join(f'{f.id} ({f.name})' for f in cut.planned)}")
    if answer.exact is not None and answer.exact.why:
        lines.append(f"           exact solid: {answer.exact.why}")
    return lines


def _lines(question: CutQuestion, answer: CutAnswer) -> list[str]:
    wall = answer.cut.wall
    return [*_cut_lines(question, answer), *([] if wall is None else wall_lines(question.part, wall))]


def _sizes(length: tuple[float, float] | None) -> str:
    return "" if length is None or length[1] == 0.0 else f" ({mm(length[0])} to {mm(length[1])})"


def _writes(question: CutQuestion, answer: CutAnswer, room: Path) -> tuple[str, ...]:
    body = answer.cut.after.body
    surface, stem = body.surface, f"{question.part}-cut"
    write_stl(room / f"{stem}.stl", surface.vertices, surface.faces, "mm")
    comments = [
        "unit mm",
        "origin: 3 never seen, 4 planned",
        *(f"feature {k} {f.id}" for k, f in enumerate(body.features)),
    ]
    write_ply(room / f"{stem}.ply", surface.vertices, surface.faces, body.labels, surface.origin, comments)
    names = [f"{stem}.stl", f"{stem}.ply"]
    if body.exact is not None:
        from pipeline.formats.solid import write_solid

        write_solid(room / f"{stem}.step", body.exact, question.part, "as cut")
        names.append(f"{stem}.step")
    return tuple(names)


def _leaves(answer: CutAnswer) -> dict[str, Placed]:
    return {answer.cut.after.body.name: answer.cut.after}


def _shown(question: CutQuestion, answer: CutAnswer, parts: Parts) -> Shown:
    cut = answer.cut
    facts = [line.strip() for line in _cut_lines(question, answer)[1:]]
    held = _held(answer)
    verdict = ("as asked" if held else "look at it") if cut.wall is None else cut.wall.verdict
    mass = "" if cut.mass is None else f", {cut.mass:.0f} g"
    said = f"{mm3(cut.volume)}, +-{mm3(cut.expanded)} (95 %){mass}"
    both = {f"{question.part} as it was": parts[question.part], question.part: answer.cut.after}
    places = transformed(answer.cut.after.pose.matrix, _leader(cut))
    sections = [section_through(both, tuple(both), places, cut.name)]
    terms: tuple[Term, ...] = ()
    if cut.wall is not None:
        walls, terms = wall_places(question.part, answer.cut.after, cut.wall)
        sections += walls
        facts.append(f"Wall: {cut.wall.verdict}: {cut.wall.why}.")
    maps = () if cut.wall is None else wall_maps(answer.cut.after, cut.wall)
    lists = () if cut.wall is None else soundings(question.part, cut.wall)
    asked = f"cut: {_about(question)}"
    return Shown(asked, verdict, held, said, tuple(facts), tuple(sections), terms, (), maps, lists)


def _leader(cut: Cut) -> Floats:
    """(2, 3) mm: from a place of the first face that a cut leaves, near where the tool goes in, to its axis; of a plane
    off it by 1 mm."""
    face, body, stroke = cut.planned[0], cut.after.body, cut.strokes[0]
    mine = body.surface.faces[body.labels == body.index_of(face.id)]
    middles = body.surface.vertices[mine].mean(axis=1)
    assert face.direction is not None
    if face.radius is None:
        place = middles[np.linalg.norm(middles - face.point, axis=1).argmin()]
        return np.array([place, place + face.direction])
    along = middles @ stroke.feed
    place = middles[np.argsort(along)[len(along) // 10]]
    return np.array([place, face.point + ((place - face.point) @ face.direction) * face.direction])


def _keep(answer: CutAnswer) -> _Kept:
    bodies = answer.cut.before.body, answer.cut.after.body
    before, after = (replace(body, solid=None, exact=None, uncut=None) for body in bodies)
    plain = replace(
        answer.cut, before=replace(answer.cut.before, body=before), after=replace(answer.cut.after, body=after)
    )
    exact, solid = answer.cut.after.body.exact, None
    if exact is not None:
        from pipeline.formats.solid import kept_solid

        solid = kept_solid(exact)
    return _Kept(plain, None if answer.exact is None else answer.exact.model_dump_json(), solid)


def _again(kept: _Kept, question: CutQuestion, parts: Parts) -> CutAnswer:
    body, exact = parts[question.part].body, None
    if kept.solid is not None:
        from pipeline.formats.solid import solid_again

        exact = solid_again(kept.solid)
    solid = body.solid if kept.exact is not None else None
    before = replace(kept.cut.before.body, solid=body.solid, exact=body.exact, uncut=body.uncut)
    after = replace(kept.cut.after.body, solid=solid, exact=exact, uncut=(kept.cut.name, before))
    cut = replace(
        kept.cut, before=replace(kept.cut.before, body=before), after=replace(kept.cut.after, body=after)
    )  # fmt: skip
    return CutAnswer(cut, None if kept.exact is None else ExactCutRecord.model_validate_json(kept.exact))


KIND = Kind[CutQuestion, CutAnswer](
    table="cut",
    field="cuts",
    about=_about,
    answer=_answer,
    record=_record,
    held=_held,
    lines=_lines,
    shown=_shown,
    leaves=_leaves,
    writes=_writes,
    keep=_keep,
    again=_again,
)
