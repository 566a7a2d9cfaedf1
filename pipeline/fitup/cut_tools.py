"""What the tool of a cut sweeps: simple bodies laid out from a part's datums, with the faces that they leave.

A facing takes all beyond a plane, a bore a cylinder, a turning a ring about it, slots and pockets a block with rounded
corners. Round ones have as many sides as keep a chord within 2 um, and the area of their circle, so that a volume is
exact.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from pipeline.errors import SettingsError
from pipeline.fitup.bodies import Body
from pipeline.fitup.items import Item, Key, Move
from pipeline.geometry import FULL_TURN, Floats, Ints, basis_of, box_of, cross, rejection, unit
from pipeline.layout import Bore, CutQuestion, Facing, Holes, Pocket, Reach, Slot
from pipeline.places import Place
from pipeline.surfaces import Shape, kind_of, shape_of_turned_line

_CHORD = 0.002  # mm
_SIDES = (48, 720)
_QUARTER = 60  # facets of a block's rounded corner
_ALONG = np.cos(np.radians(80.0))  # an axis flatter to a face than this has no place where it goes in
_OUT = 0.1  # mm
_CLEAR = 5.0  # mm that a tool which goes through begins before the part and ends after it
Items = Callable[[str, str], Item]
"""The item that words mean, in the part's coordinates: words, and "axis" or "face"."""


@dataclass(frozen=True)
class Stroke:
    """A simple body that a tool sweeps, from a plane on along its feed.

    kind    "round" | "ring" | "block"
    start   (3,) mm, in the middle of its first plane; feed (3,) unit, into the metal; length mm along it
    radius  mm: of the round one, the inner one of the ring (what is outside it goes), of a block's corners
    wide    mm: outer radius of a ring
    half    half of a block's length along `across`, (3,) unit, and of its width, mm
    """

    kind: str
    start: Floats
    feed: Floats
    length: float
    radius: float = 0.0
    wide: float = 0.0
    half: tuple[float, float] = (0.0, 0.0)
    across: Floats = field(default_factory=lambda: np.zeros(3))

    def faces(self) -> tuple[tuple[str, Shape], ...]:
        """The faces that it leaves, in the order of `outline`: what each is called, and its surface. Planes look out of
        the metal that is left."""
        floor = ("floor", _flat(self.start + self.length * self.feed, -self.feed))
        start = ("start", _flat(self.start, self.feed))
        if self.kind != "block":
            return (("wall", _round(self.start, self.feed, self.radius)), floor, start)
        u, v = self.across, cross(self.feed, self.across)
        (a, b), r = self.half, self.radius
        ways = (u, v, -u, -v)
        sides = [_flat(self.start + size * way, -way) for way, size in zip(ways, (a, b, a, b), strict=True)]
        signs = ((1, 1), (-1, 1), (-1, -1), (1, -1))
        corners = [_round(self.start + i * (a - r) * u + k * (b - r) * v, self.feed, r) for i, k in signs if r > 0.0]
        return (*(("side", s) for s in sides), *(("corner", c) for c in corners), floor, start)

    def mesh(self) -> tuple[Floats, Ints, Ints]:
        """Its facets: vertices (n, 3), faces (m, 3), and (m,) which of `faces` each is, -1 none."""
        if self.kind == "ring":
            return self._ring()
        rim, of_side = self._outline()
        n, last = len(rim), len(self.faces()) - 1
        end = rim + self.length * self.feed
        a = np.arange(n)
        b = (a + 1) % n
        walls = np.concatenate([np.stack([a, b, b + n], axis=1), np.stack([a, b + n, a + n], axis=1)])
        middle, far = np.full(n, 2 * n), np.full(n, 2 * n + 1)
        ends = [np.stack([far, a + n, b + n], axis=1), np.stack([middle, b, a], axis=1)]
        labels = [of_side, of_side, np.full(n, last - 1), np.full(n, last)]
        points = np.vstack([rim, end, self.start, self.start + self.length * self.feed])
        return points, np.concatenate([walls, *ends]).astype(np.int32), np.concatenate(labels).astype(np.int32)

    def _outline(self) -> tuple[Floats, Ints]:
        """Its section's corners, counter-clockwise about the feed, and which of `faces` leads to the next one."""
        if self.kind == "round":
            u, v = basis_of(self.feed)
            turn, radius = _circle(self.radius)
            return self.start + radius * (np.outer(np.cos(turn), u) + np.outer(np.sin(turn), v)), np.zeros(
                len(turn), np.int32
            )
        u, v = self.across, cross(self.feed, self.across)
        (a, b), r = self.half, self.radius
        points, sides = [], []
        for k, (i, j) in enumerate(((1, 1), (-1, 1), (-1, -1), (1, -1))):
            # Of four sides the one after a corner is the next, and the fourth leads to the first corner.
            after = (k + 1) % 4
            if r <= 0.0:
                points.append(np.array([[i * a, j * b]]))
                sides.append([after])
                continue
            turn = np.linspace(k * FULL_TURN / 4, (k + 1) * FULL_TURN / 4, _QUARTER + 1)
            points.append(np.column_stack([i * (a - r) + r * np.cos(turn), j * (b - r) + r * np.sin(turn)]))
            sides.append([4 + k] * _QUARTER + [after])
        flat, side = np.vstack(points), np.concatenate(sides)
        # A slot's arcs meet without a side between them.
        kept = np.linalg.norm(np.roll(flat, -1, axis=0) - flat, axis=1) > 1e-9
        return self.start + flat[kept, :1] * u + flat[kept, 1:] * v, side[kept].astype(np.int32)

    def _ring(self) -> tuple[Floats, Ints, Ints]:
        u, v = basis_of(self.feed)
        turn, radius = _circle(self.radius)
        n = len(turn)
        way = np.outer(np.cos(turn), u) + np.outer(np.sin(turn), v)
        rings = [
            self.start + size * way + step * self.feed for step in (0.0, self.length) for size in (radius, self.wide)
        ]
        a = np.arange(n)
        b = (a + 1) % n

        def strip(p: int, q: int) -> Ints:
            return np.concatenate(
                [
                    np.stack([a + p * n, b + p * n, b + q * n], axis=1),
                    np.stack([a + p * n, b + q * n, a + q * n], axis=1),
                ]
            )

        # Wall inside, then the end, the start and the outside, which is in the air.
        parts = [strip(2, 0), strip(3, 2), strip(0, 1), strip(1, 3)]
        labels = np.repeat([0, 1, 2, -1], 2 * n)
        return np.vstack(rings), np.concatenate(parts).astype(np.int32), labels.astype(np.int32)


