"""Datum designation: which features make a datum, as the user writes it.

A datum is a feature, or is made of some: the plane midway between two faces, the common axis of two bores, the
axis of a bolt circle, the point where an axis meets a face. Points are in scan coordinates, mm.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.errors import SettingsError
from pipeline.geometry import Floats, rejection
from pipeline.surfaces import KINDS, kind_of, names_of, shape_of, signed_distance
from pipeline.values import Feature


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


def choose(text: str, features: Sequence[Feature], names: Mapping[str, str]) -> Choice:
    """The datum that a text of the job file means.

    A feature's id; a name from [names]; "bore nearest [x, y, z]" (bore, hole, boss, face or a kind's name; scan
    coordinates); or made of such: "middle of U and V", "common axis of U and V", "pitch circle of U and
    V and W", "centre of U", "crossing of U and V", "point [x, y, z]". Raises SettingsError with what to write.

    >>> from tests.features.made import bore
    >>> near, far = (bore(f'H{n}', (90.0 * n - 90.0, 0.0, 0.0), (0.0, 0.0, 1.0), 5.0) for n in (1, 2))
    >>> choose('bore nearest [80, 0, 0]', (near, far), {}).members
    ('H2',)
    >>> choose('foot hole', (near, far), {'foot hole': 'H1'}).members
    ('H1',)
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
    for feature in features:
        if feature.goes_by(text):
            return feature
    if text in names:
        if names[text] == text:
            raise SettingsError(f"The name {text!r} stands for itself; write a feature id beside it in [names].")
        return _one(names[text], features, {})
    for ident, name in names.items():
        if name == text:
            for feature in features:
                if feature.goes_by(ident):
                    return feature
    if match := re.fullmatch(r"(?:the\s+)?(\w+)\s+nearest\s*(?:to\s*)?(\[.*\])", text, re.I):
        return nearest(match[1].lower(), _place(match[2], text), features)
    some = ", ".join([f.id for f in features][:8])
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


_SIDES = {"bore": "bore", "hole": "bore", "boss": "boss"}


def _words() -> dict[str, tuple[tuple[str, ...], str | None]]:
    """What the words for a sort of feature mean: kinds, and the side where it matters."""
    sided = {word: (names_of(lambda kind: kind.by_side), side) for word, side in _SIDES.items()}
    return {**sided, **{word: ((kind.name,), None) for kind in KINDS.values() for word in (kind.name, *kind.also)}}


def nearest(word: str, place: tuple[float, float, float], features: Sequence[Feature]) -> Feature:
    """The feature of a kind that lies nearest to a place on its surface or on its axis.

    Raises SettingsError when the word is unknown, there is none of that kind, or two are equally near.
    """
    words = _words()
    if word not in words:
        raise SettingsError(f"{word!r} is no kind of feature; write one of {', '.join(words)}.")
    kinds, side = words[word]
    fitting = [f for f in features if f.kind in kinds and side in (None, f.side)]
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
    if kind_of(feature).flat:
        return float(np.hypot(surface, max(0.0, across - np.sqrt(feature.extent.area / np.pi))))
    low, high = feature.extent.along or (
        -0.5 * (feature.extent.length or 0.0),
        0.5 * (feature.extent.length or 0.0),
    )
    beyond = max(low - along, along - high, 0.0)
    return float(np.hypot(min(surface, across), beyond))


def _check_members(choice: Choice, by_id: Mapping[str, Feature], text: str) -> None:
    found = [by_id[m] for m in choice.members]
    if len(set(choice.members)) < len(found):
        raise SettingsError(f"{text!r} names the same feature twice; name different ones.")
    kinds = [kind_of(f) for f in found]
    flat, axial = [k.flat for k in kinds], [k.axial for k in kinds]
    good, wants = {
        "middle": (len(found) == 2 and (all(flat) or all(axial)), "two parallel planes or two parallel axes"),
        "common axis": (len(found) == 2 and all(axial), "two coaxial bores or bosses"),
        "pitch circle": (len(found) >= 3 and all(k.cylindrical for k in kinds), "three holes or more"),
        "centre": (len(found) == 1 and not any(flat), "one feature that is not a plane"),
        "crossing": (len(found) == 2 and any(axial) and any(flat), "an axis and a plane"),
    }[choice.make]
    if not good:
        raise SettingsError(f"{text!r}: {choice.make} of ... needs {wants}.")
