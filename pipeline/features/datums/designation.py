"""Datum designation: which features make a datum, as the user writes it.

A datum is a feature, or is made of some: the plane midway between two faces, the common axis of two bores, the
axis of a bolt circle, the point where an axis meets a face. Places are in scan coordinates by the time they come here.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.errors import SettingsError
from pipeline.features.naming import OUTSIDE, TERMS
from pipeline.features.pointing import Pointed, is_far, meant, ranked
from pipeline.places import Place
from pipeline.surfaces import KINDS, kind_of, names_of
from pipeline.values import Feature, Taken


@dataclass(frozen=True)
class Choice:
    """A datum as chosen: what is made of which features.

    make    "feature" | "middle" (plane midway between two) | "common axis" | "pitch circle" (axis through the
            middle of a ring of holes) | "centre" (its point alone) | "crossing" (of an axis and a plane) |
            "point" (a typed place)
    taken   what was taken for each place in the words
    """

    make: str
    members: tuple[str, ...] = ()
    place: tuple[float, float, float] | None = None
    taken: tuple[Taken, ...] = field(default=(), compare=False)

    @property
    def label(self) -> str:
        if self.make == "feature":
            return self.members[0]
        if self.make == "point":
            return f"point scan: {list(self.place or ())}"
        return f"{self.make} of {' and '.join(self.members)}"


def choose(text: str, features: Sequence[Feature], names: Mapping[str, str], setting: str = "") -> Choice:
    """The datum that a text of the job file means; `setting` is where it stands there.

    A feature's number; a name from [names]; "bore nearest scan: [x, y, z]" (bore, hole, outside diameter, face or a
    kind's name; mm); or made of such: "middle of U and V", "common axis of U and V", "pitch circle of U and V and W",
    "centre of U", "crossing of U and V", "point scan: [x, y, z]". Raises SettingsError with what to write, also for a
    place that is in part coordinates still.

    >>> from tests.features.made import bore
    >>> near, far = (bore(f'H{n}', (90.0 * n - 90.0, 0.0, 0.0), (0.0, 0.0, 1.0), 5.0) for n in (1, 2))
    >>> choose('bore nearest scan: [80, 0, 0]', (near, far), {}).members
    ('H2',)
    >>> choose('foot hole', (near, far), {'foot hole': 'H1'}).members
    ('H1',)
    """
    words, taken = text.strip(), []

    def one(part: str) -> str:
        found = _one(part, features, names, setting)
        if isinstance(found, Feature):
            return found.id
        feature, distance, _ = found[1]
        taken.append(Taken(setting, np.array(found[0]), feature.id, distance))
        return feature.id

    if match := re.fullmatch(rf"point\s*({_PLACE})", words, re.I):
        return Choice("point", (), _place(match[1], text))
    if match := re.fullmatch(r"(middle|common axis|pitch circle|centre|center|crossing)\s+of\s+(.+)", words, re.I):
        make = match[1].lower().replace("center", "centre")
        members = tuple(one(part) for part in re.split(r"\s+and\s+", match[2]))
        choice = Choice(make, members, taken=tuple(taken))
        _check_members(choice, {f.id: f for f in features}, text)
        return choice
    return Choice("feature", (one(words),), taken=tuple(taken))


def _one(
    text: str, features: Sequence[Feature], names: Mapping[str, str], setting: str
) -> Feature | tuple[tuple[float, float, float], Pointed]:
    """The feature that words name, or the place in them and what it points at."""
    text = text.strip()
    for feature in features:
        if feature.goes_by(text):
            return feature
    if text in names:
        if names[text] == text:
            raise SettingsError(f"The name {text!r} stands for itself; write a feature's number beside it in [names].")
        return _one(names[text], features, {}, setting)
    for ident, name in names.items():
        if name == text:
            for feature in features:
                if feature.goes_by(ident):
                    return feature
    if match := re.fullmatch(rf"(?:the\s+)?(\w+(?:\s\w+)*)\s+nearest\s*(?:to\s*)?({_PLACE})", text, re.I):
        place = _place(match[2], text)
        return place, nearest(match[1].lower(), place, features, setting)
    some = ", ".join([f.id for f in features][:8])
    raise SettingsError(
        f"There is no feature {text!r} in this scan; write an id ({some} ...), a name from [names], "
        'or "bore nearest [x, y, z]".'
    )


# A place, its numbers not looked at.
_PLACE = r"(?:\w+\s*:\s*)?\[[^\[\]]*\]"


def _place(text: str, whole: str) -> tuple[float, float, float]:
    try:
        found = Place.model_validate(text)
    except ValueError:
        raise SettingsError(f"{whole!r} needs a place of three numbers, as [x, y, z] or scan: [x, y, z].") from None
    return found.in_scan


_SIDES = {"bore": "bore", "hole": "bore", **dict.fromkeys(OUTSIDE, "boss")}
# What earlier versions called an external cylinder.
_OLD = {"boss": OUTSIDE[0]}


def _words() -> dict[str, tuple[tuple[str, ...], str | None]]:
    """What the words for a sort of feature mean: kinds, and the side where it matters."""
    sided = {word: (names_of(lambda kind: kind.by_side), side) for word, side in _SIDES.items()}
    kinds = {word: ((kind.name,), None) for kind in KINDS.values() for word in (kind.name, *kind.also)}
    terms = {term: ((kind,), side) for (kind, side), term in TERMS.items()}
    return {**terms, "taper": (("cone",), None), **sided, **kinds}


def nearest(word: str, place: tuple[float, float, float], features: Sequence[Feature], setting: str = "") -> Pointed:
    """The feature of a kind that a place in scan coordinates, mm, means; `setting` is where it stands in the job.

    Raises SettingsError when the word is unknown, there is none of that kind, the nearest is too far away to be meant,
    or two are nearly as near.
    """
    words, word = _words(), _OLD.get(word, word)
    if word not in words:
        raise SettingsError(f"{word!r} is no kind of feature; write one of {', '.join(words)}.")
    kinds, side = words[word]
    fitting = [f for f in features if f.kind in kinds and side in (None, f.side)]
    if not fitting:
        raise SettingsError(f"This scan has no {word}; choose another datum.")
    found = meant(ranked(place, fitting))
    what = f"{setting}: {word} nearest" if setting else f"{word} nearest"
    if is_far(found[0]):
        raise SettingsError(
            f"{what} [...]: the nearest one is {found[0].feature.id}, {found[0].distance:.1f} mm from that place, "
            "which is too far to be meant; check the place and its coordinates, or write the id."
        )
    if len(found) > 1:
        which = " or ".join(f"{p.feature.id} ({p.distance:.2f} mm away)" for p in found[:3])
        raise SettingsError(f"{what} [...] could mean {which}; give a place that is nearer to one, or write its id.")
    return found[0]


def _check_members(choice: Choice, by_id: Mapping[str, Feature], text: str) -> None:
    found = [by_id[m] for m in choice.members]
    if len(set(choice.members)) < len(found):
        raise SettingsError(f"{text!r} names the same feature twice; name different ones.")
    kinds = [kind_of(f) for f in found]
    flat, axial = [k.flat for k in kinds], [k.axial for k in kinds]
    good, wants = {
        "middle": (len(found) == 2 and (all(flat) or all(axial)), "two parallel planes or two parallel axes"),
        "common axis": (len(found) == 2 and all(axial), "two coaxial bores or outside diameters"),
        "pitch circle": (len(found) >= 3 and all(k.cylindrical for k in kinds), "three holes or more"),
        "centre": (len(found) == 1 and not any(flat), "one feature that is not a plane"),
        "crossing": (len(found) == 2 and any(axial) and any(flat), "an axis and a plane"),
    }[choice.make]
    if not good:
        raise SettingsError(f"{text!r}: {choice.make} of ... needs {wants}.")
