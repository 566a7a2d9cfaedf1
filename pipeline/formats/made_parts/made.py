"""A made part as a solid and as facets, checked, and its files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from pipeline.errors import GeometryError
from pipeline.fitup import Body, Placed, Pose
from pipeline.fitup.made import Lettering, MadePart, Outline, Prism, Step, Turned, circle
from pipeline.formats.made_parts.build import built
from pipeline.formats.made_parts.checks import thinnest
from pipeline.formats.meshes_out import write_parts_3mf, write_stl
from pipeline.formats.solid import NamedBody, body_of_shape, checked, write_solid
from pipeline.geometry import Floats
from pipeline.making import MakeQuestion, Printing

_VOLUME = 1e-6  # share by which the kernel's volume may be off the closed form
# Of the chord: along a ledge of some micrometres the kernel may leave facets out, and finer ones keep the chord too.
_FINER = (1.0, 0.7, 0.5)


@dataclass(frozen=True)
class Solid:
    """A made part as the kernel has it.

    body    with named faces, letters and all
    facets  the same as facets, and its faces as features, in its own coordinates
    volume  mm3
    wall    mm of its thinnest place, letters left out, and where that is, (3,)
    pieces  what it is printed in, where that isn't the whole
    """

    body: NamedBody
    facets: Body
    volume: float
    wall: float
    thin: Floats
    pieces: tuple[Piece, ...] = ()


class Piece(NamedTuple):
    """A piece of a made part: body and facets as of the whole, in its coordinates; mm3."""

    body: NamedBody
    facets: Body
    volume: float


def solid_of(part: MadePart, question: MakeQuestion) -> Solid:
    """The exact solid of a made part, checked.

    Raises GeometryError where the kernel gives up, its checker doesn't take the body, its volume is not that of the
    closed form, or its facets don't close.

    >>> from pipeline.fitup.made.solids import cylinder
    >>> peg = Step("add", cylinder(np.zeros(3), np.array([0.0, 0, 1]), 5.0, 20.0), "peg")
    >>> guide = {"axis": "a: c", "face": "a: end", "drill": 5}
    >>> wish = {"seat": "a: end", "locate": [{"pin": "a: b"}], "guide": [guide]}
    >>> part = MadePart("peg", "template", (peg,), np.eye(4), (), (), volume=500 * np.pi)
    >>> made = solid_of(part, MakeQuestion(name="peg", template=wish))
    >>> round(made.volume, 3), round(made.wall, 1), made.facets.closed
    (1570.796, 10.0, True)
    """
    plain = [step for step in part.steps if not isinstance(step.solid, Lettering)]
    bare_body, bare, volume_bare = _checked(plain, part.name, question)
    body, facets, volume = bare_body, bare, volume_bare
    if len(plain) < len(part.steps):
        letters = [step for step in part.steps if isinstance(step.solid, Lettering)]
        body, facets, volume = _checked(letters, part.name, question, bare_body)
    if part.volume is not None and abs(volume_bare - part.volume) > _VOLUME * part.volume:
        raise GeometryError(
            f"The CAD kernel makes {part.name} {volume_bare:.1f} mm3 large, where it is drawn as {part.volume:.1f} "
            "mm3; change its sizes a little."
        )
    wall, thin = thinnest(bare)
    pieces = _pieces(part.pieces, part.name, question, body)
    if pieces:
        # Of their letters a wall is told where they are cut, so the pieces are looked at without.
        thin_ones = [thinnest(piece.facets) for piece in _pieces(part.pieces, part.name, question, bare_body)]
        wall, thin = min([(wall, thin), *thin_ones], key=lambda found: found[0])
    return Solid(body, facets, volume, wall, thin, pieces)


def _pieces(cuts: Sequence[Sequence[Step]], name: str, question: MakeQuestion, whole: NamedBody) -> tuple[Piece, ...]:
    """The pieces of a whole, each checked."""
    return tuple(Piece(*_checked(steps, f"{name}, piece {k}", question, whole)) for k, steps in enumerate(cuts, 1))


def _checked(
    steps: Sequence[Step], name: str, question: MakeQuestion, begin: NamedBody | None = None
) -> tuple[NamedBody, Body, float]:
    body = built(steps, name, begin)
    verdict = checked(body.shape, {})
    if not verdict.valid or verdict.free_edges or verdict.volume <= 0.0:
        raise GeometryError(f"The CAD kernel's own checks don't take {name}; change its sizes a little.")
    for share in _FINER:
        facets = body_of_shape(name, body, question.uncertainty, share * question.chord.mm)
        if facets.closed:
            return body, facets, verdict.volume
    raise GeometryError(f"The facets of {name} don't close; ask for another chord.")


def standing(part: MadePart, solid: Solid) -> Placed:
    """A made part where it stands, as other parts of the layout.

    >>> standing.__name__
    'standing'
    """
    return Placed(solid.facets, Pose(part.matrix, (), (), dict(part.moves), part.unsure, ()))


def write_made(room: Path, part: MadePart, solid: Solid, question: MakeQuestion) -> tuple[str, ...]:
    """Write NAME.step, NAME.3mf and NAME.stl into a folder, and those of its pieces and of its twin; their names.

    The exact solid is as drawn. What is printed may have its holes and its size made up for what the printer does.

    Raises OSError where the folder can't be written to.

    >>> write_made.__module__
    'pipeline.formats.made_parts.made'
    """
    _write(room, part.stem, part.name, part, (part.steps, part.pieces), (solid.body, solid.facets), question)
    if part.twin:
        name = f"{part.name}, mirrored"
        twin, facets, _ = _checked(part.twin, name, question)
        _write(room, f"{part.stem}-mirrored", name, part, (part.twin, part.twin_pieces), (twin, facets), question)
    return files_of(part)


def files_of(part: MadePart) -> tuple[str, ...]:
    """The names of a made part's files: of one that is printed in pieces the exact whole, and these.

    >>> files_of(MadePart("wall ring", "spacer", (), np.eye(4), (), ()))
    ('wall-ring.step', 'wall-ring.3mf', 'wall-ring.stl')
    >>> files_of(MadePart("lid", "template", (), np.eye(4), (), (), pieces=((), ())))[:3]
    ('lid.step', 'lid-1.step', 'lid-1.3mf')
    """
    names = []
    for stem in [part.stem, *([f"{part.stem}-mirrored"] if part.twin else [])]:
        printed = [f"{stem}-{k}" for k in range(1, len(part.pieces) + 1)]
        names += [f"{stem}.step"] if printed else []
        names += [f"{one}.{ending}" for one in printed or [stem] for ending in ("step", "3mf", "stl")]
    return tuple(names)


def _write(
    room: Path, stem: str, name: str, part: MadePart, steps: tuple[Sequence[Step], Sequence[Sequence[Step]]],
    whole: tuple[NamedBody, Body], question: MakeQuestion,
) -> None:  # fmt: skip
    body, facets = whole
    write_solid(room / f"{stem}.step", body, name, part.kind)
    own, cuts = steps
    printing = question.printing
    printed = body
    if printing is not None and printing.hole > 0.0:
        printed, facets, _ = _checked(made_up(own, printing), name, question)
    if not cuts:
        _write_facets(room, stem, name, question, facets)
    for k, exact in enumerate(_pieces(cuts, name, question, body), 1):
        called, facets = f"{name}, piece {k}", exact.facets
        write_solid(room / f"{stem}-{k}.step", exact.body, called, part.kind)
        if printing is not None and printing.hole > 0.0:
            facets = _checked(made_up(cuts[k - 1], printing), called, question, printed)[1]
        _write_facets(room, f"{stem}-{k}", called, question, facets)


def _write_facets(room: Path, stem: str, name: str, question: MakeQuestion, facets: Body) -> None:
    grow = 1.0 if question.printing is None else question.printing.grow
    vertices, faces = grow * facets.surface.vertices, facets.surface.faces
    write_parts_3mf(room / f"{stem}.3mf", {name: (vertices, faces)}, "mm")
    write_stl(room / f"{stem}.stl", vertices, faces, "mm")


def made_up(steps: Sequence[Step], printing: Printing) -> tuple[Step, ...]:
    """Steps whose round holes are larger by what a printer makes them too small, of the diameter.

    >>> from pipeline.fitup.made.solids import cylinder
    >>> hole = Step("take", cylinder(np.zeros(3), np.array([0.0, 0, 1]), 5.0, 20.0), "hole")
    >>> made_up([hole], Printing(hole=0.2))[0].solid.profile[2]
    (20.0, 5.1)
    """
    out = []
    for step in steps:
        solid, more = step.solid, 0.5 * printing.hole
        if step.how == "take" and isinstance(solid, Turned):
            solid = replace(solid, profile=tuple((z, r + more if r > 0.0 else r) for z, r in solid.profile))
        elif step.how == "add" and isinstance(solid, Prism):
            solid = replace(solid, holes=tuple(_wider(hole, more) for hole in solid.holes))
        out.append(replace(step, solid=solid))
    return tuple(out)


def _wider(hole: Outline, more: float) -> Outline:
    if len(hole.corners) != 2 or hole.bulges != (1.0, 1.0):
        return hole
    (x, y), (z, w) = hole.corners
    return circle(0.5 * (x + z), 0.5 * (y + w), 0.5 * float(np.hypot(z - x, w - y)) + more)
