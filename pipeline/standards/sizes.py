"""A measured size, and how one of a table becomes a suggestion for it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from pipeline.coverage import SINGLE
from pipeline.values import SizeSuggestion


class Size(NamedTuple):
    """A round feature's id, its diameter mm and standard uncertainty, and the length seen; None where not known."""

    feature: str
    diameter: float
    sigma: float | None = None
    length: float | None = None

    @property
    def slack(self) -> float:
        """95 % of the measured diameter's error, mm."""
        return SINGLE * (self.sigma or 0.0)


class Leaves(NamedTuple):
    """From where to where, mm, a size may lie from its table's when it is made as usual."""

    low: float
    high: float

    def holds(self, off: float, slack: float) -> bool:
        """Whether a size that is `off` can be one so made."""
        return self.low - slack <= off <= self.high + slack


def suggestion(size: Size, what: str, name: str, standard: float, leaves: Leaves, source: str) -> SizeSuggestion:
    """The suggestion; how far it is off is counted in what measuring and making leave together, the latter spread
    evenly between its bounds."""
    off = size.diameter - standard
    made = (leaves.high - leaves.low) / np.sqrt(12.0)
    sigmas = None if size.sigma is None else float(abs(off) / np.hypot(size.sigma, made))
    return SizeSuggestion(size.feature, what, name, standard, off, sigmas, source)


def noted(found: Iterable[SizeSuggestion], note: str) -> list[SizeSuggestion]:
    """The same with a note."""
    return [replace(s, note=note) for s in found]


def told_apart(found: Sequence[SizeSuggestion], apart: float) -> list[SizeSuggestion]:
    """Candidates of one sort, the nearest first: those that measuring and making explain at 95 %, if there are any;
    those no further than `apart` mm from the nearest's size carry a note that names them all."""
    found = sorted(found, key=lambda s: (abs(s.off), s.name))
    found = [s for s in found if (s.sigmas or 0.0) <= SINGLE] or found
    if len(found) < 2:
        return found
    alike = [s for s in found if abs(s.size - found[0].size) <= apart]
    if len(alike) < 2:
        return found
    names = ", ".join(s.name for s in alike)
    return noted(alike, f"can't be told apart: {names}") + [s for s in found if s not in alike]
