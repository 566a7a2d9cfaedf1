"""What was read and recovered: the source, a feature with its uncertainty and form, relations and patterns.

Lengths are mm, angles radians, directions unit vectors; points are in scan coordinates (after the unit conversion
of the read stage) unless a name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # only types: the compiler, which geometry brings along, takes a second to import
    from pipeline.geometry import Floats, Ints


@dataclass(frozen=True)
class Source:
    """Where the surface came from and what was learnt on reading it.

    file         name of the scan's file
    sha256       of the file's bytes, hexadecimal
    facets, vertices  of the scan as read
    unit         of the file's numbers: "mm" | "cm" | "m" | "in" | "um" | "ft"
    unit_factor  what they were multiplied by to become mm
    noise_sigma  mm, standard deviation of the scan's noise along the normal
    mean_edge    mm, mean length of its edges
    bounds       lowest and highest coordinates, (3,) mm each
    scale_uncertainty  relative standard uncertainty of the scanner's scale, as the job gives it; 0 where it does not
    """

    file: str
    sha256: str
    facets: int
    vertices: int
    unit: str
    unit_factor: float
    noise_sigma: float
    mean_edge: float
    bounds: tuple[tuple[float, float, float], tuple[float, float, float]]
    scale_uncertainty: float = 0.0


@dataclass(frozen=True)
class Carried:
    """What a fit takes its parameters from, in cells of some width, mm: that neighbours share the scan's long waves.

    places  (c, 3) mm, of the cells; gains (c, k) sums of how the local parameters change with the noise there
    waves   (m, 2) standard deviation and correlation length, mm, of the scan's waves
    """

    width: float
    places: Floats
    gains: Floats
    waves: Floats


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
    parts       (c, k, k) what the covariance is the sum of before it was widened by Student's t, and
    freedom     (c,) the degrees of freedom that each part's size was seen with, infinite where it is known; None: all
                of the covariance is taken as known
    scans       (c,) number of the scan whose noise each part comes from; None: all from the same one, number 0
    carried     by what of the scan; None where nothing is said of how errors of neighbours go together
    scale       relative standard uncertainty of the scan's scale: `radius` has its share, and nothing else here, since
                it is one error, the same for all lengths of the scan
    """

    position: float | None
    direction: float | None
    radius: float | None
    method: str
    names: tuple[str, ...] = ()
    covariance: Floats | None = None
    basis: Floats | None = None
    parts: Floats | None = None
    freedom: Floats | None = None
    scans: Ints | None = None
    carried: Carried | None = None
    scale: float = 0.0


@dataclass(frozen=True)
class Form:
    """Form error of the support, by ISO definition where `standard` names one.

    rms             mm, of the orthogonal residuals on inliers
    peak_to_valley  mm, least-squares reference, spikes left out
    inliers         share of the support's vertices that were used, 0..1
    standard        "flatness" | "cylindricity" | "roundness" | "form" ...
    minimum_zone    mm, minimum-zone reference; None where it was not computed
    noise_share     the peak_to_valley that the scan's own noise makes of a perfect face, mm; None if unknown
    told            whether it is told from the scan's noise, at 95 % of all features together; None if unknown
    of_means        mm, peak to valley of the residuals' means over cells a seventh of the face wide: form with most of
                    the noise averaged out; None if unknown
    noise_of_means  mm, what the scan's noise alone makes of that
    roundness, straightness  mm, of sections across the axis and of the axis; None where they were not computed
    """

    rms: float
    peak_to_valley: float
    inliers: float
    standard: str
    minimum_zone: float | None = None
    noise_share: float | None = None
    roundness: float | None = None
    straightness: float | None = None
    told: bool | None = None
    of_means: float | None = None
    noise_of_means: float | None = None


@dataclass(frozen=True)
class Extent:
    """What of the feature was seen.

    area    mm2 of measured facets
    length  mm along the axis; None for plane and sphere
    arc     rad of the circle covered; None for a plane
    facets  how many measured facets carry it
    along   (low, high) mm from `point` along `direction` that the support covers; None for plane, sphere
    corners (4, 3) mm from `point`, of a rectangle in a plane that holds its support; None for other kinds
    """

    area: float
    facets: int
    length: float | None = None
    arc: float | None = None
    along: tuple[float, float] | None = None
    corners: Floats | None = None


