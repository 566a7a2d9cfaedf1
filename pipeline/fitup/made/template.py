"""A drill template: a plate on pads, located by two holes or the like, that carries guides to where is to be drilled.

All of it hangs below one flat top, on which it is printed. Its own coordinates have z out of the seat and x from the
first locator to the second; the seat is z = 0.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from pipeline.errors import SettingsError
from pipeline.fitup import EXPANDED, Item, Key, Line, Placed, placed
from pipeline.fitup.made.ground import Ground, ground_under
from pipeline.fitup.made.part import Budget, Figure, Gauge, MadePart, Seat, Size
from pipeline.fitup.made.solids import (
    Lettering,
    Outline,
    Prism,
    Solid,
    Step,
    Turned,
    around_discs,
    cylinder,
    frame,
    mirrored,
)
from pipeline.fitup.made.split import Disc, Joint, joints_of, pieces_of_template, wall_about
from pipeline.fitup.made.template_error import Drilled, Pins, Sitting, budget, halved_by, located_within
from pipeline.fitup.made.words import Meant, meant_by
from pipeline.geometry import Floats, cross, transformed, turned, undone, unit
from pipeline.making import Guide, Locator, MakeQuestion, TemplateWish
from pipeline.standards import drill_bush, screw_hole
from pipeline.surfaces import SituationFeature, is_bore, kind_of
from pipeline.values import Feature

_PLAY = 0.05  # mm of the diameters, unless told
_SQUARE = np.radians(1.0)  # that a locator may lean against the seat
_STEEPEST = np.radians(60.0)  # a guide that leans more ends before the plate
_UPRIGHT = np.radians(0.5)  # a guide that leans less hangs straight down
_CHAMFER = 8.0  # mm that the edge of a hole is broken by, at most
_PAD, _LEAST_PAD = 9.0, 2.0  # mm of a pad round a hole, at most and at least
_THIRD = 6.0, 3.0  # mm, radius of the pad that keeps it from rocking
_WALL = 4.0  # mm about a hole
_SPARE = 0.5  # mm more than the gap that was asked for, so that what isn't known of the skin is left
_EDGE = 0.8  # mm more, too, of a pad to the edge of its face, which is known less well
_REACH = 500.0  # mm from its nearest locator that a guide may be
_PRINTED_PLAY = 0.1  # mm, of a drill in a printed hole: common practice, no source
_LENGTHS = 1.5  # times its drill that a guide is long at least: common practice, no source
_LONGEST = 10.0  # times its drill that a guide is long at most: common practice, no source
_TEXT, _PROUD = 5.0, 0.6  # mm, capitals at most and how far letters stand out
_ADVANCE = 1.1  # of its height, a letter's width, at most
_NEAR = 2.5  # mm off the seat that a hole's mouth may be, by its chamfer
_PIN_HOLES = 3.0, 40.0  # mm, diameters that pins are made for
_MOST_HOLES = 16

CAUTIONS = (
    "a template carries what the scan says: drill a pilot through it, measure where that came out, then open it up",
    "before metal is bored, sound the wall there: cores shift",
    "print a coupon with one hole and one length first, and set hole and shrink by it",
    "clamp the work and the template; what local codes and licensed practice ask goes before anything said here",
)


@dataclass(frozen=True)
class _Held:
    """A locator where it is: its words, what they mean, (2,) mm in the seat's plane, the casting's diameter, the
    template's, and the radius within which its pad is set back, clear of the hole's edge and its burr."""

    wish: Locator
    meant: Meant
    feature: Feature
    at: Floats
    size: float
    own: float
    relief: float = 0.0


@dataclass(frozen=True)
class _Led:
    """A guide: where it starts on the metal, (3,) mm, its axis out of it, and mm: the guide's hole, length, distance of
    its near end from the metal, play of the drill, radius of its boss."""

    wish: Guide
    meant: Meant
    place: Floats
    way: Floats
    hole: float
    length: float
    below: float
    play: float
    boss: float

    @property
    def depth(self) -> float:
        return 0.0 if self.wish.depth is None else self.wish.depth.mm

    @property
    def lean(self) -> float:
        """mm by which the drill's lean in it puts its tip off."""
        return self.play * (self.below + self.depth) / self.length


