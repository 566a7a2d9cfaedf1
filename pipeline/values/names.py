"""The short numbers that features and gaps go by, and what a later run knows each of them by.

Lengths are mm, angles radians, directions unit vectors; points are in the coordinates of the scan that the book was
written for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # only types: the compiler, which geometry brings along, takes a second to import
    from pipeline.geometry import Floats


@dataclass(frozen=True)
class NumberedFeature:
    """A number that was given to a feature, and the surface that has it.

    id        as Feature.id
    kind      as Feature.kind, and `side` as Feature.side
    sure      whether its confidence was good
    point     (3,), direction (3,) or None, radius, half_angle, major_radius, orientation: as those of Feature
    seen      (k, 3) some points of what was seen, spread over it, on the surface itself; None where the number is kept
              only so that no other feature gets it, since where its feature lies is no longer known

    >>> NumberedFeature("F2", "plane", None).placed
    False
    """

    id: str
    kind: str
    side: str | None
    sure: bool = False
    point: Floats | None = None
    direction: Floats | None = None
    radius: float | None = None
    half_angle: float | None = None
    major_radius: float | None = None
    orientation: Floats | None = None
    seen: Floats | None = None

    @property
    def placed(self) -> bool:
        """Whether it is known where its feature lies."""
        return self.seen is not None


@dataclass(frozen=True)
class NumberedGap:
    """A number that was given to a gap: its id; centre (3,) and length, mm, of its rim; centre None where not known."""

    id: str
    centre: Floats | None = None
    length: float = 0.0


@dataclass(frozen=True)
class NameBook:
    """All numbers that were ever given in an output folder.

    scan      SHA-256 of the scan in whose coordinates the places are; "" of an empty book
    features  in the order in which they were first numbered, those that were not found again among them
    gaps      likewise

    >>> NameBook().features
    ()
    """

    scan: str = ""
    features: tuple[NumberedFeature, ...] = ()
    gaps: tuple[NumberedGap, ...] = ()
