"""Figures in HTML, each fetched from the datum file by its place there and marked with it.

A mark has `data-at`, the place (or several with " - ", " + ", " / ", or of a mean " & " between), and `data-times`,
what the value there is multiplied with to give the figure shown. So the page can be read back against the file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.formats.datum_file import DatumFile
from pipeline.report.words import NONE, Words, safe


@dataclass(frozen=True)
class Figures:
    """The methods take a place such as "features.3.radius" and return HTML."""

    data: DatumFile
    words: Words

    def value(self, place: str) -> Any:
        """What stands at a place; None where any step of the way is null."""
        found: Any = self.data
        for step in place.split("."):
            if found is None:
                return None
            found = found[int(step)] if isinstance(found, tuple) else getattr(found, step)
        return found

    def length(self, place: str, spread: float | None = None, times: float = 1.0) -> str:
        return self._marked(
            place, self.words.length(self._times(place, times), spread), times * self.words.length_scale
        )

    def small(self, place: str, times: float = 1.0) -> str:
        return self._marked(place, self.words.small(self._times(place, times)), times * self.words.small_scale)

    def area(self, place: str) -> str:
        return self._marked(place, self.words.area(self.value(place)), self.words.area_scale)

    def angle(self, place: str, spread: float | None = None) -> str:
        return self._marked(place, self.words.angle(self.value(place), spread), 1.0)

    def part(self, place: str, spread: float | None = None) -> str:
        return self._marked(place, self.words.part(self.value(place), spread), 1.0)

    def number(self, place: str, places: int = 0) -> str:
        found = self.value(place)
        return self._marked(place, NONE if found is None else f"{found:,.{places}f}", 1.0)

    def both(self, place: str, spread: float | None = None, times: float = 1.0) -> str:
        """A size in the unit asked for and, behind it, in the other: a shop works in both."""
        if self.value(place) is None:
            return NONE
        other = Figures(self.data, Words("in" if self.words.unit == "mm" else "mm"))
        behind = f"({other.length(place, spread, times)} {other.words.unit})"
        return f'{self.length(place, spread, times)} <span class="other">{behind}</span>'

    def difference(self, high: str, low: str, spread: float) -> str:
        text = self.words.length(self.value(high) - self.value(low), spread)
        return self._marked(f"{high} - {low}", text, self.words.length_scale)

    def mean(self, places: Sequence[str], spread: float | None = None, times: float = 1.0) -> str:
        """A length: the mean of what stands at several places."""
        whole = sum(times * self.value(place) for place in places) / len(places)
        return self._marked(" & ".join(places), self.words.length(whole, spread), times * self.words.length_scale)

    def total_area(self, places: Sequence[str]) -> str:
        """Areas together, what has none left out."""
        known = [self.value(place) or 0.0 for place in places]
        return self._marked(" + ".join(places), self.words.area(sum(known)), self.words.area_scale)

    def percent(self, place: str) -> str:
        """A share in per cent."""
        found = self.value(place)
        return self._marked(place, NONE if found is None else f"{100 * found:.0f}", 100.0)

    def share(self, part: str, other: str) -> str:
        """`part` of the sum of it and `other`, in per cent."""
        whole = self.value(part) + self.value(other)
        text = f"{100 * self.value(part) / whole if whole else 0.0:.1f}"
        return self._marked(f"{part} / {part} + {other}", text, 100.0)

    def _times(self, place: str, times: float) -> float | None:
        found = self.value(place)
        return None if found is None else times * found

    def _marked(self, place: str, text: str, times: float) -> str:
        factor = "" if times == 1.0 else f' data-times="{times:.12g}"'
        return f'<span data-at="{safe(place)}"{factor}>{safe(text)}</span>'
