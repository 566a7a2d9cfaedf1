"""A template that is larger than the printer's bed, made in pieces: straight butt joints across its plate, glued, each
with two dowels lying in it, so that every piece still prints flat on its top.

The pieces are put together lying on their tops on a flat plate. All of it is common practice of pattern making, no
source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.errors import SettingsError
from pipeline.fitup.made.solids import Outline, Prism, Step, cylinder
from pipeline.fitup.made.template_error import Jointed
from pipeline.geometry import Floats, Mask
from pipeline.making import MOST_PIECES, MakeQuestion
from pipeline.standards import dowel_up_to

_CHORD = 0.05  # mm, of the outline
_SHARE = 0.5  # of the plate's thickness, a dowel's diameter at most
_WALL = 2.0  # mm about a dowel, unless a wall is asked for
_DEEP = 3.0  # diameters that a dowel goes into each piece
_SPARE = 1.0  # mm that its hole is deeper, and that a joint keeps from pads, guides and locators
_LEAST_APART = 4.0  # diameters from dowel to dowel
_STATION = 1.0  # mm between joints that are tried
_SQUARE = np.cos(np.radians(25.0))  # of a joint to the plate's edge
_FAR = 4000.0  # mm: beyond all of a template
_PLAY = 0.05  # mm, of a dowel in a hole that is reamed to it
_GLUE = 0.05  # mm of glue that may be left between two faces
_TURNS = np.radians(np.arange(0.0, 180.0, 1.0))
_TURNED = np.moveaxis(np.array([[np.cos(_TURNS), -np.sin(_TURNS)], [np.sin(_TURNS), np.cos(_TURNS)]]), 2, 0)
Disc = tuple[float, float, float]


@dataclass(frozen=True)
class Joint:
    """A straight joint, in the template's own coordinates, mm.

    ends    (2, 2) of it at the plate's edges
    way     (2,) unit, square to it, from the pieces before to those beyond
    dowels  (2, 2) where they cross it; pin: their diameter
    before, beyond  outlines (k, 2) of the pieces that it joins
    """

    ends: Floats
    way: Floats
    dowels: Floats
    pin: float
    before: Floats
    beyond: Floats

    @property
    def at(self) -> float:
        """mm along its way."""
        return float(self.ends[0] @ self.way)

    @property
    def long(self) -> float:
        """mm, of its dowels."""
        return 2.0 * _DEEP * self.pin

    def is_beyond(self, place: Floats) -> bool:
        """Whether a place (2,) is of a piece beyond it."""
        return float(place[:2] @ self.way) > self.at

    def parted(self, a: Floats, b: Floats) -> list[tuple[Floats, Floats]]:
        """What of a straight run (2,) to (2,) is on either side of it, not nearer than _SPARE mm."""
        low, high = float(a @ self.way) - self.at, float(b @ self.way) - self.at
        if low * high >= 0.0:
            return [(a, b)]
        cross = low / (low - high)
        off = _SPARE / abs(high - low)
        return [(a + s * (b - a), a + t * (b - a)) for s, t in ((0.0, cross - off), (cross + off, 1.0)) if t > s]

    def errors(self, pins: Floats, pads: Floats, place: Floats, top: float, made_to: float) -> Jointed:
        """What it adds to a budget: pins (2, 2) and pads (3, 2) of the template, the drilled place (3,), mm."""
        return Jointed(
            self.ends, (0.5 * _PLAY, made_to, made_to), (_GLUE, made_to, made_to),
            (_spread(self.before), _spread(self.beyond)), top, made_to,
            (*(self.is_beyond(p) for p in pins), *(self.is_beyond(p) for p in pads), self.is_beyond(place)),
        )  # fmt: skip


def on_bed(flat: Floats, bed: tuple[float, float]) -> tuple[float, float] | None:
    """Length and width, mm, of places (n, 2), turned so that they fit a bed of that length and width best; None where
    they do.

    >>> on_bed(np.array([[0.0, 0], [30, 0], [30, 10], [0, 10]]), (25.0, 25.0)), on_bed(np.eye(2), (2.0, 2.0))
    ((28.0, 28.0), None)
    """
    sides = np.ptp(flat @ _TURNED, axis=1)
    over = (sides - bed).max(axis=1)
    k = int(np.argmin(over))
    return None if over[k] <= 0.0 else (float(round(sides[k, 0])), float(round(sides[k, 1])))


def wall_about(question: MakeQuestion) -> float:
    """mm of metal that are left about a dowel's hole."""
    return max(_WALL, 0.0 if question.wall is None else question.wall.mm)


