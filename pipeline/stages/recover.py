"""Third stage: the machined surfaces of the scan, with what can be vouched for about each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.features import building, noise, regions, segmentation, tessellation
from pipeline.features import calipers as calipers_module
from pipeline.features.building import Patch, Piece
from pipeline.features.calipers import without_coating
from pipeline.features.form import form_of
from pipeline.features.kinds.base import unpack
from pipeline.features.naming import ids_for, named
from pipeline.features.patterns import find_patterns
from pipeline.features.refits import Refitted, refitted, targets
from pipeline.features.relations import relations
from pipeline.features.uncertainty import SHORT_ARC, Held, weighed
from pipeline.job import Caliper, RecoverSettings, Refit
from pipeline.mesh import topology
from pipeline.mesh.surface import Surface
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

_LOOSE = np.radians(1.0)  # standard uncertainty: at 95 % two degrees, which lines nothing up
_LEAST_FLAT = 2e-5  # of the whole area: the smallest plane looked for on a tessellation


def recover(
    clean: CleanResult,
    source: Source,
    settings: RecoverSettings,
    calipers: tuple[Caliper, ...],
    progress: Progress,
    names: Mapping[str, str] | None = None,
    refits: tuple[Refit, ...] = (),
) -> RecoverResult:
    """Find planes, cylinders, cones, spheres and tori on the measured facets and fit them.

    Features come in the order of their area, largest first. Patches that were looked at and refused are
    listed apart, with the reason.
    """
    surface = clean.surface
    if source.noise_sigma > 0.0:
        pieces, labels, rejected = _on_scan(surface, source, settings, progress)
    else:
        pieces, labels, rejected = _on_tessellation(surface, settings)
    progress(0.75, "learning the noise")
    model = noise.learn([noise.Face(p.shape, p.points) for p in pieces], source.noise_sigma, source.mean_edge)
    ids = ids_for([p.shape for p in pieces], [p.side for p in pieces], *map(np.asarray, source.bounds))
    features = []
    for done, (piece, name) in enumerate(zip(pieces, ids, strict=True)):
        progress(0.8 + 0.2 * done / len(pieces), "uncertainty and form")
        features.append(without_coating(_feature(piece, name, model), settings.coating_thickness))
    features = named(features, names or {})
    for number, (refit, (mine, reference)) in enumerate(zip(refits, targets(refits, features), strict=True), 1):
        given = None if reference is None else features[reference]
        again = refitted(refit, number, pieces[mine], features[mine], given, settings.coating_thickness)
        features[mine] = _held(again, features[mine], model, settings.coating_thickness)
    checks, proposal = calipers_module.check(calipers, features)
    progress(1.0)
    return RecoverResult(
        tuple(features),
        labels,
        model or _unlearnt(source.noise_sigma),
        tuple(rejected),
        relations(features),
        find_patterns(features),
        checks,
        (*_cautions(features, model), *([] if proposal is None else [proposal])),
    )


def _on_scan(
    surface: Surface, source: Source, settings: RecoverSettings, progress: Progress
) -> tuple[list[Piece], NDArray[np.int32], list[Rejected]]:
    ground = segmentation.prepare(surface, source.noise_sigma)
    progress(0.15, "looking for surfaces")
    found = segmentation.search(
        ground, settings.kinds, lambda fraction, text="": progress(0.15 + 0.45 * fraction, text)
    )
    for index, region in enumerate(found):
        ground.owner[region.members] = index
    found = [segmentation.grown(ground, region, index) for index, region in enumerate(found)]
    progress(0.65, "fitting")
    patches, rejected = _sifted(ground, found)
    small = [p for p in patches if p.extent.area < settings.min_area]
    rejected += [(p.region, "smaller than the least area asked for", False) for p in small]
    patches = sorted((p for p in patches if p.extent.area >= settings.min_area), key=lambda p: -p.extent.area)
    labels = _labels(ground, patches)
    counts = np.bincount(labels[labels >= 0], minlength=len(patches))
    pieces: list[Piece] = [
        replace(p, extent=replace(p.extent, facets=int(n))) for p, n in zip(patches, counts, strict=True)
    ]
    rejected.sort(key=lambda row: -row[0].area)
    return pieces, labels, [_rejected(*row) for row in rejected]


def _on_tessellation(
    surface: Surface, settings: RecoverSettings
) -> tuple[list[Piece], NDArray[np.int32], list[Rejected]]:
    v, f = surface.vertices, surface.faces
    areas = topology.facet_areas(v, f)
    allowed = np.array([name in settings.kinds for name in segmentation.NAMES])
    least = max(settings.min_area, _LEAST_FLAT * float(areas.sum()))
    owner, codes, shapes, signs = tessellation.faces_of(
        v, f, topology.facet_normals(v, f), areas, topology.facet_neighbours(f, len(v)), allowed, least
    )
    order = np.argsort(owner, kind="stable")
    bounds = np.searchsorted(owner[order], np.arange(len(codes) + 1))
    made = []
    for index, code in enumerate(codes):
        facets = order[bounds[index] : bounds[index + 1]]
        name = segmentation.NAMES[code]
        made.append((facets, building.from_facets(surface, name, shapes[index], float(signs[index]), facets)))
    made = [(facets, piece) for facets, piece in made if piece.extent.area >= settings.min_area]
    made.sort(key=lambda pair: -pair[1].extent.area)
    labels = np.full(len(f), -1, dtype=np.int32)
    for index, (facets, _) in enumerate(made):
        labels[facets] = index
    return [piece for _, piece in made], labels, []


def _sifted(
    ground: segmentation.Ground, found: list[segmentation.Region]
) -> tuple[list[Patch], list[tuple[segmentation.Region, str, bool]]]:
    """The regions that stand, fitted, and the others with the reason and whether that says that they are cast.

    Owners end up those of what stands.
    """
    standing: dict[int, Patch] = {}
    rejected = []
    carried = regions.facet_owners(ground.faces, ground.owner)
    areas = topology.facet_areas(ground.vertices, ground.faces)
    whole = np.bincount(carried[carried >= 0], areas[carried >= 0], minlength=len(found))
    for index, region in enumerate(found):
        reason = segmentation.form_doubt(ground, region)
        cast = reason is not None
        if not reason:
            piece = building.settled(ground, region)
            reason = building.too_little(ground, piece, whole[index])
            cast = reason is not None and building.bow(piece) is not None
        if reason:
            ground.owner[region.members] = regions.FREE
            rejected.append((region, reason, cast))
        else:
            standing[index] = piece
    # How a region ends depends on what stands beside it, and a patch of skin may lean on another.
    changed = True
    while changed:
        changed = False
        for index, piece in sorted(standing.items(), key=lambda item: item[1].extent.area):
            reason = building.blend(piece, segmentation.blending(ground, piece.region, index, building.breadth(piece)))
            if reason:
                ground.owner[piece.region.members] = regions.FREE
                rejected.append((piece.region, reason, True))
                del standing[index]
                changed = True
    return list(standing.values()), rejected


def _labels(ground: segmentation.Ground, pieces: list[Patch]) -> NDArray[np.int32]:
    """(m,) the piece that carries each facet, -1 for none."""
    owner = np.full(len(ground.vertices), regions.FREE, dtype=np.int32)
    for index, piece in enumerate(pieces):
        owner[segmentation.carriers(ground, piece.region)] = index
    return regions.facet_owners(ground.faces, owner)


def _feature(piece: Piece, name: str, model: NoiseModel | None, held: Held | None = None) -> Feature:
    shape, weights = piece.shape, piece.fit.weights
    uncertainty, left = weighed(shape, piece.points, weights, model, arc=piece.extent.arc, held=held)
    reasons = _doubts(piece, uncertainty)
    return Feature(
        name,
        shape.kind,
        piece.side,
        shape.point,
        shape.direction,
        shape.radius,
        uncertainty,
        form_of(shape, piece.points, piece.fit.residuals, left, weights=weights),
        piece.extent,
        shape.half_angle,
        shape.major_radius,
        "low" if reasons else "good",
        reasons,
    )


def _held(again: Refitted, free: Feature, model: NoiseModel | None, coating: float) -> Feature:
    """The feature of a constrained fit; what the scan has against it makes its confidence low."""
    made = without_coating(_feature(again.piece, free.id, model, again.held), coating)
    reasons = made.reasons
    if again.doubt is not None:
        reasons = (*reasons, f"held {again.words}, which the scan contradicts: {again.doubt}")
    return replace(
        made, name=free.name, constraint=again.words, reasons=reasons, confidence="low" if reasons else "good"
    )


def _doubts(piece: Piece, uncertainty: Uncertainty) -> tuple[str, ...]:
    out = []
    arc = piece.extent.arc
    if piece.extent.length is not None and arc is not None and arc < SHORT_ARC:
        out.append(f"only {np.degrees(arc):.0f} degrees of arc seen: radius and position go together")
    if uncertainty.position is None:
        out.append(uncertainty.method)
    if uncertainty.direction is not None and uncertainty.direction > _LOOSE:
        out.append(f"its direction is uncertain by {np.degrees(uncertainty.direction):.1f} degrees")
    return tuple(out)


def _cautions(features: Sequence[Feature], model: NoiseModel | None) -> tuple[str, ...]:
    out = []
    if not features:
        out.append("No machined surface was recognised: check the units, and whether the scan is smoothed or coarse.")
    elif model is None:
        out.append("No face is large enough to learn the scan's noise from: no uncertainty is given for any feature.")
    out += [f"{f.name or f.id}: {f.reasons[-1]}" for f in features if f.constraint and f.confidence == "low"]
    return tuple(out)


def _rejected(region: segmentation.Region, reason: str, cast: bool) -> Rejected:
    shape = unpack(region.kind, region.packed)
    return Rejected(shape.kind, shape.point, shape.direction, shape.radius, region.area, reason, cast)


def _unlearnt(sigma: float) -> NoiseModel:
    return NoiseModel(
        sigma, sigma, np.array([[sigma, 0.0]]), "short waves only: no face is large enough to learn longer ones from"
    )