def template(question: MakeQuestion, parts: Mapping[str, Placed]) -> MadePart:
    """The drill template that a layout asks for.

    Raises SettingsError, in one sentence, where it can't be had: no face for its pads, locators that don't hold it, a
    pin larger than its hole, an axis that meets no metal, a guide out of reach.
    """
    wish = question.template
    assert wish is not None
    seat = meant_by(parts, wish.seat, "face", question.name)
    if seat.feature is None:
        raise SettingsError(f"{question.name}: {wish.seat} is no single face that a template could sit on; name one.")
    matrix = _stands(question, wish, parts, seat)
    held = [_locator(question, one, parts, seat, matrix) for one in wish.locate]
    pair = [one for one in held if one.wish.what != "screw"]
    _check_pair(question, pair)
    names = list(dict.fromkeys([seat.part, *(meant_by(parts, g.face, "face", question.name).part for g in wish.guide)]))
    ground = ground_under(parts, names, seat, matrix)
    held = [_set_back(question, one, ground) for one in held]
    led = [_guide(question, guide, parts, matrix, pair, ground) for guide in wish.guide]
    led = [_hanging(one, question.gap.mm + _SPARE, ground) if _upright(one) else one for one in led]
    pads = _pads(question, held, led, ground)
    layout = _laid_out(question, wish, held, pads, led, ground)
    moves = _moves(question, parts, seat, pair, matrix)
    pins = _pins(pair)
    sitting = Sitting(np.array([pads[k][:2] for k in _three(pads)]), wish.made_to.mm + 0.5 * _form(seat.feature))
    plate = layout[0].solid
    assert isinstance(plate, Prism)
    joints = joints_of(question, plate, *_kept_whole(held, pads, led, wall_about(question)), _PROUD)
    budgets = tuple(
        _budget(one, pins, sitting, wish, moves, matrix, [(joint, plate.high) for joint in joints]) for one in led
    )
    letters = _letters(question, wish, seat, pair, plate, budgets, joints)
    steps = (*layout, *letters)
    pieces = pieces_of_template(joints, plate)
    against = tuple(name for name in parts if name in names)
    return MadePart(
        question.name, "template", steps, matrix,
        tuple(Seat(f"pad {n} bottom", seat.part, seat.feature.id) for n in range(1, len(pads) + 1)), against,
        moves, seat.item.unsure or next((h.meant.item.unsure for h in held), ""),
        figures=tuple(_figures(held, led)), budgets=budgets,
        gauges=tuple(_gauges(held)),
        facts=(*_facts(held, led, parts, (seat, matrix), pins, wish.made_to.mm), *_joint_facts(joints)),
        cautions=(*CAUTIONS, *_unraised(letters)), doubts=(*_doubts(pair), *_leaning(led)),
        twin=mirrored(steps) if wish.mirror else (), flat="plate top",
        sizes=tuple(_sizes(plate, led)), pieces=pieces,
        twin_pieces=tuple(mirrored(piece) for piece in pieces) if wish.mirror else (),
    )  # fmt: skip


def _stands(question: MakeQuestion, wish: TemplateWish, parts: Mapping[str, Placed], seat: Meant) -> Floats:
    """(4, 4) own -> where the parts are put together."""
    normal = seat.item.direction
    assert normal is not None
    feet = []
    for one in wish.locate:
        if one.what == "screw":
            continue
        item = meant_by(parts, one.words, "axis", question.name).item
        assert item.direction is not None
        lean = abs(float(item.direction @ normal))
        if lean < np.cos(_SQUARE):
            raise SettingsError(
                f"{question.name}: {one.words} leans {np.degrees(np.arccos(lean)):.1f} degrees against {wish.seat}, so "
                "no pin in it could hold a template that sits there; take another seat or another hole."
            )
        feet.append(
            item.point + item.direction * float((seat.item.point - item.point) @ normal / (item.direction @ normal))
        )
    if len(feet) != 2:
        raise SettingsError(
            f"{question.name}: a template takes its place from two of pin, spigot and over; "
            f"{len(feet)} of them {'is' if len(feet) == 1 else 'are'} given; name two."
        )
    line = feet[1] - feet[0]
    if np.linalg.norm(line) < 1e-6:
        raise SettingsError(f"{question.name}: both its locators are on one axis, so that it could turn; take another.")
    return frame(feet[0], normal, line)


