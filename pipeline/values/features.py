"""What was read and recovered: the source, a feature with its uncertainty and form, relations and patterns.

Lengths are mm, angles radians, directions unit vectors; points are in scan coordinates (after the unit conversion
of the read stage) unless a name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # only types: the compiler, which geometry brings along, takes a second to import
    from pipeline.geometry import Floats


@dataclass(frozen=True)
class Source:
    """Where the surface came from and what was learnt on reading it."""

    file: str
    sha256: str
    facets: int
    vertices: int
    unit: str
    unit_factor: float
    noise_sigma: float
    mean_edge: float
    bounds: tuple[tuple[float, float, float], tuple[float, float, float]]


@dataclass(frozen=True)
class Uncertainty:
    """Standard uncertainty (k = 1).

    position    mm: of `point`, across the axis (axial kinds), along the normal (plane), the largest
                principal value otherwise; None where it can't be vouched for
    direction   rad: of the axis or normal, the larger principal value; None for a sphere
    radius      mm; None for a plane
    covariance  (k, k) of the kind's local parameters, in the order of `names`; mm and rad
    basis       (2, 3) two unit vectors perpendicular to `direction` that the local parameters use:
                "u", "v" shifts of `point` along them, "a", "b" turns of `direction` towards them,
                "w" shift along `direction`, "r" radius, "h" half angle, "R" major radius, "t" turn of
                `orientation` about `direction`
    method      one sentence: how it was computed
    """

    position: float | None
    direction: float | None
    radius: float | None
    method: str
    names: tuple[str, ...] = ()
    covariance: Floats | None = None
    basis: Floats | None = None


@dataclass(frozen=True)
class Form:
    """Form error of the support, by ISO definition where `standard` names one.

    rms             mm, of the orthogonal residuals on inliers
    peak_to_valley  mm, least-squares reference, spikes left out
    minimum_zone    mm, minimum-zone reference; None where it was not computed
    noise_share     the part of peak_to_valley that the scan's own noise explains, mm; None if unknown
    inliers         share of the support's vertices that were used, 0..1
    standard        "flatness" | "cylindricity" | "roundness" | "form" ...
    """

    rms: float
    peak_to_valley: float
    inliers: float
    standard: str
    minimum_zone: float | None = None
    noise_share: float | None = None
    roundness: float | None = None
    straightness: float | None = None


@dataclass(frozen=True)
class Extent:
    """What of the feature was seen.

    area    mm2 of measured facets
    length  mm along the axis; None for plane and sphere
    arc     rad of the circle covered; None for a plane
    facets  how many measured facets carry it
    along   (low, high) mm from `point` along `direction` that the support covers; None for plane, sphere
    """

    area: float
    facets: int
    length: float | None = None
    arc: float | None = None
    along: tuple[float, float] | None = None


@dataclass(frozen=True)
class Feature:
    """A recovered surface.

    kind        "plane" | "cylinder" | "cone" | "sphere" | "torus"
    side        "bore" | "boss" (material outside | inside); None for a plane
    point       plane: centroid of the support, on the plane; axial kinds: on the axis at mid-length;
                sphere, torus: the centre
    direction   plane: outward normal; axial kinds: axis (a cone's points the way the radius grows);
                None for a sphere
    radius      mm; cone: at `point`; torus: of the tube; None for a plane
    half_angle  rad, cone only
    major_radius mm, torus only
    orientation unit, square to `direction`: how a surface that isn't one of revolution is turned about its axis; None
                where it looks the same from all sides
    confidence  "good" | "low"; `reasons` says why it is low
    machined    False where form against noise says that this is a cast face (drafted, bowed)
    constraint  what the user had the fit held to, in words; None for a free fit
    name        the user's own
    """

    id: str
    kind: str
    side: str | None
    point: Floats
    direction: Floats | None
    radius: float | None
    uncertainty: Uncertainty
    form: Form
    extent: Extent
    half_angle: float | None = None
    major_radius: float | None = None
    confidence: str = "good"
    reasons: tuple[str, ...] = ()
    machined: bool = True
    name: str | None = None
    constraint: str | None = None
    orientation: Floats | None = None


@dataclass(frozen=True)
class Rejected:
    """A patch that was looked at and not made a feature, with the reason.

    cast  its form against the noise, or its smooth passage into skin, says that it is a cast face (drafted, bowed)
    """

    kind: str
    point: Floats
    direction: Floats | None
    radius: float | None
    area: float
    reason: str
    cast: bool = False


@dataclass(frozen=True)
class NoiseModel:
    """What the scan's own large faces say about its noise.

    sigma_white  mm, short waves (vertex to vertex)
    sigma_form   mm, rms of the residuals on the large faces: all waves that fit on them
    components   (k, 2): standard deviation mm and correlation length mm of Gaussian-covariance terms;
                 the white part has length 0
    freedom      (k,) degrees of freedom that each component's variance was seen with; None: taken as exact
    """

    sigma_white: float
    sigma_form: float
    components: Floats
    method: str
    freedom: Floats | None = None


@dataclass(frozen=True)
class Relation:
    """kind: "parallel" | "perpendicular" | "coaxial" | "intersecting" | "angle" | "distance".

    value and uncertainty are rad for angles (parallel, perpendicular: the deviation), mm for
    coaxial (offset), intersecting (gap of the axes) and distance.
    """

    kind: str
    between: tuple[str, str]
    value: float
    uncertainty: float | None


@dataclass(frozen=True)
class Pattern:
    """kind: "pitch_circle" | "coaxial" | "rectangle" | "mid_plane"; fields that do not apply are None."""

    kind: str
    members: tuple[str, ...]
    centre: Floats | None = None
    normal: Floats | None = None
    diameter: float | None = None
    count: int | None = None
    missing: int | None = None
    phase: float | None = None
    rms: float | None = None
    size: tuple[float, float] | None = None
    note: str | None = None
