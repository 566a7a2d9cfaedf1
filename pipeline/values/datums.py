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
    """One datum of the datum system, and what it fixes.

    letter      "A", "B", ...
    feature     its feature's id, or words that name several: "middle of U and V" ...
    constrains  what it constrains of "tx ty tz rx ry rz": shifts along and turns about the axes of the part frame
    """

    letter: str
    feature: str
    constrains: tuple[str, ...]


@dataclass(frozen=True)
class Frame:
    """The part frame that the datums make (ISO 5459).

    matrix      (4, 4): scan -> part coordinates, a rigid motion; mm
    datums      in their order
    complete    False: some direction or place of the part frame was chosen, not measured; `reasons` says which
    reasons     why the frame is what it is, in sentences
    covariance  (6, 6): of (tx ty tz rx ry rz), mm and rad, small motions of the part frame; None where it can't be
                vouched for
    error       mm, k = 1: mean over the part's features of what the frame puts into their places; None: not known

    >>> down = np.eye(4)
    >>> down[2, 3] = -50.0
    >>> frame = Frame(down, (Datum("A", "plane-1", ("tz", "rx", "ry")),), complete=False)
    >>> part = frame.matrix @ [25.0, 10.0, 50.0, 1.0]  # of a point on the face that is datum A
    >>> part[:3].tolist()
    [25.0, 10.0, 0.0]
    """

    matrix: Floats
    datums: tuple[Datum, ...]
    complete: bool
    reasons: tuple[str, ...] = ()
    covariance: Floats | None = None
    error: float | None = None


@dataclass(frozen=True)
class InPart:
    """A feature in part coordinates.

    feature      its id
    point        (3,) mm
    direction    (3,) unit; None for a sphere
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

    feature    id of the measured feature
    what       "clearance hole" | "tapping hole" | "drill" | "dowel pin hole" | "dowel pin" | "bearing seat" |
               "worn bearing seat" | "bearing seat, tight" | "lip seal bore" | "lip seal shaft" | "O-ring groove" |
               "tolerance zone"
    name       as the table writes it, e.g. "M8 medium", "17/64 in", "letter H", "6205 (52 mm)"
    size, off  mm: the standard size, and the measured minus it
    sigmas     |off| in standard uncertainties of measuring and, where a way of making it is meant, of what that leaves;
               None where the measured size has no uncertainty
    source     the table
    note       what else is to be said of it
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

    feature      its id
    datum        the datum's letter
    kind         "parallel" | "square" | "coaxial"
    angle        rad from the ideal direction; `angle_uncertainty` k = 1
    over         mm that the angle comes to across `length` mm of the feature itself
    offset       mm, coaxial only: distance of the axes at the feature's middle; `offset_uncertainty` k = 1
    significant  the deviation stands out of its uncertainty, among all that are looked at (95 %)
    within       rad that the true angle is within, at 95 %: how much could be there without being seen
    p            how often noise alone makes it this large or larger; `p_adjusted` the same among all that are looked
                 at; None where the uncertainty isn't known
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
    within: float | None = None
    p: float | None = None
    p_adjusted: float | None = None