def _locator(question: MakeQuestion, one: Locator, parts: Mapping[str, Placed], seat: Meant, matrix: Floats) -> _Held:
    meant = meant_by(parts, one.words, "axis", question.name)
    feature = meant.feature
    if feature is None or feature.radius is None or not kind_of(feature).cylindrical:
        raise SettingsError(
            f"{question.name}: {one.words} is no round hole or boss that a locator could hold; name one."
        )
    if (one.what == "over") == is_bore(feature):
        raise SettingsError(
            f"{question.name}: {one.words} is a {'hole' if is_bore(feature) else 'boss'}, where {one.what} wants a "
            f"{'boss' if one.what == 'over' else 'hole'}; name one."
        )
    if meant.part != seat.part:
        raise SettingsError(
            f"{question.name}: {one.words} is not of {seat.part}, on which it sits; a template is held by one part."
        )
    own, way = transformed(undone(matrix), meant.item.point), _along(meant.item, matrix)
    at = own[:2] - way[:2] * own[2] / way[2]
    size = 2.0 * feature.radius
    # A pin of its own size less what that isn't known by still goes in.
    unsure = 2.0 * EXPANDED * (feature.uncertainty.radius or 0.0)
    play = one.play.mm if one.play is not None else _PLAY + unsure
    if one.what == "screw":
        assert one.diameter is not None
        hole = screw_hole(one.diameter.mm)
        if hole is None:
            raise SettingsError(
                f"{question.name}: there is no metric thread of {one.diameter.mm:g} mm (ISO 273); write a usual one."
            )
        return _Held(one, meant, feature, at, size, hole)
    sense = 1.0 if one.what == "over" else -1.0
    own_size = one.diameter.mm if one.diameter is not None else round(size + sense * play, 3)
    short = sense * (own_size - size)
    if own_size <= 0.0:
        raise SettingsError(
            f"{question.name}: a play of {play:.3f} mm leaves nothing of a pin in {one.words}, {size:.3f} mm; less."
        )
    if short <= 0.0:
        what = {"pin": "the pin", "spigot": "the spigot", "over": "the bore"}[one.what]
        word = "no smaller" if one.what != "over" else "no larger"
        raise SettingsError(
            f"{question.name}: {what} of {own_size:.3f} mm is {word} than {one.words}, {size:.3f} mm; take another, or "
            "leave its diameter to be found."
        )
    return _Held(one, meant, feature, at, size, own_size)


def _set_back(question: MakeQuestion, one: _Held, ground: Ground) -> _Held:
    """The locator with what its pad is set back by: the gap from where the seat begins, past its hole's chamfer."""
    inner = 0.5 * max(one.size, one.own)
    rim = ground.rim(one.at, inner, inner + _CHAMFER)
    if rim is None:
        raise SettingsError(_no_face(question, one))
    return replace(one, relief=rim + question.gap.mm + _EDGE)


def _no_face(question: MakeQuestion, one: _Held) -> str:
    return (
        f"{question.name}: there is no flat face about {one.wish.words} that a pad could stand on, {_LEAST_PAD:g} mm "
        "wide all round at least; seat the template elsewhere, or ask for less gap."
    )


def _check_pair(question: MakeQuestion, pair: Sequence[_Held]) -> None:
    apart = float(np.linalg.norm(pair[1].at - pair[0].at))
    least = 0.5 * sum(max(one.size, one.own) for one in pair) + _WALL
    if apart < least:
        raise SettingsError(
            f"{question.name}: its locators are {apart:.1f} mm apart, too close to hold it; take holes that are "
            f"farther apart than {least:.1f} mm."
        )
    if pair[0].wish.flat:
        raise SettingsError(
            f"{question.name}: of two pins the second one is flattened, not the first; change their order."
        )


