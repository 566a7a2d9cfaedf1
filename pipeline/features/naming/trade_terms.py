"""What things are called in a shop: the one home of the words for features, patterns and relations.

Internal and external are those of ISO 286-1 and ISO 14405-1: a hole in the one sense, a shaft in the other. What a
kind has no term for goes by its own name.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Protocol

from pipeline.geometry import MM_PER_INCH
from pipeline.lengths import in_unit, mm
from pipeline.surfaces import KINDS, Sided, kind_of

# Up to this diameter, mm, a twist drill makes it and it is a hole; beyond that it is bored. Common practice, no source.
LARGEST_HOLE = 30.0

HOLE = "hole"
"""What a small bore is called."""

SIDES = {"bore": "internal", "boss": "external"}
"""What the side of a feature is called: that of a hole, that of a shaft (ISO 286-1)."""

OUTSIDE = ("outside diameter", "spigot", "journal")
"""What an external cylinder is called: which of them it is, its use tells and not its shape."""

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


class FormSeen(Protocol):
    """A form error or its record, mm."""

    @property
    def standard(self) -> str: ...
    @property
    def peak_to_valley(self) -> float | None: ...
    @property
    def told(self) -> bool | None: ...
    @property
    def of_means(self) -> float | None: ...
    @property
    def noise_of_means(self) -> float | None: ...


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
    term = kind.terms.get(feature.side or "")
    if term is None:
        side = SIDES.get(feature.side or "")
        return " ".join(filter(None, [side, kind.name.replace("_", " ")]))
    if kind.cylindrical and feature.side == "bore" and 2.0 * (feature.radius or 0.0) <= LARGEST_HOLE:
        return HOLE
    return term


def term_of_look(look: str) -> str:
    """What the features of one look are called in the key of a picture.

    >>> [term_of_look(look) for look in ("plane", "bore", "boss")]
    ['face', 'bore, hole', 'outside diameter']
    """
    for kind in KINDS.values():
        if look in kind.looks:
            small = (HOLE,) if kind.cylindrical and look == "bore" else ()
            terms = [kind.terms[look]] if look in kind.terms else list(kind.also[:1] or kind.terms.values())
            return ", ".join((*terms, *small)) or look.replace("_", " ")
    return look.replace("_", " ")


def form_in_words(form: FormSeen, unit: str | None = None) -> str:
    """What can be said of a form error, in "mm" | "in", for a sentence that is yet to be turned into either where None;
    a bare figure only of what is told from the scan's noise.

    >>> from pipeline.values import Form
    >>> form_in_words(Form(0.013, 0.1017, 1.0, "flatness", told=False), "mm")
    "flatness: not told from the scan's noise, at most 0.11 mm"
    >>> form_in_words(Form(0.018, 0.108, 1.0, "flatness", told=True, of_means=0.0577, noise_of_means=0.0081), "mm")
    'flatness: 0.058 mm by means over a seventh of it (noise alone: 0.009 mm), at most 0.11 mm'
    """
    if form.peak_to_valley is None or not math.isfinite(form.peak_to_valley):
        return f"{form.standard}: none can be vouched for"
    most = f"at most {_up(form.peak_to_valley, unit)}"
    if not form.told or form.of_means is None:
        return f"{form.standard}: not told from the scan's noise, {most}"
    alone = _up(form.noise_of_means or 0.0, unit, 1)
    return (
        f"{form.standard}: {_rounded(form.of_means, unit)} by means over a seventh of it (noise alone: {alone}), {most}"
    )


def _rounded(value: float, unit: str | None) -> str:
    return f"{value / MM_PER_INCH:.4f} in" if unit == "in" else _in_mm(value, 3, unit)


def _in_mm(value: float, places: int, unit: str | None) -> str:
    told = mm(value, f".{places}f")
    return told if unit is None else in_unit(told, unit)


def _up(value: float, unit: str | None, figures: int = 2) -> str:
    """A length that is no smaller, to so many figures."""
    scaled = value / (MM_PER_INCH if unit == "in" else 1.0)
    if scaled <= 0.0:
        return f"0 {unit or 'mm'}"
    places = figures - 1 - math.floor(math.log10(scaled))
    step = 10.0**-places
    up = math.ceil(scaled / step - 1e-9) * step
    return f"{up:.{max(places, 0)}f} in" if unit == "in" else _in_mm(up, max(places, 0), unit)


BY_DEFINITION = "datum"
"""Instead of an uncertainty where there is none, since the frame was set on just that."""


def freedoms_in_words(constrained: Sequence[str]) -> str:
    """What a datum constrains: "tx" .. "rz", shifts along and turns about the axes of the part frame.

    >>> freedoms_in_words(["tz", "rx", "ry"]), freedoms_in_words([])
    ('shift along z, turns about x and y', 'nothing more')
    """
    out = []
    for letter, what in (("t", "shift{} along"), ("r", "turn{} about")):
        axes = [name[1:] for name in constrained if name.startswith(letter)]
        if axes:
            listed = " and ".join(filter(None, (", ".join(axes[:-1]), axes[-1])))
            out.append(f"{what.format('' if len(axes) == 1 else 's')} {listed}")
    return ", ".join(out) or "nothing more"


def counted(count: int, term: str) -> str:
    """So many of a thing, which stands in the plural where there are several.

    >>> counted(1, "ball"), counted(8, "hole"), counted(2, "external taper")
    ('1 ball', '8 holes', '2 external tapers')
    """
    return f"{count:,} {term}{'' if count == 1 else 's'}"
