"""Several set-ups of a part, laid on each other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.values.features import NoiseModel, Source

if TYPE_CHECKING:  # only types: the compiler, which geometry brings along, takes a second to import
    from pipeline.geometry import Floats, Mask


@dataclass(frozen=True)
class SharedFeature:
    """A feature that two set-ups saw, and how the two lie to each other; mm and rad.

    feature   its id
    off       along the normal of a plane, where it has its sign, across an axis, of a centre
    tilt      of the two directions
    expanded  95 % of both, by noise alone
    apart     whether that stands out, among all shared features (Holm 1979)
    """

    feature: str
    off: float
    tilt: float
    expanded: tuple[float, float]
    apart: bool


@dataclass(frozen=True)
class SharedBall:
    """A reference ball that two set-ups saw, and how its two centres lie to each other; mm.

    place      (3,) of its centre, in coordinates of the job's own scan
    diameters  as the scan that was laid on shows it, and the one that was laid, each by itself
    off        by which the centres are apart, each taken at the diameter that is known
    expanded   95 % of that, by noise alone
    apart      whether it stands out, among all balls (Holm 1979)
    """

    place: Floats
    diameters: tuple[float, float]
    off: float
    expanded: float
    apart: bool


@dataclass(frozen=True)
class Bend:
    """How a part is bent and twisted in one scan otherwise than in another; mm and rad.

    bow, twist              by which its middle stands off the line between the ends of what both saw, and by which one
                            of these ends is turned to the other
    bow_sigma, twist_sigma  standard uncertainties of the two
    length                  from end to end
    chance                  of as much by noise alone
    """

    bow: float
    bow_sigma: float
    twist: float
    twist_sigma: float
    length: float
    chance: float

    @property
    def stands_out(self) -> bool:
        """Whether noise hardly explains it: as seldom as three standard deviations.

        >>> Bend(0.045, 0.005, 1e-4, 5e-5, 180.0, 1e-6).stands_out
        True
        """
        return self.chance < 0.003


@dataclass(frozen=True)
class SetUpJoin:
    """Where a set-up lies.

    source      of its scan, and its noise
    onto        the set-up that it was laid on, 1 for the job's own scan
    motion      (4, 4) from its coordinates to those of the job's own scan
    covariance  (6, 6) of a small motion after it: shift of the origin, mm, and turn, rad
    corner      mm, 95 % of the place of the part's farthest corner by that
    overlap     share of it that lies on the scan it was laid on, and `clash`, what of that is off by more than noise
    shared      features that both show
    scale       by how much larger it is, as a share, and the standard uncertainty of that; None where few tell
    bend        how the part is formed otherwise in it than in the scan it was laid on; None where too little tells
    places      (k, 3) mm, middles of cells of what both saw; off (k,) mm, mean misfit there, and sigma (k,) its
                standard uncertainty by noise and pose
    at_seam     (k,) whether a seam between scans runs there: what is off is a step
    balls       reference balls that both show
    """

    source: Source
    noise: NoiseModel
    onto: int
    motion: Floats
    covariance: Floats
    corner: float
    overlap: float
    clash: float
    shared: tuple[SharedFeature, ...]
    scale: tuple[float, float] | None
    bend: Bend | None
    places: Floats
    off: Floats
    sigma: Floats
    at_seam: Mask
    balls: tuple[SharedBall, ...] = ()