def _guide(
    question: MakeQuestion, guide: Guide, parts: Mapping[str, Placed], matrix: Floats, pair: Sequence[_Held],
    ground: Ground,
) -> _Led:  # fmt: skip
    meant = meant_by(parts, guide.axis, "axis", question.name)
    face = meant_by(parts, guide.face, "face", question.name)
    back = undone(matrix)
    assert meant.item.direction is not None
    assert face.item.direction is not None
    point, way = transformed(back, meant.item.point), turned(back, meant.item.direction)
    foot, normal = transformed(back, face.item.point), turned(back, face.item.direction)
    if abs(float(way @ normal)) < np.sin(np.radians(20.0)):
        raise SettingsError(
            f"{question.name}: {guide.axis} runs along {guide.face}, so that no drill could start there; name the face "
            "that it goes into."
        )
    way = way if float(way @ normal) > 0.0 else -way
    place = point + way * float((foot - point) @ normal / (way @ normal))
    far = min(float(np.linalg.norm(place[:2] - one.at)) for one in pair)
    if far > _REACH:
        raise SettingsError(
            f"{question.name}: {guide.axis} is {far:.0f} mm from its nearest locator, beyond the {_REACH:.0f} mm that "
            "a template reaches; locate it nearer by."
        )
    air = ground.distance(face.part, place)
    drill = guide.drill.mm
    bored = meant.feature if meant.feature is not None and meant.part == face.part else None
    opens_up = bored is not None and is_bore(bored) and air < (bored.radius or 0.0) + _NEAR
    if air > 0.5 * drill and not opens_up:
        raise SettingsError(
            f"{question.name}: {guide.axis} meets no metal on {guide.face}: the nearest is {air:.1f} mm away; name the "
            "face where the drill is to start."
        )
    below = guide.stand_off.mm if guide.stand_off is not None else drill
    depth = 0.0 if guide.depth is None else guide.depth.mm
    bush = drill_bush(drill) if guide.bush else None
    if guide.bush and bush is None:
        raise SettingsError(
            f"{question.name}: there is no drill bush (DIN 179) for {drill:g} mm; take one up to 35 mm."
        )
    play = guide.play.mm if guide.play is not None else bush.play if bush is not None else _PRINTED_PLAY
    wanted = max(_LENGTHS * drill, play * (below + depth) / guide.lean.mm)
    if bush is None and wanted > _LONGEST * drill:
        raise SettingsError(
            f"{question.name}: a guide that lets a drill of {drill:g} mm lean by {guide.lean.mm:g} mm only would be "
            f"{wanted:.0f} mm long; allow more lean, take a bush, or drill less deep."
        )
    length = wanted if bush is None else next((n for n in bush.lengths if n >= wanted), bush.lengths[-1])
    hole = drill + play if bush is None else bush.outer
    return _Led(guide, meant, place, way, hole, length, below, play, 0.5 * hole + _WALL)


def _upright(one: _Led) -> bool:
    return abs(float(one.way[2])) > np.cos(_UPRIGHT)


def _pads(
    question: MakeQuestion, held: Sequence[_Held], led: Sequence[_Led], ground: Ground
) -> list[tuple[float, float, float]]:
    """(x, y, radius) of each pad: one about every locator, and a third where there are two, against rocking."""
    out, edge = [], question.gap.mm + _EDGE
    for one in held:
        radius = ground.widest(one.at, one.relief, one.relief + _PAD, edge)
        if radius < one.relief + _LEAST_PAD:
            raise SettingsError(_no_face(question, one))
        out.append((float(one.at[0]), float(one.at[1]), radius))
    third = ground.third(np.array([pad[:2] for pad in out]), led[0].place[:2], _THIRD, out, edge)
    if third is None:
        raise SettingsError(
            f"{question.name}: its seat has no place for a third pad beside the line of its locators, so that it would "
            "rock; seat it on a larger face."
        )
    return [*out, third]


def _three(pads: Sequence[tuple[float, float, float]]) -> tuple[int, int, int]:
    """Which three pads span the most."""
    at = np.array([pad[:2] for pad in pads])

    def area(three: tuple[int, ...]) -> float:
        a, b = at[three[1]] - at[three[0]], at[three[2]] - at[three[0]]
        return abs(float(a[0] * b[1] - a[1] * b[0]))

    i, j, k = max(combinations(range(len(pads)), 3), key=area)
    return i, j, k


def _laid_out(
    question: MakeQuestion, wish: TemplateWish, held: Sequence[_Held], pads: Sequence[tuple[float, float, float]],
    led: Sequence[_Led], ground: Ground,
) -> tuple[Step, ...]:  # fmt: skip
    """The steps of a template without its letters."""
    gap = question.gap.mm + _SPARE
    wide = [_reach(one) for one in led]
    discs = [
        *pads,
        *((float(p[0]), float(p[1]), float(w)) for one, w in zip(led, wide, strict=True) for p in _ends(one)),
    ]
    outline = around_discs(discs)
    skin = ground.highest(discs, gap)
    under = _tenth_above(max(skin + gap, 2.0))
    top = under + wish.thickness.mm
    for one in led:
        ends = _ends(one)
        top = max(top, _tenth_above(float(max(p[2] for p in ends)) + (0.0 if _upright(one) else one.boss + 1.0)))
    thick = wish.thickness.mm
    steps = [Step("add", Prism(outline, top - thick, top), "plate")]
    inside = top - 0.5 * thick
    for n, (x, y, radius) in enumerate(pads, 1):
        steps.append(Step("add", _post((x, y), radius, 0.0, inside, f"pad {n}"), f"pad {n}"))
    for n, one in enumerate(led, 1):
        steps.append(Step("add", _boss(one, inside, f"guide {n} boss"), f"guide {n} boss"))
    for n, each in enumerate(held, 1):
        steps += _holds(question, each, f"locator {n}", (gap, under, top))
    for n, one in enumerate(led, 1):
        # From a mm before its near end.
        hole = cylinder(_ends(one)[0] - one.way, one.way, 0.5 * one.hole, _through(one, top))
        steps.append(Step("take", hole, f"guide {n}"))
    return tuple(steps)


