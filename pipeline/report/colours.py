"""Our colours: a diverging map for signed deviations, and one look a kind of feature.

Both are computed in OKLCh, as all of `pipeline.palette`. The diverging map runs from a blue-green over a light neutral
to a brown, with lightness falling by equal steps to both sides. The kinds keep apart for the colour-blind by lightness
and hue, and in grey by their hatch.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.palette import PALETTE, Paint, colour, colour_of, srgb
from pipeline.surfaces import KINDS, Look, Sided, kind_of

# 0.085 is near the most chroma that sRGB holds at the dark blue-green end; more would be cut off and bend the hue.
_MIDDLE, _END, _CHROMA = 0.955, 0.44, 0.085
_HUE_BELOW, _HUE_ABOVE = np.radians(232.0), np.radians(55.0)

# From this share of the limit on, what lies inside is lined; the report's 3D view draws the same.
LINED = 0.25

# So far the 3D view draws a chosen feature towards "chosen", and all others towards "faded".
TINTED, PALE = 0.7, 0.75

# What is no feature looks like this; how the kinds look they say themselves.
_OTHERS = {
    "filled": Look(*PALETTE["filled"], "cross"),
    "none": Look(*PALETTE["no feature"], "none"),
    "suspect": Look(*PALETTE["suspect"], "falling"),
}


def diverging(values: NDArray, limit: float) -> NDArray[np.uint8]:
    """(...,) signed values to (..., 3) sRGB; beyond +-limit the end colours stand, for not-a-number "unknown"."""
    t = np.clip(np.asarray(values, dtype=np.float64) / limit, -1.0, 1.0)
    known = np.isfinite(t)
    t = np.where(known, t, 0.0)
    size = np.abs(t)
    colours = srgb(
        _MIDDLE + (_END - _MIDDLE) * size,
        _CHROMA * np.sin(np.pi / 2 * np.minimum(1.0, 1.6 * size)),
        np.asarray(np.where(t < 0, _HUE_BELOW, _HUE_ABOVE)),
    )
    colours[~known] = colour("unknown")
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
