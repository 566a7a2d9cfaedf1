"""Covers, gaskets and spacers: flat parts with the outline of a recovered flange, made larger or smaller."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from pipeline.coverage import PAIR
from pipeline.errors import SettingsError
from pipeline.features.sketches import Piece, corners_and_bulges, gap_between, offset, pieces_of, turned_back
from pipeline.fitup import Key, Placed
from pipeline.fitup.made.part import Figure, Gauge, MadePart, Seat, Size
from pipeline.fitup.made.registers import Found, Register, closed_off, engaged, found_by, register_of, standing
from pipeline.fitup.made.solids import Outline, Prism, Step, Turned, circle, frame, volume_of
from pipeline.geometry import Floats, contains, cross, transformed, turned, undone
from pipeline.making import CoverWish, MakeQuestion, OpenPlateWish
from pipeline.standards import BoltHole, bolt_hole, position_tolerance
from pipeline.surfaces import kind_of
from pipeline.values import Flange, Hole

FOLLOWED = 0.1  # mm within which arcs follow a cast edge
_LARGEST_BOLT_HOLE = 30.0  # mm: what is larger is an opening: castings of a bench size, common practice, no source
_WEB = {"cover": 2.0, "spacer": 2.0, "gasket": 3.0}  # mm that are to be left unless told: common practice, no source
# mm that is kept from what stands proud of the face, the fillet at its foot among it: common practice, no source.
_PROUD = 3.0
_BOLTED = 2.0  # of a bolt's thread, up to which a found hole is its hole
_THREADED = 1.25  # of a found hole's diameter, up to which a bolt's thread may have been cut into it
_MARKED = 0.1  # mm, radially, that a hole is drilled to its place with care: common practice, no source
_TOLD = 6  # webs
_LEVEL, _LAID = np.cos(np.radians(0.5)), 0.2  # of faces that lie against a plate; mm between them
_TOUCHING = 0.01  # mm: edges that cross come as near as that

Loop = tuple[Piece, ...]


@dataclass(frozen=True)
class Web:
    """What is left between two edges of a plate: their names, mm, and the place (2,) half way, mm in its sketch."""

    between: tuple[str, str]
    width: float
    at: Floats


def plate(question: MakeQuestion, parts: Mapping[str, Placed]) -> MadePart:
    """A cover, gasket or spacer as a layout wants it; its own coordinates are the flange's sketch, z out of the face.

    Raises SettingsError, in one sentence, for what can't be had.
    """
    kind = question.what
    wish = question.cover or question.gasket or question.spacer
    assert wish is not None
    where = f"{question.name}: the {kind}"
    face = found_by(parts, wish.on, "face", where)
    flange = next((f for f in parts[face.part].body.flanges if f.feature == face.feature.id), None)
    if flange is None or flange.outer is None:
        drawn = ", ".join(f.feature for f in parts[face.part].body.flanges) or "none"
        raise SettingsError(f"{where}: no outline of {face.words} was recovered; flanges of {face.part}: {drawn}.")
    outer = _outer(flange, wish.offset, face, where)
    spigot = wish.spigot if isinstance(wish, CoverWish) else None
    register = None if spigot is None else register_of(spigot, parts, where, 0.0, 0.0, 0.0)
    if register is not None and register.side != "bore":
        raise SettingsError(f"{where}: {register.at.words} is an outside diameter; a cover's spigot goes into a bore.")
    taken = {register.at.feature.id} if register is not None else set()
    drilled = [h for h in flange.holes if h.diameter <= _LARGEST_BOLT_HOLE and h.feature not in taken]
    bolt = _bolt(wish.holes, drilled, face, where)
    if bolt is not None:
        # What is far wider than the bolt is an opening.
        drilled = [h for h in drilled if h.diameter <= _BOLTED * bolt.thread]
    holes = [] if wish.holes == "none" else [(h, bolt.hole if bolt else round(h.diameter, 1)) for h in drilled]
    openings = _outermost(list(_openings(flange, drilled, wish, where)))
    webs = sorted(_webs(outer, holes, openings), key=lambda w: w.width)
    least = _WEB[kind] if wish.web is None else wish.web.mm
    doubts = _checked(webs, least, kind, where)
    low, high = wish.above, wish.above + wish.thickness.mm
    body = Prism(
        Outline(*corners_and_bulges(outer)), low, high,
        (*(circle(float(h.place[0]), float(h.place[1]), 0.5 * d) for h, d in holes), *(_outline(o) for o in openings)),
    )  # fmt: skip
    steps, volume = [Step("add", body, "plate")], volume_of(body)
    pose = parts[face.part].pose.matrix @ undone(flange.matrix)
    moves = _face_moves(face, pose, holes)
    sizes = [Size("length", (low, high), wish.thickness.mm)]
    # A gasket is pressed on its face as a whole: what it keeps its gap from is what stands proud of that.
    on_face = _faces_of(body) if kind == "gasket" else ("plate bottom",)
    seats = [Seat(name, face.part, face.feature.id) for name in on_face]
    seats += _laid({n: p for n, p in parts.items() if n != face.part}, pose, (low, high), _faces_of(body))
    short: tuple[str, ...] = ()
    if register is not None:
        short = engaged(register, parts[register.at.part], face.item, where)
        stud, moves = _stud(register, face, pose, low, where)
        steps.append(Step("add", stud, "spigot"))
        volume += volume_of(stud)
        sizes += register.sizes(-1.0)
        seats += register.seats
        _stud_fits(register, stud, holes, flange, where)
    figures, facts, cautions = _said(face, flange, holes, bolt, webs, wish, least)
    return MadePart(
        question.name, kind, tuple(steps), pose, tuple(seats), tuple(parts), moves,
        face.item.unsure or (register.at.item.unsure if register else ""), volume,
        (*figures, *(register.figures if register else ())), (),
        (*_gauges(face, holes), *(register.gauges if register else ())),
        (*facts, *(register.facts if register else ())),
        (*cautions, *(register.cautions if register else ()), *short),
        (*doubts, *_room_doubts(holes, bolt), *(register.doubts if register else ())),
        sizes=tuple(sizes),
    )  # fmt: skip


def _faces_of(body: Prism) -> tuple[str, ...]:
    return ("plate bottom", "plate top", "plate side", *(["plate hole"] if body.holes else []))


def _laid(parts: Mapping[str, Placed], pose: Floats, levels: tuple[float, float], faces: Sequence[str]) -> list[Seat]:
    """Of parts that lie flat against a plate's top or bottom: all of its faces may be near to all of these."""
    there = undone(pose)
    met = []
    for name, part in parts.items():
        shapes = [part.shape(k) for k, f in enumerate(part.body.features) if kind_of(f).flat]
        flat = [
            (turned(there, s.direction)[2], transformed(there, s.point)[2]) for s in shapes if s.direction is not None
        ]
        if any(
            (up < -_LEVEL and abs(at - levels[1]) < _LAID) or (up > _LEVEL and abs(at - levels[0]) < _LAID)
            for up, at in flat
        ):
            met.append(name)
    return [Seat(face, name, "") for name in met for face in faces]


