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
    """Figures of a one-way distance, mm, weighted by area; `where` is the point of the maximum."""

    mean: float
    rms: float
    p95: float
    p99: float
    max: float
    where: Floats
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
class SecondOpinion:
    """scan_to_light and light_to_scan, against the scan as measured, by another library; and where it doesn't agree."""

    scan_to_light: Deviation
    light_to_scan: Deviation
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Audit:
    """What lightening cost. scan_to_light and light_to_scan are against the scan as measured; noise_aside
    are the same two against the scan with its noise taken off, and that is what a budget is held against;
    lightening_rms is the rms of the first of them; second_opinion is there where it was asked for."""

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