def _tenth_above(height: float) -> float:
    """mm, as a drawing has heights that nothing hangs on."""
    return float(np.ceil(10.0 * height - 1e-6) / 10.0)


def _kept_whole(
    held: Sequence[_Held], pads: Sequence[Disc], led: Sequence[_Led], wall: float
) -> tuple[list[Disc], list[Disc]]:
    """Discs (x, y, radius), mm, that no joint goes through, and those that no dowel does, a wall about locators'
    holes."""
    ways = [place for one in led for place in np.linspace(*_ends(one), 5)]
    wide = [_reach(one) for one in led for _ in range(5)]
    guides = [(float(p[0]), float(p[1]), w) for p, w in zip(ways, wide, strict=True)]
    holes = [(float(one.at[0]), float(one.at[1]), 0.5 * one.own + wall) for one in held]
    return [*pads, *guides], [*holes, *guides]


def _reach(one: _Led) -> float:
    """mm that a guide's boss reaches from its axis; a block's corners are farther out than a boss is round."""
    return float(one.boss if _upright(one) else np.sqrt(2.0) * one.boss)


def _sizes(plate: Prism, led: Sequence[_Led]) -> list[Size]:
    """Heights, from the seat: of the pads, the plate, and where guides begin."""
    sizes = [
        Size("length", (0.0, plate.high), plate.high),
        Size("length", (plate.low, plate.high), plate.high - plate.low),
    ]
    ends = sorted({round(float(_ends(one)[0][2]), 3) for one in led})
    return [*sizes, *(Size("length", (min(z, plate.high), max(z, plate.high)), abs(plate.high - z)) for z in ends)]


def _joint_facts(joints: Sequence[Joint]) -> list[str]:
    return [
        f"made in {len(joints) + 1} pieces, to fit the bed: put them together lying on their tops on a flat plate, "
        f"butt joints glued with epoxy, in each two dowels ISO 8734 {joint.pin:g} x {joint.long:g}, "
        f"{float(np.linalg.norm(joint.dowels[1] - joint.dowels[0])):.0f} mm apart, their holes reamed"
        for joint in joints[:1]
    ]


def _through(one: _Led, top: float) -> float:
    """mm that a guide's hole is long, from a mm before its near end: out of the top where it goes there."""
    way, near, length, wide = one.way, _ends(one)[0], one.length, 0.5 * one.hole
    if way[2] > np.cos(_STEEPEST):
        length = max(length, float((top - near[2] + 2.0 * wide) / way[2]))
    return length + 3.0


def _holds(question: MakeQuestion, one: _Held, name: str, levels: tuple[float, float, float]) -> list[Step]:
    """The steps of a locator: the hole of a pin or screw, a spigot below the seat, or a bore in its pad."""
    what, (x, y) = one.wish.what, one.at.tolist()
    gap, under, top = levels
    up = np.array([0.0, 0.0, 1.0])
    # Clear of the edge of the hole, and of its burr; a spigot or what goes over a boss stands in that.
    relief = Step("take", cylinder(np.array([x, y, -1.0]), up, one.relief, 1.0 + gap), f"{name} relief")
    if what == "spigot":
        depth = one.wish.depth.mm
        if one.feature.extent.length is not None and depth > one.feature.extent.length:
            raise SettingsError(
                f"{question.name}: a spigot {depth:g} mm long doesn't go into {one.wish.words}, seen "
                f"{one.feature.extent.length:.1f} mm deep; make it shorter."
            )
        r, lead = 0.5 * one.own, min(1.0, 0.2 * depth)
        root = gap + 1.0
        profile = ((-depth, 0.0), (root, 0.0), (root, r), (lead - depth, r), (-depth, r - lead))
        names = ("", f"{name} top", f"{name} side", f"{name} lead", f"{name} bottom")
        return [
            relief,
            Step("add", Turned(profile, frame(np.array([x, y, 0.0]), up, np.array([1.0, 0, 0])), names), name),
        ]
    high = under if what == "over" else top + 1.0
    return [relief, Step("take", cylinder(np.array([x, y, -1.0]), up, 0.5 * one.own, high + 1.0), name)]