def _outer(flange: Flange, by: float, face: Found, where: str) -> Loop:
    assert flange.outer is not None
    loops = offset(pieces_of(flange.outer.segments, FOLLOWED), by)
    if not loops:
        way = f"moved in by {-by:g} mm nothing is left of" if by < 0.0 else f"{by:g} mm can't be put round"
        raise SettingsError(f"{where}: {way} {face.words}; less offset.")
    if len(loops) > 1:
        raise SettingsError(f"{where}: moved by {by:g} mm the outline of {face.words} falls apart; less offset.")
    return loops[0]


def _bolt(words: str, holes: Sequence[Hole], face: Found, where: str) -> BoltHole | None:
    if words in ("as found", "none"):
        return None
    try:
        bolt = bolt_hole(words)
    except SettingsError as error:
        raise SettingsError(f"{where}: {error}") from None
    if not holes:
        raise SettingsError(f'{where}: no holes were found in {face.words} for {bolt.bolt}; write holes = "none".')
    narrow = min(holes, key=lambda h: h.diameter)
    if narrow.diameter > _BOLTED * bolt.thread:
        raise SettingsError(
            f"{where}: {bolt.bolt} is lost in {narrow.feature}, a hole of {narrow.diameter:.2f} mm; a thicker one."
        )
    if bolt.thread > _THREADED * narrow.diameter:
        raise SettingsError(
            f"{where}: {bolt.bolt} doesn't go into {narrow.feature}, a hole of {narrow.diameter:.2f} mm; a thinner one."
        )
    return bolt


