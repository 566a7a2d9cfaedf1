"""The house's colours: all that a run writes or shows in colour takes it from here.

Each is a lightness, a chroma and a hue of our own in OKLCh (Ottosson 2020, "A perceptual color space for image
processing"), from which its sRGB is computed. Those of areas that stand side by side were searched for under the
condition that they stay apart for every kind of colour vision (`tests/test_palette.py` has the measure and the bound).

Signed deviations have a diverging map, from a blue-green over a light neutral to a brown, with lightness falling by
equal steps to both sides. How the kinds of surface look they say themselves; in grey they keep apart by their hatch.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.surfaces import KINDS, Look, Sided, kind_of

Colour = tuple[int, int, int]
"""sRGB, 0 to 255."""


class Paint(NamedTuple):
    """A colour in OKLCh: lightness 0..1, chroma 0..about 0.3, hue in degrees."""

    lightness: float
    chroma: float
    hue: float


# Of pages and charts: what is written on, what is written with, and what is drawn.
_PAGE = {
    "paper": Paint(1.00, 0.000, 0.0),
    "tint": Paint(0.968, 0.006, 220.0),
    "rule": Paint(0.83, 0.012, 220.0),
    "soft": Paint(0.45, 0.020, 225.0),
    "ink": Paint(0.24, 0.015, 225.0),
    "good": Paint(0.43, 0.078, 228.0),
    "bad": Paint(0.41, 0.140, 27.0),
    "mark": Paint(0.48, 0.105, 55.0),
    "chosen row": Paint(0.945, 0.055, 85.0),
    "curve of the largest": Paint(0.37, 0.120, 27.0),
    "curve of most": Paint(0.52, 0.090, 232.0),
    "curve of the mean": Paint(0.66, 0.120, 75.0),
}
# Of areas on a part, beside the looks of the kinds of surface, which these say themselves.
_PART = {
    "filled": Paint(0.965, 0.000, 0.0),
    "no feature": Paint(0.76, 0.006, 90.0),
    "unknown": Paint(0.67, 0.000, 0.0),
    "suspect": Paint(0.572, 0.180, 1.0),
    "unsure": Paint(0.85, 0.080, 240.0),
    "cut": Paint(0.55, 0.160, 280.0),
    "chosen": Paint(0.74, 0.160, 62.0),
    "faded": Paint(0.945, 0.003, 220.0),
}
PALETTE = _PAGE | _PART
"""Every colour that has a name."""


# 0.085 is near the most chroma that sRGB holds at the dark blue-green end; more would be cut off and bend the hue.
_MIDDLE, _END, _CHROMA = 0.955, 0.44, 0.085
_HUE_BELOW, _HUE_ABOVE = np.radians(232.0), np.radians(55.0)

# From this share of the limit on, what lies inside is lined; the report's 3D view draws the same.
LINED = 0.25

# So far the 3D view draws a chosen feature towards "chosen", and all others towards "faded".
TINTED, PALE = 0.7, 0.75

_PART_HATCHES = ("none", "rising", "falling", "dots", "grid", "level")

# What is no feature looks like this; how the kinds look they say themselves.
_OTHERS = {
    "filled": Look(*PALETTE["filled"], "cross"),
    "none": Look(*PALETTE["no feature"], "none"),
    "suspect": Look(*PALETTE["suspect"], "falling"),
}


def srgb(lightness: NDArray, chroma: NDArray, hue: NDArray) -> NDArray[np.uint8]:
    """OKLCh arrays of one shape (hue in radians) to 8-bit sRGB, (..., 3); what lies outside the gamut is cut off.

    >>> srgb(np.array([1.0, 0.0]), np.zeros(2), np.zeros(2)).tolist()  # white and black
    [[255, 255, 255], [0, 0, 0]]
    """
    shown = np.clip(linear(lightness, chroma, hue), 0.0, 1.0)
    shown = np.where(shown <= 0.0031308, 12.92 * shown, 1.055 * shown ** (1 / 2.4) - 0.055)
    return np.round(255 * shown).astype(np.uint8)


def linear(lightness: NDArray, chroma: NDArray, hue: NDArray) -> NDArray[np.float64]:
    """OKLCh (hue in radians) to linear sRGB, (..., 3); below 0 or above 1 is what no screen shows.

    >>> bool(linear(np.array(0.6), np.array(0.1), np.array(0.0)).max() < 1.0)
    True
    """
    a, b = chroma * np.cos(hue), chroma * np.sin(hue)
    long = (lightness + 0.3963377774 * a + 0.2158037573 * b) ** 3
    medium = (lightness - 0.1055613458 * a - 0.0638541728 * b) ** 3
    short = (lightness - 0.0894841775 * a - 1.2914855480 * b) ** 3
    return np.stack(
        [
            4.0767416621 * long - 3.3077115913 * medium + 0.2309699292 * short,
            -1.2684380046 * long + 2.6097574011 * medium - 0.3413193965 * short,
            -0.0041960863 * long - 0.7034186147 * medium + 1.7076147010 * short,
        ],
        axis=-1,
    )


def colour_of(paint: Paint) -> Colour:
    """sRGB of a colour given in OKLCh.

    >>> colour_of(Paint(1.0, 0.0, 0.0))
    (255, 255, 255)
    """
    made = srgb(np.array(paint.lightness), np.array(paint.chroma), np.radians(paint.hue))
    return int(made[0]), int(made[1]), int(made[2])


def colour(name: str) -> Colour:
    """sRGB of one of `PALETTE`. Raises KeyError for a name that it doesn't have.

    >>> colour("paper")
    (255, 255, 255)
    """
    return colour_of(PALETTE[name])


def css(name: str) -> str:
    """One of `PALETTE` as style sheets and SVG have it. Raises KeyError for a name that it doesn't have.

    >>> css("paper")
    '#ffffff'
    """
    return "#{:02x}{:02x}{:02x}".format(*colour(name))


def style_sheet() -> str:
    """The palette as the custom properties of a style sheet: "chosen row" is var(--chosen-row).

    >>> style_sheet().split(";")[0]
    ':root { --paper: #ffffff'
    """
    told = "; ".join(f"--{name.replace(' ', '-')}: {css(name)}" for name in PALETTE)
    return f":root {{ {told}; }}\n"


def diverging(values: NDArray, limit: float) -> NDArray[np.uint8]:
    """(...,) signed values to (..., 3) sRGB; beyond +-limit the end colours stand, for not-a-number "unknown"."""
    t = np.clip(np.asarray(values, dtype=np.float64) / limit, -1.0, 1.0)
    known = np.isfinite(t)
    out = np.empty((*t.shape, 3), dtype=np.uint8)
    out[~known] = colour("unknown")
    # Of a picture's pixels few have a value.
    t = t[known]
    size = np.abs(t)
    out[known] = srgb(
        _MIDDLE + (_END - _MIDDLE) * size,
        _CHROMA * np.sin(np.pi / 2 * np.minimum(1.0, 1.6 * size)),
        np.asarray(np.where(t < 0, _HUE_BELOW, _HUE_ABOVE)),
    )
    return out


def lined(values: NDArray, limit: float) -> NDArray[np.uint8]:
    """(h, w) signed values of pixels to (h, w, 3), with level lines where the surface lies inside by more than `LINED`
    of the limit: the two sides are alike in grey."""
    colours = diverging(values, limit)
    rows = np.arange(len(colours)) % 5 == 0
    with np.errstate(invalid="ignore"):
        on = rows[:, None] & (values < -LINED * limit)
    colours[on] = (0.7 * colours[on]).astype(np.uint8)
    return colours


def part_look(number: int) -> Look:
    """How the parts of a fit-up look, by their number from 0 on: the first as a part without features does, the others
    each in a hue of its own, with hatches in turn.

    >>> part_look(0).hatch, part_look(1).hatch, part_look(1).hue == part_look(2).hue
    ('none', 'rising', False)
    """
    if number == 0:
        return _OTHERS["none"]
    return Look(0.80 - 0.07 * (number % 2), 0.085, (232.0 + 137.5 * (number - 1)) % 360.0, _PART_HATCHES[number % 6])


def feature_looks() -> tuple[str, ...]:
    """The keys of all looks that a feature can have, in the order of the kinds.

    >>> {"plane", "bore", "boss"} <= set(feature_looks())
    True
    """
    return tuple(name for kind in KINDS.values() for name in kind.looks)


def look_of(feature: Sided) -> str:
    """The key of the look of a feature: some kinds are told apart as bore and boss."""
    return kind_of(feature).called(feature.side)


def look_colour(name: str) -> tuple[int, int, int]:
    """sRGB, 0 to 255, of a look: a feature's, "filled", "none" or "suspect".

    >>> all(0 <= c <= 255 for c in look_colour("bore"))
    True
    """
    look = _look(name)
    return colour_of(Paint(look.lightness, look.chroma, look.hue))


def look_hatch(name: str) -> str:
    """The hatch of a look: none, rising, falling, dots, grid, level or cross."""
    return _look(name).hatch


def _look(name: str) -> Look:
    return next((kind.looks[name] for kind in KINDS.values() if name in kind.looks), None) or _OTHERS[name]