def _circle(radius: float) -> tuple[Floats, float]:
    """Angles of a polygon's corners, and the radius by which it has the area of the circle."""
    sides = int(np.clip(np.ceil(np.pi / np.arccos(max(1.0 - _CHORD / radius, -1.0))), *_SIDES))
    step = FULL_TURN / sides
    return np.linspace(0.0, FULL_TURN, sides, endpoint=False), radius * float(np.sqrt(step / np.sin(step)))


@dataclass(frozen=True)
class Tool:
    """What is swept.

    strokes  one or several
    moves    of each face of each stroke, by key
    unsure   why nothing can be said of how well it is laid out; "" where `moves` say it
    onto     the feature that a facing stands on, None: it takes all beyond its plane
    through  whether it was meant to come out
    """

    strokes: tuple[Stroke, ...]
    moves: tuple[tuple[Mapping[Key, Move], ...], ...]
    unsure: str
    onto: int | None = None
    through: bool = False


def tool_of(body: Body, question: CutQuestion, item: Items, words: str) -> Tool:
    """The tool of a cut.

    item   the items of the part's words
    words  the cut as an error names it

    Raises SettingsError where it can't be laid out.

    >>> from pipeline.fitup.figures import turned_body
    >>> from pipeline.fitup.words import item_in_words
    >>> bar = turned_body("bar", [(0, 40), (50, 40)], 0.01)
    >>> drill = Bore(axis="axis", diameter=10, face="end", depth=20)
    >>> tool = tool_of(bar, CutQuestion(part="bar", bore=drill), lambda *w: item_in_words(bar, *w), "cut 1")
    >>> stroke = tool.strokes[0]
    >>> stroke.start.round(6).tolist(), stroke.feed.tolist(), stroke.length
    ([0.0, 0.0, 50.0], [-0.0, -0.0, -1.0], 20.0)
    """
    cut = getattr(question, question.what)
    items: dict[str, Item] = {}
    for name, sort in (("face", "face"), ("to", "face"), ("axis", "axis"), ("centre", "axis"), ("along", "axis")):
        text = getattr(cut, name, None)
        if text is not None:
            items[name] = item(text, sort)
    low, high = box_of(body.surface.vertices)
    laid = _LAYERS[question.what]

    def strokes(now: Mapping[str, Item]) -> tuple[Stroke, ...]:
        return laid(cut, now, (low, high), words)

    made = strokes(items)
    keys = dict.fromkeys(key for one in items.values() for key in one.moves)
    moves: list[list[dict[Key, Move]]] = [[{} for _ in stroke.faces()] for stroke in made]
    for key in keys:
        moved = strokes({name: one.moved(key) for name, one in items.items()})
        for out, before, after in zip(moves, made, moved, strict=True):
            for face, (_, old), (_, new) in zip(out, before.faces(), after.faces(), strict=True):
                assert old.direction is not None
                assert new.direction is not None
                face[key] = Move(new.point - old.point, cross(old.direction, new.direction), old.point)
    onto = None
    if question.what == "facing" and not cut.all:
        onto = _feature_of(body, items["face"])
    return Tool(
        made,
        tuple(tuple(each) for each in moves),
        next((one.unsure for one in items.values() if one.unsure), ""),
        onto,
        bool(getattr(cut, "through", False)),
    )


