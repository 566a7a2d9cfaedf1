"""Holders and sleeves for rolling bearings: outside to a recovered bore, inside to a bearing of the tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from pipeline.errors import SettingsError
from pipeline.fitup import Placed
from pipeline.fitup.made.part import Figure, MadePart
from pipeline.fitup.made.registers import LEAST_WALL
from pipeline.fitup.made.sizes import Size
from pipeline.fitup.made.spigot import Core, turned_part
from pipeline.making import MakeQuestion
from pipeline.places import Length
from pipeline.standards import Bearing, bearing, counterpart

_SHOULDER = (
    0.19  # of what the outside diameter is larger than the bore, to lose to a shoulder: common practice, no source
)
_MOUTH = 0.5  # mm at 45 degrees where the bearing enters: common practice, no source


def holder(question: MakeQuestion, parts: Mapping[str, Placed]) -> MadePart:
    """A bearing's holder as a layout wants it: the bearing goes in from outside, as far as its shoulder.

    Raises SettingsError, in one sentence, for what can't be had.
    """
    wish = question.holder
    assert wish is not None
    where = f"{question.name}: the holder"
    if wish.bore is not None or wish.around is not None:
        raise SettingsError(f"{where}: its bore is its bearing's seat, and nothing goes round it; leave both out.")
    wall = LEAST_WALL if question.wall is None else question.wall.mm
    try:
        held = bearing(wish.bearing)
        seat = counterpart(wish.seat, held.outer)
    except SettingsError as error:
        raise SettingsError(f"{where}: {error}") from None
    if not wish.seat[:1].isupper():
        raise SettingsError(f"{where}: the zone {wish.seat!r} is a shaft's; a seat is a hole, as H7.")
    top = 0.0 if wish.head is None else wish.head.thickness.mm
    core, figures = _core(held, seat, (-wish.length.mm, top), wish.open, _shoulder(wish.shoulder, held), wall, where)
    made = turned_part(question, wish, parts, where, core)
    facts = (
        f"seat for {held.name} ({held.bore:g} x {held.outer:g} x {held.width:g}): {wish.seat}, Ø{seat[0]:.3f} to "
        f"{seat[1]:.3f} mm",
    )
    cautions: tuple[str, ...] = ()
    if wish.press is not None:
        cautions = (
            "A pressed holder closes its seat by part of the interference: bore the seat after it is pressed in.",
        )
    return replace(
        made, figures=(*made.figures, *figures), facts=(*made.facts, *facts), cautions=(*made.cautions, *cautions)
    )


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
        return Core(((low, r), *mouth), ("seat", "mouth"), 2.0 * r, (size,)), figures[:2]
    if top - held.width - low < wall:
        raise SettingsError(
            f"{where}: it is {top - low:g} mm long, and the seat of {held.width:g} mm leaves no {wall:g} mm for a "
            "shoulder; make it longer, or ask for an open one."
        )
    if not 0.0 < shoulder < held.outer - 1.0:
        raise SettingsError(f"{where}: a hole of {shoulder:g} mm is no shoulder for a ring of {held.outer:g} mm.")
    floor = top - held.width
    corners = ((low, 0.5 * shoulder), (floor, 0.5 * shoulder), (floor, r), *mouth)
    widest = 2.0 * r if floor < 0.0 else shoulder
    sizes = (
        size,
        Size("length", (floor, top), held.width, None, "seat"),
        Size("diameter", (low, floor), shoulder),
    )
    return Core(corners, ("shoulder hole", "shoulder", "seat", "mouth"), widest, sizes), figures
