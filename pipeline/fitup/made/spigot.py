"""Spigots for bores and caps for outside diameters: turned, on a face, with a head or without."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from pipeline.errors import SettingsError
from pipeline.fitup import Placed
from pipeline.fitup.made.part import MadePart, Seat, Size
from pipeline.fitup.made.registers import LEAST_WALL, Register, closed_off, engaged, found_by, register_of, standing
from pipeline.fitup.made.solids import Prism, Step, Turned, circle, volume_of
from pipeline.making import HeadWish, MakeQuestion, SpigotWish
from pipeline.standards import bolt_hole, position_tolerance

Corners = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Core:
    """The hole through a turned part, from its inner end to its head's top: a profile of (station, radius) in that
    order, the names of its runs, its largest diameter where the fit is, mm, and what sentences call it."""

    corners: Corners
    names: tuple[str, ...]
    widest: float
    sizes: tuple[Size, ...] = ()
    called: str = "its hole"


def spigot(question: MakeQuestion, parts: Mapping[str, Placed]) -> MadePart:
    """A spigot or cap as a layout wants it. Raises SettingsError, in one sentence, for what can't be had."""
    wish = question.spigot
    assert wish is not None
    where = f"{question.name}: the spigot"
    head = 0.0 if wish.head is None else wish.head.thickness.mm
    hole = 0.0 if wish.bore is None else 0.5 * wish.bore.mm
    core = Core(((-wish.length.mm, hole), (head, hole)), ("bore",), 2.0 * hole)
    if hole:
        core = replace(core, sizes=(Size("diameter", (-wish.length.mm, head), 2.0 * hole),))
    return turned_part(question, wish, parts, where, core)


def turned_part(
    question: MakeQuestion, wish: SpigotWish, parts: Mapping[str, Placed], where: str, core: Core
) -> MadePart:
    """A turned part that is located in a bore, or round an outside diameter, and starts at a face.

    Its own z points out of the face, z = 0 on it. Raises SettingsError for what can't be had.
    """
    wall = LEAST_WALL if question.wall is None else question.wall.mm
    around = 0.0 if wish.around is None else wish.around.mm
    register = register_of(wish, parts, where, core.widest, around, wall)
    face = found_by(parts, wish.face, "face", where)
    matrix, moves = standing(register.at.item, face.item, where)
    if register.side == "boss" and question.what == "holder":
        raise SettingsError(f"{where}: {register.at.words} is an outside diameter; a holder goes into a bore.")
    if register.side == "boss" and not around:
        raise SettingsError(f"{where}: {register.at.words} is an outside diameter; say how large: around = ...")
    if register.side == "bore" and around:
        raise SettingsError(f"{where}: {register.at.words} is a bore, which nothing goes round; leave around out.")
    if register.side == "boss" and core.widest and wish.head is None:
        raise SettingsError(f"{where}: a cap without a head is open as it is; leave bore out, or give it a head.")
    _check_walls(register, wish.head, around, core, wall, where)
    facts = register.facts
    cautions = (*register.cautions, *engaged(register, parts[register.at.part], face.item, where))
    profile, names = _profile(register, wish.head, around, core)
    body = Turned(profile, names=names)
    holes: list[Step] = []
    sizes = [*register.sizes(-1.0), *core.sizes]
    if around:
        sizes.append(Size("diameter", (-register.length, 0.0), around))
    if wish.head is not None:
        thick = wish.head.thickness.mm
        sizes += [
            Size("diameter", (0.0, thick), wish.head.diameter.mm),
            Size("length", (0.0, thick), thick),
        ]
        holes, told = head_bolts(wish.head, core, register.radius if register.side == "bore" else 0.0, wall, where)
        facts = (*facts, *told)
    volume = volume_of(body) - sum(volume_of(s.solid) for s in holes if isinstance(s.solid, Prism))
    seats = [*register.seats]
    if wish.head is not None:
        seats.append(Seat("head under", face.part, face.feature.id))
    unsure = register.at.item.unsure or face.item.unsure
    return MadePart(
        question.name, question.what, (Step("add", body, "body"), *holes), matrix, tuple(seats), tuple(parts), moves,
        unsure, volume, register.figures, (), register.gauges, facts, cautions, register.doubts,
        sizes=tuple(sizes),
    )  # fmt: skip


