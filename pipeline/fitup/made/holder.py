"""Holders and sleeves for rolling bearings: outside to a recovered bore, inside to a bearing of the tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from pipeline.errors import SettingsError
from pipeline.fitup import Placed
from pipeline.fitup.made.part import Figure, MadePart, Seat, Size
from pipeline.fitup.made.registers import LEAST_WALL, closed_off, found_by, standing
from pipeline.fitup.made.solids import Prism, Step, Turned, volume_of
from pipeline.fitup.made.spigot import Core, head_bolts, turned_part
from pipeline.making import HolderWish, MakeQuestion
from pipeline.places import Length
from pipeline.standards import Bearing, bearing, counterpart

_SHOULDER = (
    0.19  # of what the outside diameter is larger than the bore, to lose to a shoulder: common practice, no source
)
_ALONE = "none"  # the fit of one that is held by its face alone
_MOUTH = 0.5  # mm at 45 degrees where the bearing enters: common practice, no source


def holder(question: MakeQuestion, parts: Mapping[str, Placed]) -> MadePart:
    """A bearing's holder as a layout wants it: the bearing goes in from outside, as far as its shoulder.

    Raises SettingsError, in one sentence, for what can't be had.
    """
    wish = question.holder
    assert wish is not None
    where = f"{question.name}: the holder"
    alone = wish.fit == _ALONE
    if wish.bore is not None or (wish.around is not None and not alone):
        raise SettingsError(f"{where}: its bore is its bearing's seat, and nothing goes round it; leave both out.")
    wall = LEAST_WALL if question.wall is None else question.wall.mm
    if not wish.seat[:1].isupper():
        raise SettingsError(f"{where}: the seat {wish.seat!r} is no hole's zone; write one of ISO 286, as H7.")
    try:
        held = bearing(wish.bearing)
        seat = counterpart(wish.seat, held.outer)
    except SettingsError as error:
        raise SettingsError(f"{where}: {error}") from None
    top = 0.0 if wish.head is None else wish.head.thickness.mm
    span = (0.0, max(top, wish.length.mm)) if alone else (-wish.length.mm, top)
    core, figures = _core(held, seat, span, wish.open, _shoulder(wish.shoulder, held), wall, where)
    made = (_on_face if alone else turned_part)(question, wish, parts, where, core)
    facts = (
        f"seat for {held.name} ({held.bore:g} x {held.outer:g} x {held.width:g}): {wish.seat}, Ø{seat[0]:.3f} to "
        f"{seat[1]:.3f} mm, chamfered {_MOUTH:g} x 45 degrees at its mouth",
    )
    cautions: tuple[str, ...] = ()
    if wish.shoulder is not None and not wish.open and wish.shoulder.mm < held.bore:
        cautions = (f"No shaft of {held.bore:g} mm goes through its shoulder, a hole of {wish.shoulder.mm:g} mm.",)
    if wish.press is not None:
        cautions = (
            *cautions,
            "A pressed holder closes its seat by part of the interference: bore the seat after it is pressed in.",
        )
    return replace(
        made, figures=(*made.figures, *figures), facts=(*made.facts, *facts), cautions=(*made.cautions, *cautions)
    )


def _on_face(question: MakeQuestion, wish: HolderWish, parts: Mapping[str, Placed], where: str, core: Core) -> MadePart:
    """A holder that is held by a face alone: bolted down, set to the axis by hand."""
    head, wall = wish.head, LEAST_WALL if question.wall is None else question.wall.mm
    if head is None or head.bolts is None:
        raise SettingsError(f"{where}: without a fit it is held by its face alone; give its head bolts.")
    if wish.ring is not None or wish.press is not None:
        raise SettingsError(f"{where}: without a fit nothing is sealed or pressed; leave ring and press out.")
    axis, face = found_by(parts, wish.on, "axis", where), found_by(parts, wish.face, "face", where)
    matrix, moves = standing(axis.item, face.item, where)
    thick, top, reach = head.thickness.mm, core.corners[-1][0], 0.5 * head.diameter.mm
    barrel = 0.0 if wish.around is None else 0.5 * wish.around.mm
    if top > thick and barrel - core.corners[-1][1] < wall:
        raise SettingsError(
            f"{where}: it stands {top - thick:g} mm out of its head; say how large it is there: around = ..., "
            f"{2.0 * (core.corners[-1][1] + wall):.1f} mm at least."
        )
    if 2.0 * barrel > head.diameter.mm:
        raise SettingsError(f"{where}: it is {2.0 * barrel:g} mm around, larger than its head; a larger head.")
    if reach - max(r for _, r in core.corners) < wall:
        raise SettingsError(
            f"{where}: the head of {head.diameter.mm:g} mm leaves no {wall:g} mm round its seat; a larger head."
        )
    outside = [(top, barrel), (thick, barrel), (thick, reach)] if top > thick else [(top, reach)]
    called = ["top", "barrel", "head top"] if top > thick else ["head top"]
    profile, names = closed_off(
        [*core.corners, *outside, (0.0, reach)], [*core.names, *called, "head side", "head under"]
    )
    body = Turned(profile, names=names)
    holes, told = head_bolts(head, core, barrel, wall, where)
    volume = volume_of(body) - sum(volume_of(s.solid) for s in holes if isinstance(s.solid, Prism))
    sizes = [*core.sizes, Size("diameter", (0.0, thick), head.diameter.mm), Size("length", (0.0, thick), thick)]
    if top > thick:
        sizes += [Size("diameter", (thick, top), 2.0 * barrel), Size("length", (0.0, top), top)]
    cautions = (
        f"No fit locates it: set its seat to the axis of {axis.words} with an indicator, tighten the bolts, then ream "
        "two dowels through both.",
    )
    return MadePart(
        question.name, question.what, (Step("add", body, "body"), *holes), matrix,
        (Seat("head under", face.part, face.feature.id),), tuple(parts), moves, axis.item.unsure or face.item.unsure,
        volume, facts=tuple(told), cautions=cautions, sizes=tuple(sizes),
    )  # fmt: skip


def _shoulder(wanted: Length | None, held: Bearing) -> float:
    return held.outer - _SHOULDER * (held.outer - held.bore) if wanted is None else wanted.mm


def _core(
    held: Bearing,
    seat: tuple[float, float],
    span: tuple[float, float],
    is_open: bool,
    shoulder: float,
    wall: float,
    where: str,
) -> tuple[Core, tuple[Figure, ...]]:
    """The seat, and the hole beyond its shoulder, between two stations."""
    low, top = span
    r = 0.25 * (seat[0] + seat[1])
    figures = (Figure("seat, least", seat[0]), Figure("seat, most", seat[1]), Figure("seat, depth", held.width))
    mouth = ((top - _MOUTH, r), (top, r + _MOUTH))
    size = Size("diameter", (top - held.width, top), 2.0 * r, seat, "seat")
    if is_open:
        if top - low < held.width:
            raise SettingsError(f"{where}: it is {top - low:g} mm long, shorter than its bearing of {held.width:g} mm.")
        return Core(((low, r), *mouth), ("seat", "mouth"), 2.0 * r, (size,), "its bearing's seat"), figures[:2]
    if top - held.width - low < wall:
        raise SettingsError(
            f"{where}: it is {top - low:g} mm long, and the seat of {held.width:g} mm leaves no {wall:g} mm for a "
            "shoulder; make it longer, or ask for an open one."
        )
    if not 0.0 < shoulder < held.outer - 1.0:
        raise SettingsError(
            f"{where}: a hole of {shoulder:g} mm is no shoulder for a ring of {held.outer:g} mm; a smaller one."
        )
    floor = top - held.width
    corners = ((low, 0.5 * shoulder), (floor, 0.5 * shoulder), (floor, r), *mouth)
    widest = 2.0 * r if floor < 0.0 else shoulder
    sizes = (
        size,
        Size("length", (floor, top), held.width, None, "seat"),
        Size("diameter", (low, floor), shoulder),
    )
    called = "its bearing's seat" if floor < 0.0 else "its shoulder's hole"
    return Core(corners, ("shoulder hole", "shoulder", "seat", "mouth"), widest, sizes, called), figures
