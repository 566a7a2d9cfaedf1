"""Our colours: a diverging map for signed deviations, and one look a kind of feature.

Both are computed in OKLab (Ottosson 2020, a perceptual colour space), not taken from anywhere. The diverging map runs
from a blue-green over a light neutral to a brown, with lightness falling by equal steps to both sides.
The kinds keep apart for the colour-blind by lightness and hue, and in grey by their hatch.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.surfaces import KINDS

# 0.085 is near the most chroma that sRGB holds at the dark blue-green end; more would be cut off and bend the hue.
_MIDDLE, _END, _CHROMA = 0.955, 0.44, 0.085
_HUE_BELOW, _HUE_ABOVE = np.radians(232.0), np.radians(55.0)

# From this share of the limit on, what lies inside is lined; the report's 3D view draws the same.
LINED = 0.25

# look -> (lightness, chroma, hue in degrees, hatch, what the key says of it: nothing where it stands in no key)
LOOKS = {
    "plane": (0.88, 0.060, 95.0, "none", "plane"),
    "bore": (0.66, 0.105, 242.0, "rising", "bore"),
    "boss": (0.77, 0.105, 62.0, "falling", "boss"),
    "cone": (0.70, 0.110, 335.0, "dots", "cone"),
    "sphere": (0.60, 0.090, 152.0, "grid", "sphere"),
    "torus": (0.58, 0.115, 28.0, "level", "torus"),
    "other": (0.74, 0.060, 200.0, "grid", "other surface"),
    "none": (0.85, 0.006, 90.0, "none", "no feature"),
    "filled": (0.94, 0.000, 0.0, "cross", "filled: invented"),
    "suspect": (0.62, 0.170, 15.0, "falling", ""),
}


def srgb(lightness: NDArray, chroma: NDArray, hue: NDArray) -> NDArray[np.uint8]:
    """OKLCh (hue in radians) to 8-bit sRGB, (..., 3); what lies outside the gamut is cut off."""
    a, b = chroma * np.cos(hue), chroma * np.sin(hue)
    long = (lightness + 0.3963377774 * a + 0.2158037573 * b) ** 3
    medium = (lightness - 0.1055613458 * a - 0.0638541728 * b) ** 3
    short = (lightness - 0.0894841775 * a - 1.2914855480 * b) ** 3
    linear = np.stack(
        [
            4.0767416621 * long - 3.3077115913 * medium + 0.2309699292 * short,
            -1.2684380046 * long + 2.6097574011 * medium - 0.3413193965 * short,
            -0.0041960863 * long - 0.7034186147 * medium + 1.7076147010 * short,
        ],
        axis=-1,
    )
    linear = np.clip(linear, 0.0, 1.0)
    shown = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.round(255 * shown).astype(np.uint8)


def diverging(values: NDArray, limit: float) -> NDArray[np.uint8]:
    """(...,) signed values to (..., 3) sRGB; beyond +-limit the end colours stand. Not-a-number is mid grey."""
    t = np.clip(np.asarray(values, dtype=np.float64) / limit, -1.0, 1.0)
    known = np.isfinite(t)
    t = np.where(known, t, 0.0)
    size = np.abs(t)
    colours = srgb(
        _MIDDLE + (_END - _MIDDLE) * size,
        _CHROMA * np.sin(np.pi / 2 * np.minimum(1.0, 1.6 * size)),
        np.asarray(np.where(t < 0, _HUE_BELOW, _HUE_ABOVE)),
    )
    colours[~known] = 150
    return colours


def lined(values: NDArray, limit: float) -> NDArray[np.uint8]:
    """(h, w) signed values of pixels to (h, w, 3), with level lines where the surface lies inside by more than `LINED`
    of the limit: the two sides are alike in grey."""
    colours = diverging(values, limit)
    rows = np.arange(len(colours)) % 5 == 0
    with np.errstate(invalid="ignore"):
        on = rows[:, None] & (values < -LINED * limit)
    colours[on] = (0.7 * colours[on]).astype(np.uint8)
    return colours


def look_colour(look: str) -> tuple[int, int, int]:
    """sRGB of a look."""
    lightness, chroma, hue, _, _ = LOOKS[look]
    colour = srgb(np.array(lightness), np.array(chroma), np.radians(hue))
    return int(colour[0]), int(colour[1]), int(colour[2])


def look_hatch(look: str) -> str:
    """The hatch that goes with a look: none, rising, falling, dots, grid, level or cross."""
    return LOOKS[look][3]


def look_of(kind: str, side: str | None) -> str:
    """The look of a feature: those of even section are told apart as bore and boss, others by their kind."""
    name = called(kind, side)
    return name if name in LOOKS else "other"


def called(kind: str, side: str | None) -> str:
    """A feature in a word: bore or boss where its section is even along its axis, else its kind."""
    return side if side and KINDS[kind].even else kind
