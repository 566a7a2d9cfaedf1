"""Outlines, holes and patterns of a flange, in the plane of its face.

Lengths are mm, angles radians, directions unit vectors; points are in scan coordinates (after the unit conversion
of the read stage) unless a name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # only types: the compiler, which geometry brings along, takes a second to import
    from pipeline.geometry import Floats


@dataclass(frozen=True)
class Segment:
    """One piece of an outline, in the x, y of its flange's sketch (mm).

    kind      "line" | "arc" | "circle" | "free"
    start     (2,) where it begins; the end of the piece before it. A circle starts at centre + (radius, 0)
    end       (2,) where it ends; a circle's is its start
    centre    (2,) and `radius`, mm: of an arc or circle
    ccw       an arc runs counter-clockwise from start to end (seen from outside the material, z up)
    points    (n, 2) of a free piece, start and end included: a polyline within `Outline.tolerance`
    feature   id of the recovered feature whose surface cuts the face here, None where the border was fitted
    """

    kind: str
    start: Floats
    end: Floats
    centre: Floats | None = None
    radius: float | None = None
    ccw: bool = True
    points: Floats | None = None
    feature: str | None = None


@dataclass(frozen=True)
class Outline:
    """A closed loop of segments: the outer border of a face counter-clockwise, an opening clockwise.

    segments   in their order, each begins where the one before it ends
    rms        mm, of the measured border points (moved out to the sharp edge) against the segments
    rounding   mm by which the border of the measured facets was moved out to the sharp edge, median
    tolerance  mm, of free pieces
    broken     part of the loop was not scanned, or its edge could not be made out: that stretch is bridged
    what       of a loop inside: "opening", no material at the face's level inside it; "spigot", material that stands
               proud of the face; "piece", a further piece of the face itself. None of the outer one
    """

    segments: tuple[Segment, ...]
    rms: float
    rounding: float
    tolerance: float
    broken: bool = False
    what: str | None = None


@dataclass(frozen=True)
class Hole:
    """A bore that pierces a flange.

    feature     its id
    place       (2,) mm in the sketch where its axis meets the face
    diameter    mm
    depth_seen  mm from the face that the support covers; the hole may be deeper
    tilt        rad between its axis and the face's normal
    place_uncertainty, diameter_uncertainty   mm, k = 1; None where they can't be vouched for
    end         "through": nothing stands in it as far as the part goes, or its wall reaches the flange's back; "blind":
                its floor was seen, `depth` mm below the face; None: neither was seen
    edge        mm from its middle to the nearest edge outside; None without an outer outline
    thickness   mm of the flange just round it; None where its back was not seen there
    """

    feature: str
    place: Floats
    diameter: float
    depth_seen: float
    tilt: float
    place_uncertainty: float | None = None
    diameter_uncertainty: float | None = None
    end: str | None = None
    depth: float | None = None
    edge: float | None = None
    thickness: float | None = None


@dataclass(frozen=True)
class HolePattern:
    """Holes of one flange that belong together, in its sketch.

    kind      "pitch_circle" | "rectangle" | "free"
    members   ids of the holes
    centre    (2,) mm
    rms       mm, of the holes off the pattern
    diameter  mm, of a pitch circle
    count     places of the pattern, those without a hole among them; `missing` of them have none
    phase     rad from sketch x to the first hole (counter-clockwise, the smallest angle >= 0); of a rectangle, the
              angle of its longer side
    size      mm, of a rectangle: longer and shorter distance of holes
    gaps_at   (k, 2) mm, places where the pattern has no hole though its pitch says there should be one
    size_sigma   mm, standard uncertainty of the diameter or of each side, the scan's scale in it; None if unknown
    phase_sigma  rad, of the phase of a pitch circle; None if unknown
    """

    kind: str
    members: tuple[str, ...]
    centre: Floats
    rms: float
    diameter: float | None = None
    count: int | None = None
    missing: int = 0
    phase: float | None = None
    size: tuple[float, float] | None = None
    gaps_at: Floats | None = None
    size_sigma: float | None = None
    phase_sigma: float | None = None


@dataclass(frozen=True)
class Thickness:
    """How thick a flange is where its back was seen, along its normal.

    least, middle, most  mm: the 2nd, 50th and 98th hundredth over the places
    places  how many places of the face, spread evenly, have a back that was seen
    share   of all places of the face, 0..1
    back    id of the face that carries most of the back, None where that is no recovered face
    """

    least: float
    middle: float
    most: float
    places: int
    share: float
    back: str | None = None


@dataclass(frozen=True)
class Flange:
    """A flat face with its outlines and the holes that pierce it, ready to draw.

    feature    id of the face
    matrix     (4, 4) scan -> sketch coordinates: z = 0 on the face, z along its outward normal, x along the
               part's x (its y where the face looks along x), origin at `origin_at`
    origin_at  what the sketch's origin is, in words
    outer      its outer border; None where none could be made
    inner      its openings, what stands proud of it inside, further pieces of it: `Outline.what`
    holes      the bores that pierce it
    patterns   which of them belong together
    cautions   in sentences
    thickness  None where its back was not seen, or is too far off to be a flange's
    """

    feature: str
    matrix: Floats
    origin_at: str
    outer: Outline | None
    inner: tuple[Outline, ...] = ()
    holes: tuple[Hole, ...] = ()
    patterns: tuple[HolePattern, ...] = ()
    cautions: tuple[str, ...] = ()
    thickness: Thickness | None = None