def _openings(flange: Flange, drilled: Sequence[Hole], wish: CoverWish | OpenPlateWish, where: str) -> Iterator[Loop]:
    """Clockwise loops where the plate is open: the flange's openings, and what stands proud of it."""
    bolts = {h.feature for h in drilled}
    for inner in flange.inner:
        rim = inner.segments[0]
        if rim.kind == "circle" and rim.feature in bolts:
            continue
        wanted = wish.opening if isinstance(wish, OpenPlateWish) else None
        wider = max(_PROUD, wanted or 0.0) if inner.what == "spigot" else wanted
        if inner.what == "piece" or wider is None:
            continue
        loops = offset(pieces_of(inner.segments, FOLLOWED), -wider)
        if not loops:
            raise SettingsError(f"{where}: made smaller by {-wider:g} mm an opening closes; write a larger one.")
        yield from loops


def _outermost(openings: Sequence[Loop]) -> list[Loop]:
    """Openings without those that lie within another, as a bore in a spigot that stands proud of the face."""
    rims = [_polygon(o) for o in openings]
    return [
        o for k, o in enumerate(openings) if not any(n != k and _within(rim, o[0].start) for n, rim in enumerate(rims))
    ]


def _webs(outer: Loop, holes: Sequence[tuple[Hole, float]], openings: Sequence[Loop]) -> Iterator[Web]:
    edge = _polygon(outer)
    rims = [_polygon(o) for o in openings]
    for hole, diameter in holes:
        width, at = _to_hole(outer, hole, diameter, _within(edge, hole.place))
        yield Web((hole.feature, "edge"), width, at)
        for k, (opening, rim) in enumerate(zip(openings, rims, strict=True), 1):
            width, at = _to_hole(opening, hole, diameter, not _within(rim, hole.place))
            yield Web((hole.feature, f"opening {k}"), width, at)
    for (a, d), (b, e) in combinations(holes, 2):
        apart = float(np.linalg.norm(a.place - b.place))
        yield Web((a.feature, b.feature), apart - 0.5 * (d + e), 0.5 * (a.place + b.place))
    for k, opening in enumerate(openings, 1):
        width, on, off = gap_between(opening, outer)
        inside = _within(edge, opening[0].start)
        yield Web((f"opening {k}", "edge"), width if inside else -width, 0.5 * (on + off))
    for (k, one), (n, other) in combinations(enumerate(openings, 1), 2):
        width, on, off = gap_between(one, other)
        yield Web((f"opening {k}", f"opening {n}"), width, 0.5 * (on + off))


def _to_hole(loop: Loop, hole: Hole, diameter: float, beside: bool) -> tuple[float, Floats]:
    """From a hole's rim to a loop, negative where they cross, and the place half way."""
    dot: Loop = (Piece(hole.place, hole.place + 1e-9, hole.place, 0.0),)
    width, on, off = gap_between(dot, loop)
    return (width if beside else -width) - 0.5 * diameter, 0.5 * (on + off)


