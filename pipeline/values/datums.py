"""The datum system (ISO 5459) and what refers to it.

Lengths are mm, angles radians, directions unit vectors; points are in scan coordinates (after the unit conversion
of the read stage) unless a name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # only types: the compiler, which geometry brings along, takes a second to import
    from pipeline.geometry import Floats


@dataclass(frozen=True)
class Datum:
    """letter, feature id, and what it takes away of "tx ty tz rx ry rz" (part coordinates)."""

    letter: str
    feature: str
    constrains: tuple[str, ...]


@dataclass(frozen=True)
class Frame:
    """matrix (4, 4): scan -> part coordinates. covariance (6, 6): of (tx ty tz rx ry rz), mm and rad,
    small motions of the part frame; None where it can't be vouched for."""

    matrix: Floats
    datums: tuple[Datum, ...]
    complete: bool
    reasons: tuple[str, ...] = ()
    covariance: Floats | None = None


@dataclass(frozen=True)
class InPart:
    """A feature in part coordinates.

    position, direction_uncertainty  k = 1 against the part frame, feature's and frame's errors together: mm
                 across the axis (along the normal of a plane, the largest principal value of a centre), rad;
                 None where they can't be vouched for
    covariance   (3, 3) mm2 of the point in those directions
    """

    feature: str
    point: Floats
    direction: Floats | None
    position: float | None
    direction_uncertainty: float | None
    covariance: Floats | None = None


@dataclass(frozen=True)
class SizeSuggestion:
    """A standard size near a measured one: a suggestion, nothing is snapped to it.

    what       "clearance hole" | "tapping hole" | "drill" | "bearing seat" | "O-ring groove" | ...
    name       as the table writes it, e.g. "M8 medium", "17/64 in", "letter H", "6205 (52 mm)"
    size, off  mm: the standard size, and the measured minus it
    sigmas     |off| in standard uncertainties of the measured size; None where that has no uncertainty
    """

    feature: str
    what: str
    name: str
    size: float
    off: float
    sigmas: float | None
    source: str
    note: str = ""


@dataclass(frozen=True)
class SquareUp:
    """How far a feature is from parallel, square or coaxial to a datum.

    kind         "parallel" | "square" | "coaxial"
    angle        rad from the ideal direction; `angle_uncertainty` k = 1
    over         mm that the angle comes to across `length` mm of the feature itself
    offset       mm, coaxial only: distance of the axes at the feature's middle
    significant  the deviation stands out of its uncertainty (95 %)
    """

    feature: str
    datum: str
    kind: str
    angle: float
    angle_uncertainty: float | None
    over: float
    length: float
    offset: float | None = None
    offset_uncertainty: float | None = None
    significant: bool = False
