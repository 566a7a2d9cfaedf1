"""Sizes of a made part that its drawing says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Size:
    """A size of a turned part or a plate.

    what    "diameter" or "length" along its axis
    span    (from, to) stations, mm along z, that it stands at or goes between
    value   mm; limits: least and most, None where general tolerances do
    note    what it is for

    >>> Size("diameter", (0.0, 20.0), 84.93, (84.91, 84.94), "fit").text
    'Ø84.93 +0.01/-0.02'
    """

    what: Literal["diameter", "length"]
    span: tuple[float, float]
    value: float
    limits: tuple[float, float] | None = None
    note: str = ""

    @property
    def text(self) -> str:
        """As it stands on a drawing."""
        sign = "Ø" if self.what == "diameter" else ""
        if self.limits is None:
            return f"{sign}{self.value:.3f}".rstrip("0").rstrip(".")
        low, high = self.limits
        places = next((n for n in (2, 3, 4) if all(abs(round(v, n) - v) < 1e-7 for v in (self.value, low, high))), 4)
        up, down = high - self.value, self.value - low
        size = f"{sign}{self.value:.{places}f}"
        if abs(up - down) < 1e-7:
            return f"{size} ±{up:.{places}f}"
        return f"{size} {up:+.{places}f}/{-down:+.{places}f}"
