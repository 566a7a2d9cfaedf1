"""How far the light mesh is from the scan, in general and feature by feature.

Lengths are mm, angles radians, directions unit vectors; points are in scan coordinates (after the unit conversion
of the read stage) unless a name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # only types: the compiler, which geometry brings along, takes a second to import
    from pipeline.geometry import Floats


@dataclass(frozen=True)
class Deviation:
    """Figures of a one-way distance, mm, weighted by area.

    mean, rms  mm, of the distance
    p95, p99   mm, what 95 and 99 % of the area keep within
    max        mm, the largest distance
    where      (3,) mm, the point of the maximum
    samples    how many points it was taken at
    by_pose    mm, 95 % of what the pose that one surface was laid on the other in leaves open of it there; None where
               none was, or how well it is known can't be told
    """

    mean: float
    rms: float
    p95: float
    p99: float
    max: float
    where: Floats
    samples: int
    by_pose: float | None = None


@dataclass(frozen=True)
class FeatureAudit:
    """Fit on the scan against fit on the light mesh's vertices; mm and rad. None: can't be vouched for.

    feature         its id
    shift           mm, of the axis, centre or face
    tilt            rad, of the axis or normal; None for a sphere
    radius_change   mm, light less scan; None for a plane
    light_vertices  how many vertices of the light mesh carry it
    verdict         "ok" | "changed" (by more than twice the feature's own uncertainty) | "over budget" |
                    "unknown"
    note            why, in words
    on_facets       the same three of a fit on points spread over the light facets, which lie a chord's
                    height inside a curved surface
    worst           mm: largest distance of the feature's measured facets from the light mesh, noise aside
    by_pose         mm and rad, 95 % of what the pose leaves open of shift and tilt, as of a deviation
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
    by_pose: tuple[float, float | None] | None = None


@dataclass(frozen=True)
class Alignment:
    """How a mesh was laid on a scan.

    motion      (4, 4) from its coordinates to the scan's
    covariance  (6, 6) of a small motion after it: shift of the origin, mm, and turn, rad; None: can't be told
    by          ids of the scan's features that it rests on; the rest is skin
    corner      mm, 95 % of the place of the scan's farthest corner by that; None as `covariance`
    """

    motion: Floats
    covariance: Floats | None = None
    by: tuple[str, ...] = ()
    corner: float | None = None


@dataclass(frozen=True)
class BudgetLine:
    """One promise and whether it held.

    what          "deviation" | "deviation of a feature" | ...: what was promised
    limit, value  in `unit`: the most that was allowed, and what it came to; value None where there is no such figure
    unit          "mm" | "rad"
    held          whether the value is within the limit
    where         the feature of the value, in words
    place         (3,) mm, where the value is; None where it is that of a feature
    """

    what: str
    limit: float
    value: float | None
    unit: str
    held: bool
    where: str = ""
    place: Floats | None = None


@dataclass(frozen=True)
class SecondOpinion:
    """scan_to_light and light_to_scan, against the scan as measured, by another library; and where it doesn't agree.

    scan_to_light, light_to_scan  its figures, mm
    cautions                      where they don't agree with the audit's own, in sentences
    """

    scan_to_light: Deviation
    light_to_scan: Deviation
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class SharpEdges:
    """What edges that were made sharp on request cost where the scanner had rounded them.

    area           mm2, of the scan's facets there
    from_scan      mm, how far the scan as measured comes to lie from the light mesh there
    from_features  mm, the same of the features' own surfaces, up to where they meet: what a budget is held against
    left           how many vertices of the scan were left as they were, lest facets cross
    """

    area: float
    from_scan: float
    from_features: float
    left: int


@dataclass(frozen=True)
class Soundness:
    """Whether the surfaces are closed and pass through themselves: scan with its gaps filled, and light mesh.

    open_edges  edges with one facet, of the scan and of the light mesh
    crossing    facets that pass through another one, of the scan (those near the light mesh's) and of the light mesh
    """

    open_edges: tuple[int, int]
    crossing: tuple[int, int]


@dataclass(frozen=True)
class Audit:
    """What lightening cost: distances both ways between scan and light mesh, and each feature fitted on both.

    scan_to_light, light_to_scan  mm, against the scan as measured
    noise_aside      the same two against the scan with its noise taken off: what a budget is held against
    features         one fit against the other, a feature each
    budget           the promises of the job, and whether each held
    within_budget    whether all of them held
    facets_before, facets_after  of the scan and of the light mesh
    area_measured, area_filled   mm2, of the light mesh
    area_removed     mm2, of the scan: what cleaning took away
    noise_sigma      mm, standard deviation of the scan's noise
    lightening_rms   mm, the rms of the first of noise_aside; None where that is not known
    cautions         what the figures don't say by themselves, in sentences
    second_opinion   there where it was asked for
    sharp_edges      there where it was asked for, and some were made
    soundness        of scan and light mesh; None where it was not looked at
    filled           mm, from the light mesh's filled facets to the nearest of the scan: told, never judged; of a
                     comparison only, and only where there are such facets
    alignment        of a comparison only, where the one mesh was laid on the other
    """

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
    second_opinion: SecondOpinion | None = None
    sharp_edges: SharpEdges | None = None
    soundness: Soundness | None = None
    filled: Deviation | None = None
    alignment: Alignment | None = None
