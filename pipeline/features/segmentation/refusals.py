"""What was looked at and refused: what a machinist needs to check it, and what the user has stand all the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.errors import SettingsError
from pipeline.features.segmentation.extraction import ScanPiece, seen, settled, side_of, turned
from pipeline.features.segmentation.search import Region, Segmentation
from pipeline.features.segmentation.vertex_walks import GATE, NO_REGION, facet_labels
from pipeline.geometry import Floats, Ints
from pipeline.job import Accept
from pipeline.surfaces import Shape, distances
from pipeline.values import Rejected

_WITHIN = 2.0, 3.0  # mm, and edges: from a surface that is pointed at
_ALIKE = 0.05  # of the radius
_RIM = 0.3  # of a region a few edges wide: so much at least is more than its rim


@dataclass(frozen=True)
class Refusal:
    """A region that is refused, why, and whether that says that it is cast, and that its form hides in the noise.

    doubt  what is to be told of it where it stands in the end; None where it can't
    """

    region: Region
    reason: str
    cast: bool = False
    fits: bool = True
    doubt: str | None = None


def refused(ground: Segmentation, refusals: Sequence[Refusal], listed: float, labels: Ints) -> list[Rejected]:
    """What was refused, largest first; from `listed` mm2 on, up to its edge, numbered, with place and facets.

    labels  (m,) of each facet the feature that carries it, -1 for none: it is no facet of what was refused
    """
    refusals = sorted(refusals, key=lambda refusal: -refusal.region.area)
    large = [k for k, refusal in enumerate(refusals) if _area_to_edge(ground, refusal.region, listed) >= listed]
    numbers = {k: n for n, k in enumerate(sorted(large, key=lambda k: (not refusals[k].fits, k)), 1)}
    label = np.full(len(ground.vertices), NO_REGION, dtype=np.int32)
    for k in large:
        label[refusals[k].region.members] = k
    carried = facet_labels(ground.faces, label)
    facets = np.flatnonzero((carried != NO_REGION) & (labels < 0)).astype(np.int32)
    facets = facets[np.argsort(carried[facets], kind="stable")]
    starts = np.searchsorted(carried[facets], np.arange(len(refusals) + 1))
    out = []
    for k, refusal in enumerate(refusals):
        rejected = _rejected(ground, refusal)
        if k in numbers:
            rejected = _located(ground, refusal.region, replace(rejected, number=numbers[k]))
            rejected = replace(rejected, facets=facets[starts[k] : starts[k + 1]])
        out.append(rejected)
    return out


def _area_to_edge(ground: Segmentation, region: Region, enough: float) -> float:
    """mm2 of a region with the vertices beside it that lie on it: at an edge they face neither way.

    Counted up where that may bring it to `enough`.
    """
    if region.area >= enough or region.area < _RIM * enough:
        return region.area
    beside = np.unique(
        np.concatenate([ground.indices[ground.indptr[i] : ground.indptr[i + 1]] for i in region.members])
    )
    beside = np.setdiff1d(beside, region.members)
    away = distances(region.code, region.packed, ground.vertices[beside])
    return region.area + float(ground.share[beside[np.abs(away) <= GATE * ground.sigma]].sum())


def _shape_of(ground: Segmentation, region: Region) -> Shape:
    """A region's surface; of a cone that grew from beyond its apex the point is put where it was seen."""
    shape = turned(region.kind.unpack(region.packed), region.sign)
    if not region.kind.tapered or shape.radius is None or shape.radius > 0.0:
        return shape
    assert shape.direction is not None
    along = float(((ground.vertices[region.members] - shape.point) @ shape.direction).mean())
    radius = shape.radius + along * np.tan(shape.half_angle or 0.0)
    return replace(shape, point=shape.point + along * shape.direction, radius=float(radius))


def _rejected(ground: Segmentation, refusal: Refusal) -> Rejected:
    region = refusal.region
    shape = _shape_of(ground, region)
    return Rejected(
        shape.kind,
        shape.point,
        shape.direction,
        shape.radius,
        region.area,
        refusal.reason,
        refusal.cast,
        side_of(shape, region.sign),
        fits=refusal.fits,
    )


def _located(ground: Segmentation, region: Region, rejected: Rejected) -> Rejected:
    shape = _shape_of(ground, region)
    extent = seen(ground, region, shape)
    points = ground.vertices[region.members]
    place = points[np.argmin(np.linalg.norm(points - points.mean(axis=0), axis=1))]
    return replace(rejected, arc=extent.arc, length=extent.length, place=place)


def overruled(
    ground: Segmentation, number: int, wish: Accept, standing: list[ScanPiece], refusals: list[Refusal]
) -> None:
    """Move the refusal that the user accepts to what stands; nothing to do where such a surface stands there already.

    number  of the wish in the job, for errors

    Raises SettingsError where neither is near.
    """
    place = np.array(wish.near.in_scan)
    limit = max(_WITHIN[0], _WITHIN[1] * ground.median_edge)
    off = [_away(ground, refusal.region, place) if _meant(refusal.region, wish) else np.inf for refusal in refusals]
    there = [_away(ground, piece.region, place) if _meant(piece.region, wish) else np.inf for piece in standing]
    nearest, own = min(off, default=np.inf), min(there, default=np.inf)
    if own <= min(limit, nearest):
        k = there.index(own)
        standing[k] = replace(standing[k], accepted=number)
        return
    if nearest <= limit:
        refusal = refusals.pop(off.index(nearest))
        doubt = f"accepted by the user; the scan says: {refusal.reason}"
        standing.append(replace(settled(ground, refusal.region), doubts=(doubt,), accepted=number))
        return
    size = "" if wish.radius is None else f" of radius {wish.radius:g} mm"
    told = f"no {wish.kind}{size} was refused or found within {limit:.1f} mm of its place"
    more = f"; the nearest that was refused lies {nearest:.1f} mm away" if np.isfinite(nearest) else ""
    raise SettingsError(f"recover.accept {number}: {told}{more}; copy the place from the last report.")


def _meant(region: Region, wish: Accept) -> bool:
    radius = region.kind.unpack(region.packed).radius
    return region.kind.name == wish.kind and (
        wish.radius is None or (radius is not None and abs(radius - wish.radius) <= _ALIKE * wish.radius)
    )


def _away(ground: Segmentation, region: Region, place: Floats) -> float:
    return float(np.linalg.norm(ground.vertices[region.members] - place, axis=1).min())