def _hanging(one: _Led, gap: float, ground: Ground) -> _Led:
    """An upright guide whose boss clears what stands about its place: its near end may have to be higher."""
    high = ground.highest([(float(one.place[0]), float(one.place[1]), one.boss)], gap)
    return replace(one, below=max(one.below, high + gap - float(one.place[2])))


def _ends(one: _Led) -> tuple[Floats, Floats]:
    """Where a guide's axis leaves it, the near end first."""
    return one.place + one.below * one.way, one.place + (one.below + one.length) * one.way


def _post(at: tuple[float, float], radius: float, low: float, high: float, name: str) -> Turned:
    return cylinder(np.array([*at, low]), np.array([0.0, 0.0, 1.0]), radius, high - low, name)


def _boss(one: _Led, inside: float, name: str) -> Solid:
    """What carries a guide: a round boss that hangs down, or a block where its axis leans."""
    near, far = _ends(one)
    if _upright(one):
        at = float(near[0]), float(near[1])
        return _post(at, one.boss, min(float(near[2]), inside - 1.0), inside, name)
    # In the upright plane of the axis: the guide's long section, up to the plate.
    level = np.array([one.way[0], one.way[1], 0.0])
    along = unit(level)
    place = frame(near, cross(along, np.array([0.0, 0.0, 1.0])), along)
    a, b = transformed(undone(place), near)[:2], transformed(undone(place), far)[:2]
    u = unit(b - a)
    v = np.array([-u[1], u[0]])
    corners = [a + one.boss * v, a - one.boss * v, b + one.boss * v, b - one.boss * v]
    rise = transformed(undone(place), near + np.array([0.0, 0.0, inside - near[2]]))[1]
    left, right = min(c[0] for c in corners), max(c[0] for c in corners)
    outline = _hull(np.array([*corners, [left, rise], [right, rise]]))
    return Prism(outline, -one.boss, one.boss, (), place)


def _hull(points: Floats) -> Outline:
    from scipy.spatial import ConvexHull

    return Outline(tuple((float(x), float(y)) for x, y in points[ConvexHull(points).vertices]))


def _moves(
    question: MakeQuestion, parts: Mapping[str, Placed], seat: Meant, pair: Sequence[_Held], matrix: Floats
) -> dict[tuple[str, ...], Floats]:
    """By what is not known of the seat and the holes, (6,) shift mm of the template and turn rad: by one standard
    uncertainty of each, as a placing has them."""
    up = np.array([0.0, 0.0, 1.0])
    lines = [Line(Item(SituationFeature.PLANE, np.zeros(3), -up), seat.item, True, f"{question.name}: its seat")]
    for one in pair:
        own = Item(SituationFeature.AXIS, np.array([*one.at, 0.0]), _along(one.meant.item, matrix))
        lines.append(Line(own, one.meant.item, False, f"{question.name}: {one.wish.words}"))
    return placed(lines, matrix).moves


def _along(item: Item, matrix: Floats) -> Floats:
    """An axis' direction in own coordinates."""
    assert item.direction is not None
    return turned(undone(matrix), item.direction)


def _pins(pair: Sequence[_Held]) -> Pins:
    unsure = [2.0 * (one.feature.uncertainty.radius or 0.0) for one in pair]
    play = [abs(one.size - one.own) for one in pair]
    return Pins(np.array([one.at for one in pair]), np.array(play), np.array(unsure), pair[1].wish.flat)


def _doubts(pair: Sequence[_Held]) -> list[str]:
    """Pins of which it isn't sure that they go in."""
    out = []
    for one in pair:
        play, unsure = abs(one.size - one.own), one.feature.uncertainty.radius
        if unsure is None:
            out.append(f"the size of {one.feature.id} can't be vouched for; gauge it")
        elif play < 2.0 * EXPANDED * unsure:
            out.append(
                f"its locator in {one.feature.id} may not go in: play {play:.3f} mm, +-{2.0 * EXPANDED * unsure:.3f} "
                "(95 %); gauge the hole, or give it more play"
            )
    return out


def _leaning(led: Sequence[_Led]) -> Iterator[str]:
    """Guides whose bush, the longest that there is, lets the drill lean by more than was asked for."""
    for one in led:
        if "lean" in one.wish.model_fields_set and one.lean > one.wish.lean.mm * (1.0 + 1e-9):
            yield (
                f"the longest bush of DIN 179 for {one.wish.drill.mm:g} mm, {one.length:g} mm, lets the drill lean by "
                f"{one.lean:.3f} mm at the end, more than {one.wish.lean.mm:g} mm; a finer play, or less depth"
            )