def _flat(point: Floats, outwards: Floats) -> Shape:
    return shape_of_turned_line(point, outwards, ((0.0, 0.0), (0.0, 1.0)))


def _round(point: Floats, along: Floats, radius: float) -> Shape:
    return shape_of_turned_line(point, along, ((-1.0, radius), (1.0, radius)))


def _feature_of(body: Body, plane: Item) -> int | None:
    """The feature of a part that a plane is, None where it is none."""
    for k, feature in enumerate(body.features):
        if not kind_of(feature).flat or feature.direction is None or plane.direction is None:
            continue
        alike = feature.direction @ plane.direction > 1.0 - 1e-9
        if alike and np.allclose(feature.point, plane.point, atol=1e-9):
            return k
    return None


_Box = tuple[Floats, Floats]


def _facing(cut: Facing, items: Mapping[str, Item], box: _Box, words: str) -> tuple[Stroke, ...]:
    plane = items["face"]
    assert plane.direction is not None
    n = plane.direction
    middle, reach = 0.5 * (box[0] + box[1]), 0.5 * float(np.linalg.norm(box[1] - box[0])) + _CLEAR
    foot = plane.point + cut.level * n
    foot = foot + rejection(middle - foot, n)
    height = float((middle - foot) @ n) + reach
    if height <= _CLEAR:
        raise SettingsError(f"{words}: the whole part lies below {cut.face} there, so nothing is to be faced off.")
    half = (reach, reach)
    return (Stroke("block", foot + height * n, -n, height, half=half, across=basis_of(-n)[0]),)


def _bore(cut: Bore, items: Mapping[str, Item], box: _Box, words: str) -> tuple[Stroke, ...]:
    axis = items["axis"]
    assert axis.direction is not None
    start, feed, length = _run(cut, axis.point, axis.direction, items, box, words)
    return (Stroke("round", start, feed, length, 0.5 * cut.diameter.mm),)


def _turning(cut: Bore, items: Mapping[str, Item], box: _Box, words: str) -> tuple[Stroke, ...]:
    (stroke,) = _bore(cut, items, box, words)
    wide = stroke.radius + float(np.linalg.norm(box[1] - box[0])) + 2 * _CLEAR
    return (replace(stroke, kind="ring", wide=wide),)


def _holes(cut: Holes, items: Mapping[str, Item], box: _Box, words: str) -> tuple[Stroke, ...]:
    face = items["face"]
    assert face.direction is not None
    n = face.direction
    if cut.at:
        places = [_place(place, words) for place in cut.at]
    else:
        centre = items["centre"]
        assert centre.direction is not None
        assert cut.pitch_circle is not None
        assert cut.count is not None
        middle = _crossing(centre.point, centre.direction, face, words)
        x = rejection(np.eye(3)[0], n)
        x = unit(x if np.linalg.norm(x) > 0.1 else rejection(np.eye(3)[1], n))
        turn = np.radians(cut.start) + FULL_TURN * np.arange(cut.count) / cut.count
        y = cross(n, x)
        places = [middle + 0.5 * cut.pitch_circle.mm * (np.cos(t) * x + np.sin(t) * y) for t in turn]
    return tuple(
        Stroke("round", *_run(cut, place, n, items, box, words), 0.5 * cut.diameter.mm) for place in places
    )  # fmt: skip