def joints_of(
    question: MakeQuestion, plate: Prism, solid: Sequence[Disc], holes: Sequence[Disc], proud: float
) -> tuple[Joint, ...]:
    """The joints of a template whose plate is larger than the bed that it is printed on; () where it isn't.

    solid  discs (x, y, radius), mm, that no joint may go through: pads, guides, locators; holes: that no dowel's hole
           may meet, with a wall about them
    proud  mm that letters stand out of the plate's edge

    Raises SettingsError where it can't be cut so that each piece fits.
    """
    printing = question.printing
    if printing is None or printing.bed is None:
        return ()
    thick = plate.high - plate.low
    wall = wall_about(question)
    bed = printing.bed[0] / printing.grow - 2.0 * proud, printing.bed[1] / printing.grow - 2.0 * proud
    outline = plate.outline.points(_CHORD)
    size = on_bed(outline, bed)
    if size is None:
        return ()
    large = (
        f"{question.name}: it is {size[0]:g} x {size[1]:g} mm, larger than the bed of {printing.bed[0]:g} x "
        f"{printing.bed[1]:g} mm"
    )
    pin = dowel_up_to(min(_SHARE * thick, thick - 2.0 * wall - _PLAY))
    if pin is None:
        raise SettingsError(f"{large}, and its plate of {thick:g} mm has no room for dowels; make it thicker.")
    spans = [float(np.ptp(outline @ np.array([np.cos(t), np.sin(t)]))) for t in _TURNS]
    longest = int(np.argmax(spans))
    for count in range(1, MOST_PIECES):
        # Across its longest extent first, then more and more beside that.
        for off in sorted(range(-90, 90, 15), key=abs):
            turn = _TURNS[longest] + np.radians(off)
            way = np.array([np.cos(turn), np.sin(turn)])
            found = _cut(outline, way, count, bed, (tuple(solid), tuple(holes)), (pin, wall))
            if found is not None:
                return found
    raise SettingsError(
        f"{large}, and no straight joint beside its pads and guides leaves pieces that fit; locate it nearer to its "
        "target, or print it elsewhere."
    )


def _cut(
    outline: Floats, way: Floats, count: int, bed: tuple[float, float],
    keep: tuple[tuple[Disc, ...], tuple[Disc, ...]], sizes: tuple[float, float], joined: bool = False,
) -> tuple[Joint, ...] | None:  # fmt: skip
    """Joints square to a way, as many as `count` at most, whose pieces fit the bed; joined: the outline itself begins
    at a joint, whose dowels go into it."""
    if on_bed(outline, bed) is None:
        return ()
    if count == 0:
        return None
    low, high = float((outline @ way).min()), float((outline @ way).max())
    fair = low + (high - low) / (count + 1)
    # Dowels of two joints don't meet in the piece between them.
    begin = low + (2.0 * (_DEEP * sizes[0] + _SPARE) + sizes[1] if joined else _STATION)
    stations = sorted(np.arange(begin, high, _STATION).tolist(), key=lambda s: abs(s - fair))
    for at in stations:
        if any(abs(float(np.array([x, y]) @ way) - at) < r + _SPARE for x, y, r in keep[0]):
            continue
        if not _is_square(outline, way, at):
            continue
        before, beyond = _side(outline, -way, -at), _side(outline, way, at)
        if on_bed(before, bed) is not None:
            continue
        dowels = _dowels(outline, way, at, keep[1], sizes)
        if dowels is None:
            continue
        rest = _cut(beyond, way, count - 1, bed, keep, sizes, True)
        if rest is not None:
            ends = _ends(outline, way, at)
            next_to = _side(beyond, -way, -rest[0].at) if rest else beyond
            return (Joint(ends, way, dowels, sizes[0], before, next_to), *rest)
    return None


def _side(outline: Floats, way: Floats, at: float) -> Floats:
    """What of a convex outline (k, 2) lies beyond a station along a way."""
    out = []
    for p, q in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        a, b = float(p @ way) - at, float(q @ way) - at
        if a >= 0.0:
            out.append(p)
        if a * b < 0.0:
            out.append(p + (q - p) * (a / (a - b)))
    return np.array(out)


def _ends(outline: Floats, way: Floats, at: float) -> Floats:
    """(2, 2) the ends of a straight line across a convex outline."""
    edge = _side(outline, way, at)
    on = edge[np.abs(edge @ way - at) < 1e-9]
    along = on @ np.array([-way[1], way[0]])
    return np.array([on[int(np.argmin(along))], on[int(np.argmax(along))]])


