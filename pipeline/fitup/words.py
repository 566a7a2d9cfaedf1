"""What a layout's words mean on a part: a feature, or what a datum's words make of some."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from pipeline.errors import SettingsError
from pipeline.features.datums import Choice, Datums, choose, reach_of, situations
from pipeline.fitup.bodies import Body, Placed, scale_key
from pipeline.fitup.items import Item, Key, Move, item_moves
from pipeline.fitup.placing import Pose
from pipeline.geometry import Floats, cross, transformed, turned, undone
from pipeline.places import Place, in_words
from pipeline.surfaces import SituationFeature
from pipeline.values import Feature

ORIGIN_AXES = {"x": 0, "y": 1, "z": 2}


def item_in_words(body: Body, text: str, wanted: str) -> Item:
    """The plane, axis or point that words mean on a part, with what moves it.

    text    as the words for a datum: a feature's number or name, "bore nearest [x, y, z]" in the part's coordinates,
            "common axis of H1 and H2" and the like; "A" or "datum A", what a run took for that datum; "axis" of a
            turned part or a disc; "x", "y", "z" or "origin" of any part
    wanted  "axis" | "face" | "point"

    Raises SettingsError where there is no such thing, or where it is no axis, face or point.

    >>> from pipeline.fitup.figures import turned_body
    >>> rod = turned_body("rod", [(0, 20), (50, 20)], 0.01)
    >>> item_in_words(rod, "axis", "axis").direction.tolist(), item_in_words(rod, "end", "face").point.tolist()
    ([0.0, 0.0, 1.0], [0.0, 0.0, 50.0])
    """
    words = text.strip()
    if words in ORIGIN_AXES and wanted in ("axis", "face"):
        kind = SituationFeature.AXIS if wanted == "axis" else SituationFeature.PLANE
        return Item(kind, np.zeros(3), np.eye(3)[ORIGIN_AXES[words]])
    if words == "origin" and wanted == "point":
        return Item(SituationFeature.POINT, np.zeros(3), None)
    if words == "axis":
        words = next((f.id for f in body.features if f.id == "rim" or f.id.startswith("step ")), words)
    return _made(body, _choice(body, words), text.strip(), wanted)


def features_in_words(body: Body, text: str) -> tuple[int, ...]:
    """Which features of a body words mean, as `item_in_words`: one, or those that a datum is made of.

    Raises SettingsError where there is no such thing.

    >>> from pipeline.fitup.figures import turned_body
    >>> features_in_words(turned_body("rod", [(0, 20), (50, 20)], 0.01), "end")
    (1,)
    """
    return tuple(body.index_of(ident) for ident in _choice(body, text.strip()).members)


def _choice(body: Body, words: str) -> Choice:
    """The features that words name, and what is made of them."""
    letter = words.removeprefix("datum ")
    if letter in body.datums and words not in body.names.values():
        words = body.datums[letter]
    try:
        marked = in_words(words, lambda place: Place(at=place.at, coordinates="scan"))
    except ValueError as error:
        raise SettingsError(f"{body.name}: {error}") from None
    try:
        return choose(marked, body.features, body.names)
    except SettingsError as error:
        raise SettingsError(f"{body.name}: {error}") from None


def part_in_words(parts: Mapping[str, Placed], text: str, where: str) -> tuple[str, str]:
    """The name of the part, and the words on it, that "PART: WORDS" has; `where` a sentence on it begins with.

    Raises SettingsError where it names none of the parts.

    >>> from pipeline.fitup.placing import placed
    >>> from pipeline.fitup.figures import turned_body
    >>> rod = Placed(turned_body("rod", [(0, 20), (50, 20)], 0.01), placed([]))
    >>> part_in_words({"rod": rod}, "rod: end", "travel of rod")
    ('rod', 'end')
    """
    name, colon, words = text.partition(":")
    if not colon or name.strip() not in parts:
        raise SettingsError(
            f"{where}: {text!r}: an axis or a face is written PART: WORDS, of one of the parts ({', '.join(parts)})."
        )
    return name.strip(), words.strip()


def item_on(part: Placed, parts: Mapping[str, Placed], text: str, wanted: str) -> Item:
    """The item that words mean, in the coordinates of a placed part: one of its own, or "PART: WORDS" of another part
    where that stands, with what is not known of how both stand.

    Raises SettingsError as `item_in_words`.

    >>> from pipeline.fitup.placing import placed
    >>> from pipeline.fitup.figures import turned_body
    >>> here, there = np.eye(4), np.eye(4)
    >>> there[2, 3] = 7.0
    >>> rod = turned_body("rod", [(0, 20), (50, 20)], 0.01)
    >>> rods = {name: Placed(rod, placed([], at)) for name, at in (("a", here), ("b", there))}
    >>> item_on(rods["a"], rods, "b: end", "face").point.tolist()
    [0.0, 0.0, 57.0]
    """
    name, colon, words = text.partition(":")
    other = parts.get(name.strip()) if colon else None
    if other is None:
        return item_in_words(part.body, text, wanted)
    where = item_where(other, item_in_words(other.body, words, wanted))
    return _moved_with(where, part.pose, -1.0).placed(undone(part.pose.matrix))


def item_where(part: Placed, item: Item) -> Item:
    """What lies on a part where that stands, with all that moves the part itself.

    >>> from pipeline.fitup.placing import placed
    >>> from pipeline.fitup.figures import turned_body
    >>> up = np.eye(4)
    >>> up[2, 3] = 7.0
    >>> rod = Placed(turned_body("rod", [(0, 20), (50, 20)], 0.01), placed([], up))
    >>> item_where(rod, item_in_words(rod.body, "end", "face")).point.tolist()
    [0.0, 0.0, 57.0]
    """
    return _moved_with(item.placed(part.pose.matrix), part.pose, 1.0)


def _moved_with(item: Item, pose: Pose, sign: float) -> Item:
    """An item with what moves a pose besides, or with that against it."""
    moves = dict(item.moves)
    for key, m in pose.moves.items():
        shift, tilt = moves.get(key, (np.zeros(3), np.zeros(3)))
        turn = np.zeros(3) if item.direction is None else cross(m[3:], item.direction)
        moves[key] = (shift + sign * (m[:3] + cross(m[3:], item.point)), tilt + sign * turn)
    return replace(item, moves=moves, unsure=item.unsure or pose.unsure)


def direction_in_words(body: Body, text: str) -> Item:
    """The direction that words mean on a part: that of an axis, or the normal of a face, out of the material.

    Raises SettingsError as `item_in_words`.

    >>> from pipeline.fitup.figures import turned_body
    >>> rod = turned_body("rod", [(0, 20), (50, 20)], 0.01)
    >>> (0.0 + direction_in_words(rod, "start").direction).tolist(), direction_in_words(rod, "x").direction.tolist()
    ([0.0, 0.0, -1.0], [1.0, 0.0, 0.0])
    """
    try:
        return item_in_words(body, text, "axis")
    except SettingsError:
        return item_in_words(body, text, "face")


def _made(body: Body, choice: Choice, text: str, wanted: str) -> Item:
    index = {f.id: k for k, f in enumerate(body.features)}
    members = [index[ident] for ident in choice.members]
    reach = reach_of(body.features)

    def situation(motions: Mapping[str, Floats]) -> tuple[Floats, Floats | None]:
        moved = tuple(_moved(f, motions[f.id]) if f.id in motions else f for f in body.features)
        found = situations(Datums((choice,), moved, reach))[0]
        return found.point, found.direction

    kind = situations(Datums((choice,), body.features, reach))[0].kind
    item_kind = _wanted(kind, wanted, f"{body.name}: {text}")
    moves: dict[Key, Move] = {}
    for k in members:
        moves |= body.moves_of(k)
    point, direction = situation({})
    unsure = next((why for k in members if (why := body.unsure_of(k))), "")
    gains = item_moves(situation, moves)
    if body.scale:
        gains[scale_key(body)] = (body.scale * point, np.zeros(3))
    item = Item(item_kind, point, direction, gains, unsure, tuple(choice.members))
    return replace(item, direction=None) if item_kind == SituationFeature.POINT else item


def _wanted(kind: SituationFeature, wanted: str, words: str) -> SituationFeature:
    """The kind of item that a situation feature gives where an axis, a face or a point is wanted."""
    is_axis = kind in (SituationFeature.AXIS, SituationFeature.AXIS_POINT, SituationFeature.AXIS_PLANE)
    if wanted == "face" and kind == SituationFeature.PLANE:
        return SituationFeature.PLANE
    if wanted == "axis" and is_axis:
        return SituationFeature.AXIS
    if wanted == "point" and kind in (SituationFeature.POINT, SituationFeature.AXIS_POINT):
        return SituationFeature.POINT
    found = "a face" if kind == SituationFeature.PLANE else "an axis" if is_axis else "a point"
    raise SettingsError(f"{words} is {found}, where {'an' if wanted == 'axis' else 'a'} {wanted} is wanted; name one.")


def _moved(feature: Feature, motion: Floats) -> Feature:
    direction = None if feature.direction is None else turned(motion, feature.direction)
    return replace(feature, point=transformed(motion, feature.point), direction=direction)