def _slot(cut: Slot, items: Mapping[str, Item], box: _Box, words: str) -> tuple[Stroke, ...]:
    face = items["face"]
    assert face.direction is not None
    one, other = _place(cut.start, words), _place(cut.end, words)
    way = rejection(other - one, face.direction)
    length = float(np.linalg.norm(way))
    if length < 1e-6:
        raise SettingsError(f"{words}: both ends of the slot are at one place of its face; give it a length.")
    start, feed, deep = _run(cut, 0.5 * (one + other), face.direction, items, box, words)
    r = 0.5 * cut.width.mm
    return (Stroke("block", start, feed, deep, r, half=(0.5 * length + r, r), across=way / length),)


def _pocket(cut: Pocket, items: Mapping[str, Item], box: _Box, words: str) -> tuple[Stroke, ...]:
    face, along = items["face"], items["along"]
    assert face.direction is not None
    assert along.direction is not None
    way = rejection(along.direction, face.direction)
    if np.linalg.norm(way) < 0.1:
        raise SettingsError(f"{words}: {cut.along} stands on the face; the length of a pocket lies along it.")
    start, feed, deep = _run(cut, _place(cut.at, words), face.direction, items, box, words)
    r = 0.0 if cut.corner is None else cut.corner.mm
    return (
        Stroke("block", start, feed, deep, r, half=(0.5 * cut.length.mm, 0.5 * cut.width.mm), across=unit(way)),
    )  # fmt: skip


def _place(place: Place, words: str) -> Floats:
    if place.coordinates == "scan":
        raise SettingsError(f"{words}: the place {place.text} is in scan coordinates; give it in those of the part.")
    return np.array(place.at)


def _run(
    cut: Reach, point: Floats, direction: Floats, items: Mapping[str, Item], box: _Box, words: str
) -> tuple[Floats, Floats, float]:
    """Where a tool on an axis begins, its feed, and how far it goes."""
    face = items.get("face")
    corners = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)]) * (box[1] - box[0]) + box[0]
    if face is None:
        along = (corners - point) @ direction
        return point + (along.min() - _CLEAR) * direction, direction, float(np.ptp(along)) + 2 * _CLEAR
    assert face.direction is not None
    start = _crossing(point, direction, face, words)
    feed = -direction if face.direction @ direction > 0 else direction
    if cut.depth is not None:
        return start, feed, cut.depth.mm
    if cut.to is not None:
        length = float((_crossing(point, direction, items["to"], words) - start) @ feed)
        if length <= 0.0:
            raise SettingsError(
                f"{words}: {cut.to} lies before {cut.face} on the way in; take them the other way round."
            )
        to = items["to"].direction
        assert to is not None
        # Where it comes out of the metal it runs on a little, past facets that stand proud of the face.
        return start, feed, length + (_OUT if to @ feed > 0.0 else 0.0)
    length = float(((corners - start) @ feed).max()) + _CLEAR
    if length <= _CLEAR:
        raise SettingsError(f"{words}: behind {cut.face} there is nothing of the part; check which face is meant.")
    return start, feed, length


def _crossing(point: Floats, direction: Floats, face: Item, words: str) -> Floats:
    """Where an axis meets a face."""
    assert face.direction is not None
    steep = float(face.direction @ direction)
    if abs(steep) < _ALONG:
        raise SettingsError(f"{words}: the axis lies along the face, so there is no place where it goes in.")
    return point + float((face.point - point) @ face.direction) / steep * direction


_LAYERS: Mapping[str, Callable[..., tuple[Stroke, ...]]] = {
    "facing": _facing,
    "bore": _bore,
    "counterbore": _bore,
    "holes": _holes,
    "slot": _slot,
    "pocket": _pocket,
    "turning": _turning,
}