def _is_square(outline: Floats, way: Floats, at: float) -> bool:
    """Whether a straight line across a convex outline meets its edge nearly squarely at both ends, so that no piece
    ends in a thin edge."""
    edge = np.roll(outline, -1, axis=0) - outline
    side = outline @ way - at
    crossed = edge[side * np.roll(side, -1) < 0.0]
    along = np.abs(crossed @ way) / np.linalg.norm(crossed, axis=1)
    return bool(len(along) == 2 and (along > _SQUARE).all())


def _dowels(
    outline: Floats, way: Floats, at: float, holes: Sequence[Disc], sizes: tuple[float, float]
) -> Floats | None:
    """(2, 2) where two dowels cross a joint, as far apart as may be, with a wall all round their holes; None where
    there is no room for them."""
    pin, wall = sizes
    deep, half = _DEEP * pin + _SPARE, 0.5 * (pin + _PLAY)
    ends = _ends(outline, way, at)
    long = float(np.linalg.norm(ends[1] - ends[0]))
    along = (ends[1] - ends[0]) / long
    corners = [s * (deep + wall) * way + t * (half + wall) * along for s, t in ((1, 1), (1, -1), (-1, 1), (-1, -1))]
    places = ends[0] + np.arange(half + wall, long - half - wall, _STATION)[:, None] * along
    free = places[_inside(outline, (places[:, None] + corners).reshape(-1, 2)).reshape(-1, 4).all(axis=1)]
    for x, y, r in holes:
        off = np.abs((free - [x, y]) @ np.column_stack([way, along])) - [deep, half]
        free = free[np.linalg.norm(np.maximum(off, 0.0), axis=1) >= r]
    if len(free) < 2 or float(np.linalg.norm(free[-1] - free[0])) < _LEAST_APART * pin:
        return None
    return free[[0, -1]]


def _inside(outline: Floats, places: Floats) -> Mask:
    """(n,) which of places (n, 2) lie in a convex, counter-clockwise outline."""
    edge = np.roll(outline, -1, axis=0) - outline
    off = places[:, None] - outline[None]
    return np.asarray((edge[:, 0] * off[:, :, 1] - edge[:, 1] * off[:, :, 0] >= 0.0).all(axis=1))


def _spread(outline: Floats) -> Floats:
    """(3, 2) of an outline on which a piece rests: its two farthest places, and the farthest from their line."""
    apart = np.linalg.norm(outline[:, None] - outline[None], axis=2)
    i, k = divmod(int(np.argmax(apart)), len(outline))
    line = outline[k] - outline[i]
    off = outline - outline[i]
    j = int(np.argmax(np.abs(off[:, 0] * line[1] - off[:, 1] * line[0])))
    return outline[[i, k, j]]


def pieces_of_template(joints: Sequence[Joint], plate: Prism) -> tuple[tuple[Step, ...], ...]:
    """For each piece what leaves it of the whole: all beyond its joints taken away, and its dowels' holes."""
    if not joints:
        return ()
    out = []
    level = 0.5 * (plate.low + plate.high)
    for k in range(len(joints) + 1):
        steps: list[Step] = []
        for n, sense in ((k - 1, -1.0), (k, 1.0)):
            if not 0 <= n < len(joints):
                continue
            joint = joints[n]
            steps.append(Step("take", _half(sense * joint.way, sense * joint.at), f"joint {n + 1}"))
            steps += _holes(joint, n + 1, -sense, level)
        out.append(tuple(steps))
    return tuple(out)


def _half(way: Floats, at: float) -> Prism:
    """All that is beyond a station along a way."""
    across = np.array([-way[1], way[0]])
    corners = [at * way - _FAR * across, (at + _FAR) * way - _FAR * across]
    corners += [(at + _FAR) * way + _FAR * across, at * way + _FAR * across]
    return Prism(Outline(tuple((float(x), float(y)) for x, y in corners)), -_FAR, _FAR)


def _holes(joint: Joint, number: int, sense: float, level: float) -> Iterator[Step]:
    way = np.array([*(sense * joint.way), 0.0])
    deep = _DEEP * joint.pin + _SPARE
    for k, (x, y) in enumerate(joint.dowels.tolist(), 1):
        # From a mm before its face, so that it opens there.
        start = np.array([x, y, level]) - way
        hole = cylinder(start, way, 0.5 * (joint.pin + _PLAY), deep + 1.0)
        yield Step("take", hole, f"joint {number} dowel {k}")