def _unraised(letters: Sequence[Step]) -> Iterator[str]:
    """What has no room as raised letters."""
    there = {step.name for step in letters}
    for name, what in (("text 1", "its name and error"), ("text 2", "what it sits on and where its first locator is")):
        if name not in there:
            yield f"there is no room to raise {what} as letters: mark it by hand"


def _form(seat: Feature) -> float:
    """mm, peak to valley of a face without what the scan's noise makes of it."""
    form = seat.form
    if form.of_means is not None:
        return max(0.0, form.of_means - (form.noise_of_means or 0.0))
    return max(0.0, form.peak_to_valley - (form.noise_share or 0.0))


def _budget(
    one: _Led, pins: Pins, sitting: Sitting, wish: TemplateWish, moves: Mapping[Key, Floats], matrix: Floats,
    joints: Sequence[tuple[Joint, float]],
) -> Budget:  # fmt: skip
    """What the end of a drilled hole is off its axis by."""
    own = one.place - one.depth * one.way
    there = transformed(matrix, own)
    item = one.meant.item
    assert item.direction is not None
    along = float((there - item.point) @ item.direction)
    off: dict[tuple[str, ...], Floats] = {}
    for key in dict.fromkeys([*moves, *item.moves]):
        step = np.zeros(3)
        if key in moves:
            step = step + moves[key][:3] + cross(moves[key][3:], there)
        if key in item.moves:
            step = step - item.moves[key][0] - along * item.moves[key][1]
        off[key] = turned(undone(matrix), step)
    drilled = Drilled(own, one.way, one.length, one.below + one.depth, one.play)
    made_to = wish.made_to.mm
    between = [joint.errors(pins.places, sitting.pads, own, top, made_to) for joint, top in joints]
    return budget(f"drilled at {one.wish.axis}", pins, drilled, sitting, made_to, off, between)


def _letters(
    question: MakeQuestion, wish: TemplateWish, seat: Meant, pair: Sequence[_Held], plate: Prism,
    budgets: Sequence[Budget], joints: Sequence[Joint],
) -> list[Step]:  # fmt: skip
    """Raised text on the plate's two longest straight sides: name and error, and what it sits on with an arrow to its
    first locator; across no joint."""
    corners = np.array(plate.outline.corners)
    runs = [
        (a, b)
        for k, (a, b) in enumerate(zip(corners, np.roll(corners, -1, axis=0), strict=True))
        if not plate.outline.bulges[k]
    ]
    for joint in joints:
        runs = [part for a, b in runs for part in joint.parted(a, b)]
    runs.sort(key=lambda run: -float(np.linalg.norm(run[1] - run[0])))
    likely = max(b.likely for b in budgets)
    said = [f"{question.name} {wish.text}".strip().upper() + f" \u00b1{likely:.2f}"]
    said.append(f"{seat.part} {seat.feature.id if seat.feature else ''} {pair[0].feature.id}")
    out = []
    for n, ((a, b), text) in enumerate(zip(runs, said, strict=False), 1):
        line = unit(b - a)
        if n == 2:
            # Read from outside along the run; the arrow looks to the first locator.
            ahead = float((pair[0].at - 0.5 * (a + b)) @ line) > 0.0
            text = f"{text} >" if ahead else f"< {text}"
        room = float(np.linalg.norm(b - a)) - 4.0
        size = min(_TEXT, 0.6 * (plate.high - plate.low), room / (_ADVANCE * len(text)))
        if size < 2.0:
            continue
        middle = np.array([*(0.5 * (a + b)), 0.5 * (plate.low + plate.high)])
        outwards = np.array([line[1], -line[0], 0.0])
        place = frame(middle, outwards, np.array([*line, 0.0]))
        out.append(Step("add", Lettering(text, size, _PROUD, place), f"text {n}"))
    return out


def _figures(held: Sequence[_Held], led: Sequence[_Led]) -> list[Figure]:
    out = []
    for n, one in enumerate(held, 1):
        note = {"pin": "pin", "spigot": "spigot", "over": "bore", "screw": "screw hole, ISO 273 medium"}[one.wish.what]
        flat = ", flattened along the line to the other" if one.wish.flat else ""
        out.append(Figure(f"locator {n}: {note}{flat} in {one.wish.words}", one.own))
        if one.wish.what != "screw":
            unsure = one.feature.uncertainty.radius
            out.append(Figure(f"locator {n}: play of the diameters", abs(one.size - one.own),
                              expanded=None if unsure is None else 4.0 * unsure))  # fmt: skip
    for n, guide in enumerate(led, 1):
        bush = f"press-fit bush DIN 179 {guide.wish.drill.mm:g} x {guide.hole:g} x {guide.length:g}, from memory"
        out.append(Figure(f"guide {n}: hole", guide.hole, note=bush if guide.wish.bush else ""))
        out.append(Figure(f"guide {n}: length", guide.length))
        out.append(Figure(f"guide {n}: from the metal to the guide", guide.below))
    return out


