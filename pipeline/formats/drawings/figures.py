"""Figures of a drawing as text: to the digit that the uncertainty carries, in the drawing's unit."""

from __future__ import annotations

import math

from pipeline.coverage import SINGLE
from pipeline.geometry import MM_PER_INCH

DIAMETER = "Ø"
_FINEST = {"mm": 3, "in": 4}  # decimal places
_CAST = {"mm": 1, "in": 2}  # where nothing vouches for a figure: 0.1 mm, 0.01 in


def sized(value: float, unit: str, sigma: float | None = None) -> str:
    """A length, mm, in `unit` ("mm" | "in"), without the unit's name, down to the first digit of its 95 % uncertainty.

    sigma  standard uncertainty, mm; None: nobody vouches for it, as of cast edges: to 0.1 mm, 0.01 in

    >>> sized(71.99812, "mm", 0.0088), sized(71.99812, "in", 0.0088), sized(81.03, "mm")
    ('72.00', '2.8346', '81.0')
    """
    scale = 1.0 if unit == "mm" else MM_PER_INCH
    return f"{value / scale:z.{places_of(sigma, unit)}f}"


def places_of(sigma: float | None, unit: str) -> int:
    """Decimal places of a length in `unit` ("mm" | "in") whose standard uncertainty is `sigma` mm.

    >>> places_of(0.0088, "mm"), places_of(0.2, "mm"), places_of(None, "in")
    (2, 1, 2)
    """
    if sigma is None or not sigma > 0.0:
        return _CAST[unit]
    scale = 1.0 if unit == "mm" else MM_PER_INCH
    return min(_FINEST[unit], max(0, math.ceil(-math.log10(SINGLE * sigma / scale))))


def plus_minus(sigma: float | None, unit: str) -> str:
    """The 95 % range of a length whose standard uncertainty is `sigma` mm, as " ±0.02"; "" where there is none.

    >>> plus_minus(0.0088, "mm"), plus_minus(None, "mm")
    (' ±0.02', '')
    """
    if sigma is None or not sigma > 0.0:
        return ""
    scale = 1.0 if unit == "mm" else MM_PER_INCH
    places = places_of(sigma, unit)
    # Rounded up: the range printed holds at least what it says.
    return f" ±{math.ceil(SINGLE * sigma / scale * 10**places - 1e-9) / 10**places:.{places}f}"