@dataclass(frozen=True)
class Feature:
    """A recovered surface. mm and rad, scan coordinates.

    id          its short number, as H1: the same scan and settings give the same one, and the file of names carries it
                over to another scan of the part
    kind        "plane" | "cylinder" | "cone" | "sphere" | "torus"
    side        "bore" | "boss" (material outside | inside); None for a plane
    point       (3,) plane: centroid of the support, on the plane; axial kinds: on the axis at mid-length;
                sphere, torus: the centre
    direction   (3,) plane: outward normal; axial kinds: axis (a cone's points the way the radius grows);
                None for a sphere
    radius      mm; cone: at `point`; torus: of the tube; None for a plane
    uncertainty standard, k = 1
    form        its form error
    extent      what of it was seen
    half_angle  rad, cone only
    major_radius mm, torus only
    old_id      what it was called by version 0.1.0, which job files may still say
    orientation unit, square to `direction`: how a surface that isn't one of revolution is turned about its axis; None
                where it looks the same from all sides
    confidence  "good" | "low"; `reasons` says why it is low
    machined    False where form against noise says that this is a cast face (drafted, bowed)
    constraint  what the user had the fit held to, in words; None for a free fit
    name        the user's own

    >>> up = np.array([0.0, 0.0, 1.0])
    >>> doubt, form = Uncertainty(0.002, 4e-5, 0.001, "made up"), Form(0.01, 0.05, 1.0, "cylindricity")
    >>> seen = Extent(area=7540.0, facets=4000, length=60.0, arc=2 * np.pi, along=(-30.0, 30.0))
    >>> bore = Feature("H1", "cylinder", "bore", np.zeros(3), up, 20.0, doubt, form, seen)
    >>> 2 * bore.radius, 2 * 2 * bore.uncertainty.radius  # the diameter, and its uncertainty with k = 2
    (40.0, 0.004)
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
    old_id: str | None = None

    def goes_by(self, text: str | None) -> bool:
        """Whether a text of the user's means this feature: its number, their name for it, its id of version 0.1.0."""
        return text is not None and text in (self.id, self.name, self.old_id)


@dataclass(frozen=True)
class Rejected:
    """A patch that was looked at and not made a feature, with the reason.

    kind       what it was looked at as
    point      (3,) mm, of the surface that was fitted to it
    direction  (3,) unit, and radius, mm, of that surface; None where it has none
    area       mm2 of the patch
    reason     why not, in words
    cast       its form against the noise, or its smooth passage into skin, says that it is a cast face (drafted, bowed)
    side       "bore" | "boss"; None for a plane
    arc        rad of the circle covered, and length, mm along the axis; None where it has none
    fits       its form is hidden in the noise: what speaks against it is something else

    Of those large enough to be listed, else None:

    number     from 1, those that fit first, then by size
    place      (3,) mm, in the middle of the patch and on it
    facets     (k,) int32 of the cleaned surface
    """

    kind: str
    point: Floats
    direction: Floats | None
    radius: float | None
    area: float
    reason: str
    cast: bool = False
    side: str | None = None
    arc: float | None = None
    length: float | None = None
    fits: bool = True
    number: int | None = None
    place: Floats | None = None
    facets: Ints | None = None


@dataclass(frozen=True)
class NoiseModel:
    """What the scan's own large faces say about its noise.

    sigma_white  mm, short waves (vertex to vertex)
    sigma_form   mm, rms of the residuals on the large faces: all waves that fit on them
    components   (k, 2): standard deviation mm and correlation length mm of Gaussian-covariance terms;
                 the white part has length 0
    method       how it was learnt, in a sentence
    freedom      (k,) degrees of freedom that each component's variance was seen with; None: taken as exact
    """

    sigma_white: float
    sigma_form: float
    components: Floats
    method: str
    freedom: Floats | None = None


@dataclass(frozen=True)
class Relation:
    """What holds between two features.

    kind         "parallel" | "perpendicular" | "coaxial" | "intersecting" | "angle" | "distance"
    between      ids of the two
    value, uncertainty  rad for angles (parallel, perpendicular: the deviation), mm for coaxial (offset), intersecting
                 (gap of the axes) and distance; uncertainty k = 1, None where it can't be vouched for
    p_adjusted   of what could have been meant to be exact: how often noise alone makes a deviation of this size or more
                 stand out among all that are looked at; None where there is no such idea
    over         mm, of a distance between what isn't parallel: the least and the largest over what was seen of the
                 second; `value` is that at its middle
    """

    kind: str
    between: tuple[str, str]
    value: float
    uncertainty: float | None
    p_adjusted: float | None = None
    over: tuple[float, float] | None = None


@dataclass(frozen=True)
class Pattern:
    """Features that belong together; fields that do not apply are None.

    kind      "pitch_circle" | "coaxial" | "rectangle" | "mid_plane"
    members   ids of its features
    centre    (3,) mm: its middle, or a point of the common axis or plane
    normal    (3,) unit: of its plane, or along the common axis
    diameter  mm, of a pitch circle
    count     places of the pattern, those without a hole among them
    missing   how many of them have no hole
    phase     rad to the first hole
    rms       mm, of the members off the pattern
    size      mm, longer and shorter side of a rectangle
    note      what else is to be said of it
    size_sigma  mm, standard uncertainty of the diameter or of each side, the scan's scale in it; None if unknown
    """

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
    size_sigma: float | None = None
