"""Third stage: the machined surfaces of the scan, with what can be vouched for about each."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.features import building, calipers as caliper_checks, noise, regions, segmentation
from pipeline.features.building import Piece
from pipeline.features.form import form_of
from pipeline.features.kinds.base import unpack
from pipeline.features.naming import ids_for
from pipeline.features.patterns import find_patterns
from pipeline.features.relations import relations
from pipeline.features.uncertainty import assess
from pipeline.job import Caliper, RecoverSettings
from pipeline.progress import Progress
from pipeline.values import (
    CleanResult,
    Feature,
    NoiseModel,
    RecoverResult,
    Rejected,
    Source,
    Uncertainty,
)

_SHORT_ARC = np.radians(120.0)


def recover(
    clean: CleanResult,
    source: Source,
    settings: RecoverSettings,
    calipers: tuple[Caliper, ...],
    progress: Progress,
) -> RecoverResult:
    """Find planes, cylinders, cones, spheres and tori on the measured facets and fit them.

    Features come in the order of their area, largest first. Patches that were looked at and refused are
    listed apart, with the reason.
    """
    surface = clean.surface
    ground = segmentation.prepare(surface, source.noise_sigma)
    progress(0.2, "looking for surfaces")
    found, refused = segmentation.segment(
        ground, settings.kinds, lambda fraction, text="": progress(0.2 + 0.5 * fraction, text)
    )
    found = segmentation.joined(ground, found, settings.kinds)
    segmentation.learned(ground, found)
    for index, region in enumerate(found):
        ground.owner[region.members] = index
    found = [segmentation.grown(ground, region, index) for index, region in enumerate(found)]
    progress(0.7, "fitting")
    pieces, rejected = _sifted(ground, found)
    pieces.sort(key=lambda piece: -piece.extent.area)
    labels = _labels(ground, pieces)
    counts = np.bincount(labels[labels >= 0], minlength=len(pieces))
    pieces = [
        replace(p, extent=replace(p.extent, facets=int(n))) for p, n in zip(pieces, counts, strict=True)
    ]
    progress(0.8, "learning the noise")
    model = noise.learn(
        [noise.Face(p.shape, ground.vertices[p.region.core]) for p in pieces], source.noise_sigma, ground.median_edge
    )
    ids = ids_for([p.shape for p in pieces], [p.side for p in pieces], *map(np.asarray, source.bounds))
    features = tuple(
        caliper_checks.without_coating(_feature(ground, p, name, model), settings.coating_thickness)
        for p, name in zip(pieces, ids, strict=True)
    )
    progress(0.9, "relations and patterns")
    checks, proposal = caliper_checks.check(calipers, features)
    return RecoverResult(
        features,
        labels,
        model or _unlearnt(source.noise_sigma),
        tuple(_rejected(r, reason) for r, reason in sorted(rejected, key=lambda pair: -pair[0].area)),
        relations(features),
        find_patterns(features),
        checks,
        proposal,
        () if proposal is None else (proposal,),
    )


def _sifted(
    ground: segmentation.Ground, found: list[segmentation.Region]
) -> tuple[list[Piece], list[tuple[segmentation.Region, str]]]:
    """The regions that stand, fitted, and the others with the reason; owners end up those of what stands."""
    standing: dict[int, Piece] = {}
    rejected = []
    for index, region in enumerate(found):
        reason = segmentation.form_doubt(ground, region)
        if not reason:
            piece = building.settled(ground, region)
            reason = building.too_little(ground, piece)
        if reason:
            ground.owner[region.members] = regions.FREE
            rejected.append((region, reason))
        else:
            standing[index] = piece
    # How a region ends depends on what stands beside it, and a patch of skin may lean on another.
    changed = True
    while changed:
        changed = False
        for index, piece in sorted(standing.items(), key=lambda item: item[1].extent.area):
            reason = building.blend(piece, segmentation.blending(ground, piece.region, index))
            if reason:
                ground.owner[piece.region.members] = regions.FREE
                rejected.append((piece.region, reason))
                del standing[index]
                changed = True
    return list(standing.values()), rejected


def _labels(ground: segmentation.Ground, pieces: list[Piece]) -> NDArray[np.int32]:
    """(m,) the piece that carries each facet, -1 for none."""
    owner = np.full(len(ground.vertices), regions.FREE, dtype=np.int32)
    for index, piece in enumerate(pieces):
        owner[piece.region.members] = index
    return regions.facet_owners(ground.faces, owner)


def _feature(ground: segmentation.Ground, piece: Piece, name: str, model: NoiseModel | None) -> Feature:
    shape = piece.shape
    uncertainty = assess(
        shape, ground.vertices[piece.region.core], piece.fit.weights, model, arc=piece.extent.arc
    )
    reasons = _doubts(piece, uncertainty)
    return Feature(
        name,
        shape.kind,
        piece.side,
        shape.point,
        shape.direction,
        shape.radius,
        uncertainty,
        form_of(shape, ground.vertices[piece.region.core], noise=model, weights=piece.fit.weights),
        piece.extent,
        shape.half_angle,
        shape.major_radius,
        "low" if reasons else "good",
        reasons,
    )


def _doubts(piece: Piece, uncertainty: Uncertainty) -> tuple[str, ...]:
    out = []
    arc = piece.extent.arc
    if piece.shape.direction is not None and arc is not None and arc < _SHORT_ARC:
        out.append(f"only {np.degrees(arc):.0f} degrees of arc seen")
    if uncertainty.position is None:
        out.append(uncertainty.method)
    return tuple(out)


def _rejected(region: segmentation.Region, reason: str) -> Rejected:
    shape = unpack(region.kind, region.packed)
    return Rejected(shape.kind, shape.point, shape.direction, shape.radius, region.area, reason)


def _unlearnt(sigma: float) -> NoiseModel:
    return NoiseModel(
        sigma, sigma, np.array([[sigma, 0.0]]), "short waves only: no face is large enough to learn longer ones from"
    )