def _polygon(loop: Loop) -> Floats:
    return np.array([piece.at(share) for piece in loop for share in np.linspace(0.0, 1.0, 24, endpoint=False)])


def _within(polygon: Floats, place: Floats) -> bool:
    return bool(contains([polygon], place[None])[0])


def _checked(webs: Sequence[Web], least: float, kind: str, where: str) -> list[str]:
    """What is to be doubted of webs, the narrowest first. Raises SettingsError where one can't be had."""
    thin = [w for w in webs if w.width < least]
    if not thin:
        return []
    w = thin[0]
    place = f"[{w.at[0]:.1f}, {w.at[1]:.1f}]"
    if w.width < _TOUCHING:
        far = f" by {-w.width:.2f} mm" if w.width < -_TOUCHING else ""
        raise SettingsError(
            f"{where}: {w.between[0]} and {w.between[1]} run into each other{far} at {place} of the flange's sketch; "
            f"smaller holes, another offset{'' if kind == 'cover' else ', or another opening'}."
        )
    if kind != "gasket":
        raise SettingsError(
            f"{where}: only {w.width:.2f} mm are left between {w.between[0]} and {w.between[1]} at {place} of the "
            f"flange's sketch, less than {least:g} mm; smaller holes, another offset, or web = {w.width:.1f}."
        )
    return [f"thin place: {_web_words(w)}, less than {least:g} mm" for w in thin]


def _web_words(w: Web) -> str:
    return f"{w.width:.2f} mm between {w.between[0]} and {w.between[1]} at [{w.at[0]:.1f}, {w.at[1]:.1f}]"


def _outline(loop: Loop) -> Outline:
    return Outline(*corners_and_bulges(turned_back(loop)))


def _face_moves(face: Found, pose: Floats, holes: Sequence[tuple[Hole, float]]) -> dict[Key, Floats]:
    """Moves of a plate on a face: along its normal as the face, in it as well as its holes are known."""
    normal, origin = pose[:3, 2], pose[:3, 3]
    moves: dict[Key, Floats] = {}
    for key, (shift, tilt) in face.item.moves.items():
        up = float(shift @ normal) - float(tilt @ (origin - face.item.point))
        moves[key] = np.concatenate([up * normal, cross(normal, tilt)])
    known = [h.place_uncertainty for h, _ in holes if h.place_uncertainty is not None]
    for k, name in enumerate(("outline x", "outline y")):
        if known:
            moves[face.part, face.feature.id, name] = np.concatenate([max(known) * pose[:3, k], np.zeros(3)])
    return moves


def _stud(register: Register, face: Found, pose: Floats, above: float, where: str) -> tuple[Turned, dict[Key, Floats]]:
    """The spigot below a plate, in the flange's sketch, and the moves of a plate that it holds."""
    stands, moves = standing(register.at.item, face.item, where)
    there = undone(pose)
    point, way = transformed(there, stands[:3, 3]), turned(there, stands[:3, 2])
    run, names = register.run(-1.0)
    top = [(above, 0.0), (above, register.radius)] if above > 0.0 else [(0.0, 0.0)]
    named = ["joint", "neck"] if above > 0.0 else ["joint"]
    profile, called = closed_off([*top, *run, (run[-1][0], 0.0)], [*named, *names, "end", "axis"])
    off = pose[:3, 3] - stands[:3, 3]
    carried = {key: np.concatenate([m[:3] + cross(m[3:], off), m[3:]]) for key, m in moves.items()}
    return Turned(profile, frame(point, np.array([0.0, 0.0, np.sign(way[2])])), called), carried


def _stud_fits(
    register: Register, stud: Turned, holes: Sequence[tuple[Hole, float]], flange: Flange, where: str
) -> None:
    """Raises SettingsError where a plate's hole runs into its spigot."""
    at = stud.place[:2, 3]
    for hole, diameter in holes:
        left = float(np.linalg.norm(hole.place - at)) - 0.5 * diameter - register.radius
        if left < 0.0:
            raise SettingsError(f"{where}: {hole.feature} runs into the spigot by {-left:.2f} mm; smaller holes.")


