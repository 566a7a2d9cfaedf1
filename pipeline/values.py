"""The small value types that every room knows: what a feature, a gap, a frame and an audit are.

Lengths are mm, angles radians, directions unit vectors. All points are in scan coordinates (after
the unit conversion of the read stage) unless a name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.mesh.surface import Surface

if TYPE_CHECKING:
    from pipeline.job import Job, Zone

Vector = NDArray[np.float64]


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
                "w" shift along `direction`, "r" radius, "h" half angle, "R" major radius
    method      one sentence: how it was computed
    """

    position: float | None
    direction: float | None
    radius: float | None
    method: str
    names: tuple[str, ...] = ()
    covariance: NDArray[np.float64] | None = None
    basis: NDArray[np.float64] | None = None


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
    confidence  "good" | "low"; `reasons` says why it is low
    machined    False where form against noise says that this is a cast face (drafted, bowed)
    constraint  what the user had the fit held to, in words; None for a free fit
    name        the user's own
    """

    id: str
    kind: str
    side: str | None
    point: Vector
    direction: Vector | None
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


@dataclass(frozen=True)
class Rejected:
    """A patch that was looked at and not made a feature, with the reason.

    cast  its form against the noise, or its smooth passage into skin, says that it is a cast face (drafted, bowed)
    """

    kind: str
    point: Vector
    direction: Vector | None
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
    components: NDArray[np.float64]
    method: str
    freedom: NDArray[np.float64] | None = None


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
    centre: Vector | None = None
    normal: Vector | None = None
    diameter: float | None = None
    count: int | None = None
    missing: int | None = None
    phase: float | None = None
    rms: float | None = None
    size: tuple[float, float] | None = None
    note: str | None = None


@dataclass(frozen=True)
class Gap:
    """A boundary loop of the scan, what it was taken for and what was done.

    kind    "face" (on a face or skin) | "edge" (across an edge) | "blind" (unseen end of a hole) |
            "opening" (a real one) | "border" (outer border of an open scan)
    done    "closed" | "left open" | "capped"
    """

    id: str
    kind: str
    centre: Vector
    length: float
    area: float
    rim_edges: int
    features: tuple[str, ...]
    done: str
    facets_filled: int
    area_filled: float
    note: str = ""


@dataclass(frozen=True)
class Removal:
    """Something the clean stage took away or mended."""

    what: str
    count: int
    area: float
    note: str = ""


@dataclass(frozen=True)
class Proposal:
    """A patch that looks as if it were not the part; `zone` is what to leave out, in scan coordinates."""

    what: str
    centre: Vector
    area: float
    reason: str
    zone: Zone


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

    matrix: NDArray[np.float64]
    datums: tuple[Datum, ...]
    complete: bool
    reasons: tuple[str, ...] = ()
    covariance: NDArray[np.float64] | None = None


@dataclass(frozen=True)
class Segment:
    """One piece of an outline, in the x, y of its flange's sketch (mm).

    kind      "line" | "arc" | "circle" | "free"
    start     (2,) where it begins; the end of the piece before it. A circle starts at centre + (radius, 0)
    end       (2,) where it ends; a circle's is its start
    centre    (2,) and `radius`: of an arc or circle
    ccw       an arc runs counter-clockwise from start to end (seen from outside the material, z up)
    points    (n, 2) of a free piece, start and end included: a polyline within `Outline.tolerance`
    feature   id of the recovered feature whose surface cuts the face here, None where the border was fitted
    """

    kind: str
    start: Vector
    end: Vector
    centre: Vector | None = None
    radius: float | None = None
    ccw: bool = True
    points: NDArray[np.float64] | None = None
    feature: str | None = None


@dataclass(frozen=True)
class Outline:
    """A closed loop of segments: the outer border of a face counter-clockwise, an opening clockwise.

    rms        mm, of the measured border points (moved out to the sharp edge) against the segments
    rounding   mm by which the border of the measured facets was moved out to the sharp edge, median
    tolerance  mm, of free pieces
    broken     part of the loop was not scanned, or its edge could not be made out: that stretch is bridged
    """

    segments: tuple[Segment, ...]
    rms: float
    rounding: float
    tolerance: float
    broken: bool = False


@dataclass(frozen=True)
class Hole:
    """A bore that pierces a flange; place (2,) in the sketch where its axis meets the face.

    depth_seen  mm from the face that the support covers; the hole may be deeper
    tilt        rad between its axis and the face's normal
    place_uncertainty, diameter_uncertainty   mm, k = 1; None where they can't be vouched for
    """

    feature: str
    place: Vector
    diameter: float
    depth_seen: float
    tilt: float
    place_uncertainty: float | None = None
    diameter_uncertainty: float | None = None


@dataclass(frozen=True)
class HolePattern:
    """Holes of one flange that belong together, in its sketch.

    kind      "pitch_circle" | "rectangle" | "free"
    phase     rad from sketch x to the first hole (counter-clockwise, the smallest angle >= 0); of a rectangle, the
              angle of its longer side
    size      mm, of a rectangle: longer and shorter distance of holes
    gaps_at   (k, 2) places where the pattern has no hole though its pitch says there should be one
    """

    kind: str
    members: tuple[str, ...]
    centre: Vector
    rms: float
    diameter: float | None = None
    count: int | None = None
    missing: int = 0
    phase: float | None = None
    size: tuple[float, float] | None = None
    gaps_at: NDArray[np.float64] | None = None


@dataclass(frozen=True)
class Flange:
    """A flat face with its outlines and the holes that pierce it, ready to draw.

    matrix   (4, 4) scan -> sketch coordinates: z = 0 on the face, z along its outward normal, x along the
             part's x (its y where the face looks along x), origin at `origin_at`
    """

    feature: str
    matrix: NDArray[np.float64]
    origin_at: str
    outer: Outline | None
    inner: tuple[Outline, ...] = ()
    holes: tuple[Hole, ...] = ()
    patterns: tuple[HolePattern, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class InPart:
    """A feature in part coordinates.

    position, direction_uncertainty  k = 1 against the part frame, feature's and frame's errors together: mm
                 across the axis (along the normal of a plane, the largest principal value of a centre), rad;
                 None where they can't be vouched for
    covariance   (3, 3) mm2 of the point in those directions
    """

    feature: str
    point: Vector
    direction: Vector | None
    position: float | None
    direction_uncertainty: float | None
    covariance: NDArray[np.float64] | None = None


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


@dataclass(frozen=True)
class Deviation:
    """Figures of a one-way distance, mm, weighted by area; `where` is the point of the maximum."""

    mean: float
    rms: float
    p95: float
    p99: float
    max: float
    where: Vector
    samples: int


@dataclass(frozen=True)
class FeatureAudit:
    """Fit on the scan against fit on the light mesh's vertices; mm and rad. None: can't be vouched for.

    verdict        "ok" | "changed" (by more than twice the feature's own uncertainty) | "over budget" |
                   "unknown"
    on_facets      the same three of a fit on points spread over the light facets, which lie a chord's
                   height inside a curved surface
    worst          mm: largest distance of the feature's measured facets from the light mesh, noise aside
    """

    feature: str
    shift: float | None
    tilt: float | None
    radius_change: float | None
    light_vertices: int
    verdict: str = "ok"
    note: str = ""
    on_facets: tuple[float | None, float | None, float | None] | None = None
    worst: float | None = None


@dataclass(frozen=True)
class BudgetLine:
    """One promise and whether it held."""

    what: str
    limit: float
    value: float | None
    unit: str
    held: bool
    where: str = ""


@dataclass(frozen=True)
class Audit:
    """What lightening cost. scan_to_light and light_to_scan are against the scan as measured; noise_aside
    are the same two against the scan with its noise taken off, and that is what a budget is held against;
    lightening_rms is the rms of the first of them."""

    scan_to_light: Deviation
    light_to_scan: Deviation
    features: tuple[FeatureAudit, ...]
    budget: tuple[BudgetLine, ...]
    within_budget: bool
    facets_before: int
    facets_after: int
    area_measured: float
    area_filled: float
    area_removed: float
    noise_sigma: float
    lightening_rms: float | None = None
    cautions: tuple[str, ...] = ()
    noise_aside: tuple[Deviation, Deviation] | None = None


@dataclass(frozen=True)
class ReadResult:
    surface: Surface
    source: Source
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class CleanResult:
    surface: Surface
    removals: tuple[Removal, ...]
    area_in: float
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class RecoverResult:
    """labels (m,) int32: index into `features` of the facet, -1 none; facets of the cleaned surface."""

    features: tuple[Feature, ...]
    labels: NDArray[np.int32]
    noise: NoiseModel
    rejected: tuple[Rejected, ...] = ()
    relations: tuple[Relation, ...] = ()
    patterns: tuple[Pattern, ...] = ()
    calipers: tuple[CaliperCheck, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class CaliperCheck:
    """A size measured on the real part against the scan's; mm."""

    feature: str
    measured: float
    measured_uncertainty: float
    scanned: float | None
    scanned_uncertainty: float | None
    agrees: bool | None
    note: str = ""


@dataclass(frozen=True)
class FillResult:
    """The surface with filled facets appended after the measured ones; labels (m,) int32 for all of them.

    carved  what was taken out inside bores before the gaps were looked for
    """

    surface: Surface
    labels: NDArray[np.int32]
    gaps: tuple[Gap, ...]
    proposals: tuple[Proposal, ...] = ()
    cautions: tuple[str, ...] = ()
    carved: tuple[Removal, ...] = ()


@dataclass(frozen=True)
class FrameResult:
    """proposals: other frames that the part offers, best first."""

    frame: Frame
    proposals: tuple[Frame, ...] = ()
    cautions: tuple[str, ...] = ()
    flanges: tuple[Flange, ...] = ()
    suggestions: tuple[SizeSuggestion, ...] = ()
    square_up: tuple[SquareUp, ...] = ()
    in_part: tuple[InPart, ...] = ()


@dataclass(frozen=True)
class LightenResult:
    """Light surface in scan coordinates, its labels, and in words what bound the facet count."""

    surface: Surface
    labels: NDArray[np.int32]
    bound_by: str
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class AuditResult:
    """vertex_deviation (n,) float32: signed distance of each light vertex to the scan, mm, for pictures."""

    audit: Audit
    vertex_deviation: NDArray[np.float32]


@dataclass(frozen=True)
class ExportResult:
    files: tuple[str, ...]
    cautions: tuple[str, ...] = field(default=())


@dataclass(frozen=True)
class Outcome:
    """All that the outputs are written from; of the early stages only the small parts, not their surfaces.

    measured  the cleaned scan, whose facets recover.labels tell of: for the report's residual maps only
    ladder    the curve that an earlier ladder of facet counts left, SVG text; None where there is none
    cautions  of all stages in their order, each once
    """

    job: Job
    source: Source
    removals: tuple[Removal, ...]
    area_in: float
    recover: RecoverResult
    gaps: tuple[Gap, ...]
    proposals: tuple[Proposal, ...]
    frame: FrameResult
    lighten: LightenResult
    audit: AuditResult
    cautions: tuple[str, ...] = ()
    measured: Surface | None = None
    ladder: str | None = None
