"""Datums as the user writes them, and the situation features that they come to.

A datum is a feature, or is made of some: the plane midway between two faces, the common axis of two bores, the
axis of a bolt circle, the point where an axis meets a face. Each is a plane, an axis or a point to the frame (the
situation features of ISO 5459). Points and directions are in scan coordinates, mm and rad.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.errors import SettingsError
from pipeline.geometry import Floats, angle_between_lines, cross, fit_circle, mean_line, rejection, unit
from pipeline.surfaces import Shape, shape_of, signed_distance
from pipeline.values import Feature

SNAP = np.radians(5.0)  # nearer than this to square or parallel is taken as exactly so
ALIKE = np.radians(10.0)  # nearer than this to parallel gives no second direction


@dataclass(frozen=True)
class Situation:
    """What a datum is to the frame. kind: "plane" | "axis" | "point" | "axis+point"."""

    kind: str
    point: Floats
    direction: Floats | None


@dataclass(frozen=True)
class Choice:
    """A datum as chosen: what is made of which features.

    make    "feature" | "middle" (plane midway between two) | "common axis" | "pitch circle" (axis through the
            middle of a ring of holes) | "centre" (its point alone) | "crossing" (of an axis and a plane) |
            "point" (a typed place)
    """

    make: str
    members: tuple[str, ...] = ()
    place: tuple[float, float, float] | None = None

    @property
    def label(self) -> str:
        if self.make == "feature":
            return self.members[0]
        if self.make == "point":
            return f"point {list(self.place or ())}"
        return f"{self.make} of {' and '.join(self.members)}"


# ---------------------------------------------------------------------------------------------------------------
# From words to choices


def choose(text: str, features: Sequence[Feature], names: Mapping[str, str]) -> Choice:
    """The datum that a text of the job file means.

    A feature's id; a name from [names]; "bore nearest [x, y, z]" (bore, hole, boss, plane, cylinder, cone, sphere,
    torus; scan coordinates); or made of such: "middle of U and V", "common axis of U and V", "pitch circle of U and
    V and W", "centre of U", "crossing of U and V", "point [x, y, z]". Raises SettingsError with what to write.
    """
    words = text.strip()
    if match := re.fullmatch(r"point\s*(\[.*\])", words, re.I):
        return Choice("point", (), _place(match[1], text))
    if match := re.fullmatch(r"(middle|common axis|pitch circle|centre|center|crossing)\s+of\s+(.+)", words, re.I):
        make = match[1].lower().replace("center", "centre")
        members = tuple(_one(part, features, names).id for part in re.split(r"\s+and\s+", match[2]))
        choice = Choice(make, members)
        _check_members(choice, {f.id: f for f in features}, text)
        return choice
    return Choice("feature", (_one(words, features, names).id,))


def _one(text: str, features: Sequence[Feature], names: Mapping[str, str]) -> Feature:
    text = text.strip()
    by_id = {f.id: f for f in features}
    if text in by_id:
        return by_id[text]
    for feature in features:
        if feature.name is not None and feature.name == text:
            return feature
    if text in names:
        if names[text] == text:
            raise SettingsError(f"The name {text!r} stands for itself; write a feature id beside it in [names].")
        return _one(names[text], features, {})
    for ident, name in names.items():
        if name == text and ident in by_id:
            return by_id[ident]
    if match := re.fullmatch(r"(?:the\s+)?(\w+)\s+nearest\s*(?:to\s*)?(\[.*\])", text, re.I):
        return nearest(match[1].lower(), _place(match[2], text), features)
    some = ", ".join(list(by_id)[:8])
    raise SettingsError(
        f"There is no feature {text!r} in this scan; write an id ({some} ...), a name from [names], "
        'or "bore nearest [x, y, z]".'
    )


def _place(text: str, whole: str) -> tuple[float, float, float]:
    try:
        numbers = tuple(float(part) for part in text.strip("[] ").split(","))
    except ValueError:
        numbers = ()
    if len(numbers) != 3 or not np.all(np.isfinite(numbers)):
        raise SettingsError(f"{whole!r} needs a place of three numbers in scan coordinates, as [x, y, z].")
    return numbers


_WORDS: dict[str, tuple[str, str | None]] = {
    "bore": ("cylinder", "bore"),
    "hole": ("cylinder", "bore"),
    "boss": ("cylinder", "boss"),
    "plane": ("plane", None),
    "face": ("plane", None),
    "cylinder": ("cylinder", None),
    "cone": ("cone", None),
    "sphere": ("sphere", None),
    "torus": ("torus", None),
}


def nearest(word: str, place: tuple[float, float, float], features: Sequence[Feature]) -> Feature:
    """The feature of a kind that lies nearest to a place on its surface or on its axis.

    Raises SettingsError when the word is unknown, there is none of that kind, or two are equally near.
    """
    if word not in _WORDS:
        raise SettingsError(f"{word!r} is no kind of feature; write one of {', '.join(_WORDS)}.")
    kind, side = _WORDS[word]
    fitting = [f for f in features if f.kind == kind and side in (None, f.side)]
    if not fitting:
        raise SettingsError(f"This scan has no {word}; choose another datum.")
    away = np.array([_away(f, np.array(place)) for f in fitting])
    order = np.argsort(away)
    if len(order) > 1 and away[order[1]] - away[order[0]] < 0.05:
        a, b = fitting[order[0]].id, fitting[order[1]].id
        raise SettingsError(f"{list(place)} is as near to {a} as to {b}; give another place, or the id.")
    return fitting[order[0]]


def _away(feature: Feature, place: Floats) -> float:
    """Distance of a place from what was seen of a feature, or from its axis: people point at either."""
    shape = shape_of(feature)
    off = place - shape.point
    surface = abs(float(signed_distance(shape, place[None])[0]))
    if shape.direction is None:
        return min(surface, float(np.linalg.norm(off)))
    along = float(off @ shape.direction)
    across = float(np.linalg.norm(rejection(off, shape.direction)))
    if feature.kind == "plane":
        return float(np.hypot(surface, max(0.0, across - np.sqrt(feature.extent.area / np.pi))))
    low, high = feature.extent.along or (
        -0.5 * (feature.extent.length or 0.0),
        0.5 * (feature.extent.length or 0.0),
    )
    beyond = max(low - along, along - high, 0.0)
    return float(np.hypot(min(surface, across), beyond))


def _check_members(choice: Choice, by_id: Mapping[str, Feature], text: str) -> None:
    found = [by_id[m] for m in choice.members]
    kinds = tuple(f.kind for f in found)
    axial = [f.kind in ("cylinder", "cone", "torus") for f in found]
    if len(set(choice.members)) < len(found):
        raise SettingsError(f"{text!r} names the same feature twice; name different ones.")
    if choice.make == "middle":
        good = len(found) == 2 and (kinds == ("plane", "plane") or all(axial))
        wants = "two parallel planes or two parallel axes"
    elif choice.make == "common axis":
        good, wants = len(found) == 2 and all(axial), "two coaxial bores or bosses"
    elif choice.make == "pitch circle":
        good, wants = len(found) >= 3 and all(k == "cylinder" for k in kinds), "three holes or more"
    elif choice.make == "centre":
        good, wants = len(found) == 1 and kinds[0] != "plane", "one feature that is not a plane"
    else:
        good = len(found) == 2 and sorted(axial) == [False, True] and "plane" in kinds
        wants = "an axis and a plane"
    if not good:
        raise SettingsError(f"{text!r}: {choice.make} of ... needs {wants}.")


# ---------------------------------------------------------------------------------------------------------------
# From choices to situation features


def situation(choice: Choice, shapes: Mapping[str, Shape], weights: Mapping[str, Floats]) -> Situation:
    """What a choice comes to for shapes by id; `weights` (4, 4) inverse covariances of an axis' (u, v, a, b).

    Raises SettingsError where the members don't lie as they would have to.
    """
    found = [shapes[m] for m in choice.members]
    if choice.make == "point":
        return Situation("point", np.asarray(choice.place, float), None)
    if choice.make == "feature":
        kind = {"plane": "plane", "cylinder": "axis", "sphere": "point"}.get(found[0].kind, "axis+point")
        return Situation(kind, found[0].point, found[0].direction)
    if choice.make == "centre":
        return Situation("point", found[0].point, None)
    if choice.make == "middle":
        return _middle(found, choice)
    if choice.make == "common axis":
        return _common_axis(found, [weights.get(m) for m in choice.members], choice)
    if choice.make == "crossing":
        axis, plane = found if found[1].kind == "plane" else found[::-1]
        return Situation("point", _pierce(axis, plane, choice), None)
    return _pitch_axis(found, choice)


def cross_axes(w: Floats) -> tuple[Floats, Floats]:
    """`basis_of` an axis (3,), turned by a quarter: a frame is stated to the last bit, in which the two differ."""
    first = unit(cross(np.eye(3)[int(np.argmin(np.abs(w)))], w))
    return first, cross(w, first)


def _directions(found: Sequence[Shape]) -> list[Floats]:
    return [s.direction for s in found if s.direction is not None]


def mean_direction(found: Sequence[Shape]) -> Floats:
    """Mean of the directions, each taken the way the first one points."""
    return mean_line(_directions(found))


def _middle(found: Sequence[Shape], choice: Choice) -> Situation:
    a, b = found
    n, m = _directions(found)
    if angle_between_lines(n, m) > SNAP:
        raise SettingsError(f"{choice.label}: the two are not parallel; there is no plane midway between them.")
    middle = 0.5 * (a.point + b.point)
    if a.kind != "plane":
        off = b.point - a.point
        along = unit(n + m * np.sign(n @ m))
        off = rejection(off, along)
        if np.linalg.norm(off) < 1e-3:
            raise SettingsError(f"{choice.label}: the two axes coincide; there is no plane midway between them.")
        return Situation("plane", middle, unit(off))
    # Points equally far from both faces, whichever way they look.
    sign = -1.0 if n @ m < 0 else 1.0
    normal = n + sign * m
    level = n @ a.point + sign * (m @ b.point)
    length = np.linalg.norm(normal)
    normal, level = normal / length, level / length
    return Situation("plane", middle - (normal @ middle - level) * normal, normal)


def _common_axis(found: Sequence[Shape], weights: Sequence[Floats | None], choice: Choice) -> Situation:
    """The line that fits both axes best, each weighted by what is known of it (least squares of places
    across the line at each feature's middle and of directions); through both middles where nothing is."""
    a, b = found
    n, m = _directions(found)
    m = m if n @ m > 0 else -m
    if angle_between_lines(n, m) > SNAP:
        raise SettingsError(f"{choice.label}: the two axes are not parallel; they have no common axis.")
    w = mean_direction(found)
    middle = 0.5 * (a.point + b.point)
    if weights[0] is None or weights[1] is None:
        if abs((b.point - a.point) @ w) < 1e-3:
            raise SettingsError(f"{choice.label}: the two lie side by side; they have no common axis.")
        through = unit(b.point - a.point)
        return Situation("axis", middle, through * np.sign(through @ n))
    # Unknowns: shift (s, t) of the line across at `middle` and its turn (f, g), in the basis across it.
    e = np.array(cross_axes(w))
    normal, right = np.zeros((4, 4)), np.zeros(4)
    for shape, direction, weight in zip(found, (n, m), weights, strict=True):
        assert weight is not None
        z = float((shape.point - middle) @ w)
        design = np.block([[np.eye(2), z * np.eye(2)], [np.zeros((2, 2)), np.eye(2)]])
        seen = np.concatenate([e @ (shape.point - middle), e @ (direction / (direction @ w))])
        normal += design.T @ weight @ design
        right += design.T @ weight @ seen
    s = np.linalg.solve(normal, right)
    return Situation("axis", middle + s[:2] @ e, unit(w + s[2:] @ e))


def _pierce(axis: Shape, plane: Shape, choice: Choice) -> Floats:
    assert axis.direction is not None
    assert plane.direction is not None
    slope = float(axis.direction @ plane.direction)
    if abs(slope) < np.sin(ALIKE):
        raise SettingsError(f"{choice.label}: the axis runs along the plane; they don't cross.")
    return axis.point + axis.direction * float((plane.point - axis.point) @ plane.direction) / slope


def _pitch_axis(found: Sequence[Shape], choice: Choice) -> Situation:
    """Axis through the middle of the circle through the holes' axes, along their mean direction."""
    w = mean_direction(found)
    if max(angle_between_lines(d, w) for d in _directions(found)) > SNAP:
        raise SettingsError(f"{choice.label}: the holes are not parallel; they have no pitch circle.")
    points = np.array([s.point for s in found])
    e = np.array(cross_axes(w))
    centre, _, _ = fit_circle(points @ e.T)
    return Situation("axis", centre @ e + (points.mean(axis=0) @ w) * w, w)
