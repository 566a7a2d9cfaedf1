"""Figures as text: with the unit asked for, and with the digits that the uncertainty supports and no more."""

from __future__ import annotations

import html
import math
from dataclasses import dataclass

MM_PER_INCH = 25.4
NONE = "–"


@dataclass(frozen=True)
class Words:
    """unit "mm" | "in": what lengths are shown in; the values given are mm and degrees, as in the datum file."""

    unit: str = "mm"

    @property
    def small_unit(self) -> str:
        return "µm" if self.unit == "mm" else "thou"

    def length(self, value: float | None, uncertainty: float | None = None) -> str:
        """A length or coordinate. Without an uncertainty two places of a mm (three of an inch) are shown."""
        if value is None:
            return NONE
        scale = 1.0 if self.unit == "mm" else 1 / MM_PER_INCH
        places = _places(uncertainty * scale) if uncertainty else (2 if self.unit == "mm" else 3)
        return f"{value * scale:z.{places}f}"

    def small(self, value: float | None) -> str:
        """A deviation or uncertainty: micrometres or thousandths of an inch, two figures or whole ones."""
        if value is None:
            return NONE
        figure = 1000 * value / (1.0 if self.unit == "mm" else MM_PER_INCH)
        if abs(figure) >= 1e5:
            return f"{figure:.0e}"
        places = 0 if abs(figure) >= 9.95 else 1 if abs(figure) >= 0.095 else 2
        return f"{figure:z.{places}f}"

    def angle(self, value: float | None, uncertainty: float | None = None) -> str:
        """Degrees."""
        if value is None:
            return NONE
        return f"{value:z.{_places(uncertainty) if uncertainty else 3}f}"

    def area(self, value: float | None) -> str:
        if value is None:
            return NONE
        return f"{value:,.0f} mm²" if self.unit == "mm" else f"{value / MM_PER_INCH**2:,.2f} in²"

    def both(self, value: float | None, uncertainty: float | None = None) -> str:
        """A size in the unit asked for and, behind it, in the other: a shop works in both."""
        if value is None:
            return NONE
        other = Words("in" if self.unit == "mm" else "mm")
        return f"{self.length(value, uncertainty)} ({other.length(value, uncertainty)} {other.unit})"


def _places(uncertainty: float) -> int:
    """Decimal places so that the last one is the uncertainty's own first figure."""
    if not math.isfinite(uncertainty) or uncertainty <= 0:
        return 2
    return min(6, max(0, -math.floor(math.log10(uncertainty))))


def safe(text: object) -> str:
    """Text as HTML, whatever stands in it."""
    return html.escape(str(text), quote=True)
