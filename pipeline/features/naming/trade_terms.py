"""What things are called in a shop: the one home of the words for features, patterns and relations.

Internal and external are those of ISO 286-1 and ISO 14405-1: a hole in the one sense, a shaft in the other. What a
kind has no term for goes by its own name.
"""

from __future__ import annotations

from typing import Protocol

from pipeline.surfaces import Sided, kind_of

# Up to this diameter, mm, a twist drill makes it and it is a hole; beyond that it is bored. Common practice, no source.
LARGEST_HOLE = 30.0

SIDES = {"bore": "internal", "boss": "external"}
"""What the side of a feature is called: that of a hole, that of a shaft (ISO 286-1)."""

OUTSIDE = ("outside diameter", "spigot", "journal")
"""What an external cylinder is called: which of them it is, its use tells and not its shape."""

TERMS = {
    ("plane", None): "face",
    ("cylinder", "bore"): "bore",
    ("cylinder", "boss"): OUTSIDE[0],
    ("cone", "bore"): "internal taper",
    ("cone", "boss"): "external taper",
    ("sphere", "bore"): "spherical seat",
    ("sphere", "boss"): "ball",
    ("torus", "bore"): "groove",
    ("torus", "boss"): "rounded edge",
}
"""Terms by kind and side; small bores are holes besides, see `term_of`."""
# Of looks that features of both sides share.
_LOOKS = {"bore": "bore, hole", "cone": "taper", "sphere": "spherical seat, ball", "torus": "groove, rounded edge"}

PATTERNS = {
    "pitch_circle": "pitch circle",
    "coaxial": "common axis",
    "rectangle": "rectangle",
    "mid_plane": "median plane",
}
RELATIONS = {
    "parallel": "parallelism",
    "perpendicular": "perpendicularity",
    "square": "perpendicularity",
    "coaxial": "coaxiality",
    "intersecting": "axes that meet",
    "angle": "angle",
    "distance": "distance",
}
"""What a relation is called, and what is measured of it: parallelism, perpendicularity, coaxiality (ISO 1101)."""


DATUM_SYSTEM = "Datum system (ISO 5459; datum reference frame in ASME Y14.5)"

NOISE_REMOVED = "scan noise removed"
"""Said of distances from the scan's surface as it is without its noise."""


class Sized(Sided, Protocol):
    """A feature or its record: a kind, a side and a radius."""

    @property
    def radius(self) -> float | None: ...


def term_of(feature: Sized) -> str:
    """What a shop calls a feature, by its kind, side and radius, mm.

    Raises GeometryError where there is no such kind.

    >>> from tests.features.made import bore, plane
    >>> up = (0.0, 0.0, 1.0)
    >>> [term_of(bore("H1", (0.0, 0.0, 0.0), up, radius)) for radius in (5.5, 36.0)], term_of(plane("F1", up, up))
    (['hole', 'bore'], 'face')
    """
    kind = kind_of(feature)
    term = TERMS.get((kind.name, feature.side))
    if term is None:
        side = SIDES.get(feature.side or "")
        return " ".join(filter(None, [side, kind.name.replace("_", " ")]))
    if kind.cylindrical and feature.side == "bore" and 2.0 * (feature.radius or 0.0) <= LARGEST_HOLE:
        return "hole"
    return term


def term_of_look(look: str) -> str:
    """What the features of one look are called in the key of a picture.

    >>> [term_of_look(look) for look in ("plane", "bore", "boss")]
    ['face', 'bore, hole', 'outside diameter']
    """
    return _LOOKS.get(look) or TERMS.get((look, None)) or TERMS.get(("cylinder", look)) or look.replace("_", " ")


def counted(count: int, term: str) -> str:
    """So many of a thing, which stands in the plural where there are several.

    >>> counted(1, "ball"), counted(8, "hole"), counted(2, "external taper")
    ('1 ball', '8 holes', '2 external tapers')
    """
    return f"{count:,} {term}{'' if count == 1 else 's'}"