def _gauges(held: Sequence[_Held]) -> list[Gauge]:
    """The sizes of the locators' holes, and how far apart they are."""
    pair = [one for one in held if one.wish.what != "screw"]
    out = [Gauge(one.meant.part, "diameter", (one.feature.id,), one.size, f"play of locator in {one.feature.id}")
           for one in pair]  # fmt: skip
    apart = float(np.linalg.norm(pair[1].at - pair[0].at))
    both = (pair[0].feature.id, pair[1].feature.id)
    return [
        *out,
        Gauge(pair[0].meant.part, "distance", both, apart, "distance of its locators, which tells the scan's scale"),
    ]


def _facts(
    held: Sequence[_Held],
    led: Sequence[_Led],
    parts: Mapping[str, Placed],
    stands: tuple[Meant, Floats],
    pins: Pins,
    made_to: float,
) -> list[str]:
    """Shift and turn that the pins leave, and whether another pair of holes would do better."""
    seat, matrix = stands
    apart = float(np.linalg.norm(pins.places[1] - pins.places[0]))
    turn = float(pins.play.sum()) / (2.0 * apart)
    facts = [
        f"its pins leave a shift of {0.5 * pins.play[0]:.3f} mm and a turn of {1000.0 * turn:.3f} mrad, over "
        f"{apart:.1f} mm"
    ]
    place = led[0].place
    names = [one.feature for one in held if one.wish.what != "screw"]
    now = located_within(pins, _places_unsure(names, parts, seat, matrix), made_to, place)
    holes = [
        (f, at, _places_unsure([f], parts, seat, matrix)[0]) for f, at in _holes_in(parts[seat.part], seat, matrix)
    ]
    pairs = []
    for (one, a, u), (other, b, w) in combinations(holes, 2):
        if {one.id, other.id} == {f.id for f in names} or np.linalg.norm(b - a) <= 0.5 * apart:
            continue
        sizes = np.array([2.0 * (f.uncertainty.radius or 0.0) for f in (one, other)])
        instead = Pins(np.array([a, b]), _PLAY + EXPANDED * sizes, sizes, pins.flat)
        pairs.append((one.id, other.id, located_within(instead, (u, w), made_to, place)))
    return [*facts, halved_by(pairs, now)]


def _places_unsure(
    features: Sequence[Feature], parts: Mapping[str, Placed], seat: Meant, matrix: Floats
) -> tuple[Floats, ...]:
    """Of holes of the seat's part, (k, 2) mm each: by what their places on the seat are off for one standard
    uncertainty of each thing that isn't known of them."""
    out = []
    for feature in features:
        item = meant_by(parts, f"{seat.part}: {feature.id}", "axis", seat.part).item
        assert item.direction is not None
        foot = float((seat.item.point - item.point) @ item.direction)
        own = [move for key, move in item.moves.items() if key[:2] == (seat.part, feature.id)]
        moves = [turned(undone(matrix), shift + foot * tilt) for shift, tilt in own]
        out.append(np.array(moves).reshape(-1, 3)[:, :2])
    return tuple(out)


def _holes_in(part: Placed, seat: Meant, matrix: Floats) -> list[tuple[Feature, Floats]]:
    """Round holes of a part that are square to the seat and open on it, and where, (2,) mm."""
    out = []
    back = undone(matrix) @ part.pose.matrix
    for feature in part.body.features:
        known = feature.radius is not None and is_bore(feature) and kind_of(feature).cylindrical
        if not known or feature.direction is None or feature.confidence != "good":
            continue
        at, way = transformed(back, feature.point), turned(back, feature.direction)
        low, high = feature.extent.along or (0.0, 0.0)
        mouth = max(float(at[2] + t * way[2]) for t in (low, high))
        fits = _PIN_HOLES[0] <= 2.0 * (feature.radius or 0.0) <= _PIN_HOLES[1]
        if abs(float(way[2])) > np.cos(_SQUARE) and fits and abs(mouth) < _NEAR:
            out.append((feature, at[:2] - way[:2] * at[2] / way[2]))
    return out[:_MOST_HOLES]
