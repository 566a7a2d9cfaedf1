"""Figures as text: with the unit asked for, and with the digits that the uncertainty supports and no more."""

from __future__ import annotations

import html
import math
import re
from dataclasses import dataclass

from pipeline.geometry import MM_PER_INCH

NONE = "–"
# The sign of ISO 129-1 and ISO 3098-5 before a diameter.
DIAMETER = "\u2300"
_IN_PICTURES = {"µ": "u", "−": "-", "²": "2", "–": "-", "×": "x"}


@dataclass(frozen=True)
class Words:
    """unit "mm" | "in": what lengths are shown in; the values given are mm and degrees, as in the datum file.

    >>> Words("in").length(25.4), Words().small(0.0123), Words().angle(0.5, 0.01), Words().part(1.0), Words().area(12.3)
    ('1.000', '12', '0.500', '1.0000', '12')
    """

    unit: str = "mm"

    @property
    def small_unit(self) -> str:
        """Of deviations and uncertainties."""
        return "µm" if self.unit == "mm" else "thou"

    @property
    def length_scale(self) -> float:
        """Times a length in mm gives the figure shown; `small_scale` for deviations, `area_scale` for areas."""
        return 1.0 if self.unit == "mm" else 1 / MM_PER_INCH

    @property
    def small_scale(self) -> float:
        """Times a length in mm gives the figure of a deviation."""
        return 1000 * self.length_scale

    @property
    def area_scale(self) -> float:
        """Times an area in mm2 gives the figure shown."""
        return self.length_scale**2

    def length(self, value: float | None, uncertainty: float | None = None) -> str:
        """A length or coordinate. Without an uncertainty two places of a mm (three of an inch) are shown."""
        if value is None:
            return NONE
        places = _places(uncertainty * self.length_scale) if uncertainty else (2 if self.unit == "mm" else 3)
        return _rounded(value * self.length_scale, places)

    def small(self, value: float | None) -> str:
        """A deviation or uncertainty: micrometres or thousandths of an inch, two figures or whole ones."""
        if value is None:
            return NONE
        figure = value * self.small_scale
        size = abs(figure)
        if size >= 1000:
            return _rounded(figure, 1 - math.floor(math.log10(size)))
        return _rounded(figure, 0 if size >= 9.95 else 1 if size >= 0.095 else 2)

    def angle(self, value: float | None, uncertainty: float | None = None) -> str:
        """Degrees."""
        return NONE if value is None else _rounded(value, _places(uncertainty) if uncertainty else 3)

    def part(self, value: float | None, uncertainty: float | None = None) -> str:
        """A component of a direction; its uncertainty is in degrees."""
        return NONE if value is None else _rounded(value, _places(math.radians(uncertainty)) if uncertainty else 4)

    def area(self, value: float | None) -> str:
        """An area in `area_unit`."""
        return NONE if value is None else _rounded(value * self.area_scale, 0 if self.unit == "mm" else 2)

    @property
    def area_unit(self) -> str:
        """Of areas."""
        return "mm²" if self.unit == "mm" else "in²"


def _rounded(value: float, places: int) -> str:
    return f"{round(value, places):z,.{max(places, 0)}f}".replace("-", "−")


def _places(uncertainty: float) -> int:
    """Decimal places so that the last one is the uncertainty's first figure, or its second where the first is 1."""
    if not math.isfinite(uncertainty) or uncertainty <= 0:
        return 2
    order = math.floor(math.log10(uncertainty))
    return min(5, max(0, -order + (1 if uncertainty / 10.0**order < 2 else 0)))


def drawable(text: str) -> str:
    """Text in letters that the font of the pictures has."""
    return "".join(c if c.isascii() or c in "°±" else _IN_PICTURES.get(c, "?") for c in text)


def prose(text: str) -> str:
    """A sentence of another stage as HTML, its plain-text units set as they are printed, ids kept on one line.

    >>> prose("2 mm, +-5 um & more")
    '2 mm, ±5 µm &amp; more'
    """
    told = re.sub(r"(?<=\d) um\b", " µm", text.replace("+-", "±"))
    told = safe(re.sub(r"\b(mm|in)2\b", r"\1²", told))
    return re.sub(r"\b[a-z]+-[0-9a-z]{1,6}\b", r"<span class=nb>\g<0></span>", told)


def safe(text: object) -> str:
    """Text as HTML, whatever stands in it.

    >>> safe("<b>")
    '&lt;b&gt;'
    """
    return html.escape(str(text), quote=True)