def _profile(register: Register, head: HeadWish | None, around: float, core: Core) -> tuple[Corners, tuple[str, ...]]:
    """The closed profile of a spigot, up its hole and down its outside, or of a cap, whose fit is inside."""
    run, called = register.run(-1.0)
    up = 0.0 if head is None else head.thickness.mm
    reach = 0.0 if head is None else 0.5 * head.diameter.mm
    if register.side == "bore":
        over: Corners = () if head is None else ((up, reach), (0.0, reach))
        named = ("top",) if head is None else ("head top", "head side", "head under")
        return closed_off([*core.corners, *over, *run], [*core.names, *named, *called, "end"])
    outside: Corners = ((0.0, 0.5 * around), (-register.length, 0.5 * around))
    if head is None:
        return closed_off([*outside, *reversed(run)], ["side", "end", *reversed(called), "top"])
    hole = core.corners[-1][1]
    top: Corners = ((0.0, hole), (up, hole), (up, reach), (0.0, reach))
    names = ["bore", "head top", "head side", "head step", "side", "end", *reversed(called), "head under"]
    return closed_off([*top, *outside, *reversed(run)], names)


def _check_walls(register: Register, head: HeadWish | None, around: float, core: Core, wall: float, where: str) -> None:
    r = register.radius
    left = r - 0.5 * core.widest if register.side == "bore" else 0.5 * around - r
    if left < wall:
        inside = register.side == "bore"
        what = f"{core.called} of {core.widest:.7g} mm" if inside else f"its outside of {around:g} mm"
        how = f"a wall of {left:.2f} mm" if left > 0.0 else "no wall"
        raise SettingsError(
            f"{where}: {what} leaves {how} at the fit of {2.0 * r:.2f} mm, where {wall:g} mm are wanted; a "
            f"{'smaller' if inside else 'larger'} one."
        )
    if register.side == "boss" and core.widest > 2.0 * (r - wall):
        raise SettingsError(
            f"{where}: a hole of {core.widest:g} mm leaves nothing of the head to rest on {register.at.words}, "
            f"{2.0 * r:.2f} mm; a smaller hole."
        )
    least = max(2.0 * r, around)
    if head is not None and head.diameter.mm < least:
        raise SettingsError(
            f"{where}: the head of {head.diameter.mm:g} mm is smaller than the {least:.2f} mm below it; a larger head."
        )


def head_bolts(head: HeadWish, core: Core, below: float, wall: float, where: str) -> tuple[list[Step], list[str]]:
    """The holes of a head's bolts, and what is to be said of them; below: mm, radius of what it stands on.

    Raises SettingsError where they have no room.
    """
    if head.bolts is None or head.count is None or head.pitch_circle is None:
        return [], []
    try:
        bolt = bolt_hole(head.bolts)
    except SettingsError as error:
        raise SettingsError(f"{where}: {error}") from None
    pitch, r = 0.5 * head.pitch_circle.mm, 0.5 * bolt.hole
    inner = max(below, *(r for _, r in core.corners))
    apart = 2.0 * pitch * np.sin(np.pi / head.count)
    for left, what, instead in (
        (0.5 * head.diameter.mm - pitch - r, "the head's edge", "a larger head, or a smaller pitch circle"),
        (pitch - r - inner, "what is inside of them", "a larger pitch circle"),
        (apart - 2.0 * r, "each other", "fewer of them, or a larger pitch circle"),
    ):
        if left < wall:
            how = f"come as near as {left:.2f} mm to" if left > 0.0 else f"run by {-left:.2f} mm into"
            raise SettingsError(
                f"{where}: the holes for {head.bolts} on a pitch circle of {head.pitch_circle.mm:g} mm {how} {what}, "
                f"where {wall:g} mm are wanted; {instead}."
            )
    ways = np.radians(head.start) + 2.0 * np.pi * np.arange(head.count) / head.count
    places = [(float(pitch * np.cos(w)), float(pitch * np.sin(w))) for w in ways]
    steps = [
        Step("take", Prism(circle(x, y, r), 0.0, head.thickness.mm), f"hole {k}") for k, (x, y) in enumerate(places, 1)
    ]
    zones = [position_tolerance(bolt.hole, bolt.thread, fixed) for fixed in (False, True)]
    facts = [
        f"{head.count} holes Ø{bolt.hole:g} for {bolt.bolt} (ISO 273 {bolt.fit}) on a pitch circle Ø{2 * pitch:g}, the "
        f"first at {head.start:g} degrees; position tolerance of each part Ø {zones[0]:.2f} mm where both have "
        f"clearance holes, Ø {zones[1]:.2f} mm with threads in one (floating and fixed fastener, ISO 5458, from memory)"
    ]
    return steps, facts