def _room(hole: Hole, bolt: BoltHole) -> tuple[float, str]:
    """mm by which a plate's hole may be off, radially, before the bolt doesn't go in, and how it is held there."""
    own = 0.5 * (bolt.hole - bolt.thread)
    if hole.diameter < bolt.thread:
        return own, "fixed"
    return own + 0.5 * (hole.diameter - bolt.thread), "floating"


def _room_doubts(holes: Sequence[tuple[Hole, float]], bolt: BoltHole | None) -> Iterator[str]:
    if bolt is None:
        return
    for hole, _ in holes:
        room, _how = _room(hole, bolt)
        if hole.place_uncertainty is None:
            yield f"the place of {hole.feature} can't be vouched for: whether {bolt.bolt} goes in isn't sure"
        elif room - PAIR * hole.place_uncertainty < _MARKED:
            yield (
                f"{bolt.bolt} may not go into {hole.feature}: {room:.2f} mm of room, its place known to "
                f"{PAIR * hole.place_uncertainty:.2f} mm (95 %), {_MARKED:g} mm for drilling"
            )


def _said(
    face: Found,
    flange: Flange,
    holes: Sequence[tuple[Hole, float]],
    bolt: BoltHole | None,
    webs: Sequence[Web],
    wish: CoverWish | OpenPlateWish,
    least: float,
) -> tuple[list[Figure], list[str], list[str]]:
    figures = [Figure("thickness", wish.thickness.mm), Figure("offset of the edge", wish.offset)]
    facts = [f"outline of {face.words}, {wish.offset:+g} mm; a cast edge is followed within {FOLLOWED:g} mm"]
    if holes:
        sizes = sorted({round(d, 2) for _, d in holes})
        told = ", ".join(f"{sum(round(d, 2) == s for _, d in holes)} x Ø{s:g}" for s in sizes)
        facts.append(f"holes: {told}, where {', '.join(h.feature for h, _ in holes)} were found")
    if bolt is not None and holes:
        hole = min((h for h, _ in holes), key=lambda h: _room(h, bolt)[0])
        room, how = _room(hole, bolt)
        zone = position_tolerance(bolt.hole, bolt.thread, how == "fixed")
        formula = f"T = {'(H - F) / 2' if how == 'fixed' else 'H - F'} = {zone:.2f}"
        figures.append(Figure("room of a bolt, radially", room, "mm", None, f"{bolt.bolt}, {how} fastener"))
        facts.append(
            f"{bolt.bolt} {bolt.fit} (ISO 273): {how} fastener, position tolerance Ø {formula} mm; {room:.2f} mm of "
            "room, radially, to the holes that are there"
        )
    if webs:
        figures.append(Figure("least web", webs[0].width, "mm", None, f"{webs[0].between[0]} to {webs[0].between[1]}"))
        near = [w for w in webs if w.width < 4.0 * least][:_TOLD]
        facts.append("webs: " + "; ".join(map(_web_words, near or webs[:1])))
    cautions = [*flange.cautions]
    if flange.outer is not None and flange.outer.broken:
        cautions.append(f"Part of the outline of {face.words} was not seen, and is bridged: look at the edge there.")
    return figures, facts, cautions


def _gauges(face: Found, holes: Sequence[tuple[Hole, float]]) -> tuple[Gauge, ...]:
    """The two holes that are farthest apart: their distance holds the whole pattern's scale."""
    if len(holes) < 2:
        return ()
    (a, _), (b, _) = max(
        combinations(holes, 2), key=lambda two: float(np.linalg.norm(two[0][0].place - two[1][0].place))
    )
    apart = float(np.linalg.norm(a.place - b.place))
    return (Gauge(face.part, "distance", (a.feature, b.feature), apart, "scale of the hole pattern"),)
