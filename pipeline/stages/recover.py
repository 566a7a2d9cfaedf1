"""Third stage: the machined surfaces of the scan, with what can be vouched for about each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from pipeline.errors import SettingsError
from pipeline.features.fitting import Piece, Refitted, form_of, refitted, targets, without_coating
from pipeline.features.gauging import check_measured
from pipeline.features.naming import carried_over, named, old_ids
from pipeline.features.relations import find_patterns
from pipeline.features.segmentation import faces_of_scan, faces_of_tessellation
from pipeline.features.uncertainty import (
    LEVEL,
    SHORT_ARC,
    FittedFace,
    Held,
    form_seen,
    holm,
    learn_noise,
    noise_without_form,
    weighed,
    with_scale,
)
from pipeline.geometry import Mask
from pipeline.job import Accept, Measured, RecoverSettings, Refit
from pipeline.progress import Progress
from pipeline.values import (
    CleanResult,
    Feature,
    NameBook,
    NoiseModel,
    RecoverResult,
    Source,
    Taken,
    Uncertainty,
)

NO_NAMES = NameBook()
_LOOSE = np.radians(1.0)  # standard uncertainty: at 95 % two degrees, which lines nothing up


def recover(
    clean: CleanResult,
    source: Source,
    settings: RecoverSettings,
    measured: tuple[Measured, ...],
    progress: Progress,
    names: Mapping[str, str] | None = None,
    refits: tuple[Refit, ...] = (),
    book: NameBook = NO_NAMES,
) -> RecoverResult:
    """Find planes, cylinders, cones, spheres and tori on the measured facets and fit them.

    Features come in the order of their area, largest first. Patches that were looked at and refused are
    listed apart, with the reason. book: the numbers that an earlier run into the same folder gave, which are carried
    over to this scan of the part.
    """
    surface = clean.surface
    if source.noise_sigma > 0.0:
        pieces, labels, rejected = faces_of_scan(
            surface,
            source.noise_sigma,
            settings.kinds,
            settings.min_area,
            progress,
            settings.list_refused,
            settings.accept,
        )
    elif settings.accept:
        raise SettingsError("recover.accept 1: of an exact tessellation nothing is refused; leave it out.")
    else:
        pieces, labels, rejected = faces_of_tessellation(surface, settings.kinds, settings.min_area)
    progress(0.75, "learning the noise")
    faces = [FittedFace(p.shape, p.points) for p in pieces]
    model = learn_noise(faces, source.noise_sigma, source.mean_edge)
    features = []
    for done, piece in enumerate(pieces):
        progress(0.8 + 0.2 * done / len(pieces), "uncertainty and form")
        features.append(_scaled(without_coating(_feature(piece, "", model), settings.coating_thickness), source))
    against = noise_without_form(faces, model, source.noise_sigma, source.mean_edge)
    features = _with_form_judged(features, pieces, against)
    old = old_ids([p.shape for p in pieces], [p.side for p in pieces], *map(np.asarray, source.bounds))
    progress(1.0, "numbers")
    numbering = carried_over(book, features, [p.points for p in pieces], source.sha256)
    features = [replace(f, id=i, old_id=o) for f, i, o in zip(features, numbering.ids, old, strict=True)]
    features = named(features, names or {}, [f.id for f in book.features])
    contradicted = []
    for number, (refit, (mine, reference)) in enumerate(zip(refits, targets(refits, features), strict=True), 1):
        given = None if reference is None else features[reference]
        again = refitted(refit, number, pieces[mine], features[mine], given, settings.coating_thickness)
        features[mine] = _scaled(_held(again, features[mine], model, settings.coating_thickness), source)
        if again.doubt is not None:
            contradicted.append(
                f"{features[mine].name or features[mine].id} was held {again.words} as the job asks, but the scan "
                f"contradicts it: {again.doubt}."
            )
    checks, proposal, taken = check_measured(measured, features)
    taken = (*_accepted(settings.accept, pieces, features), *taken)
    progress(1.0)
    return RecoverResult(
        tuple(features),
        labels,
        model or _unlearnt(source.noise_sigma),
        tuple(rejected),
        find_patterns(features),
        checks,
        (*_cautions(features, model), *numbering.cautions, *contradicted, *([] if proposal is None else [proposal])),
        numbering.book,
        taken,
    )


def _with_form_judged(features: Sequence[Feature], pieces: Sequence[Piece], noise: NoiseModel | None) -> list[Feature]:
    """With whether their form is told from noise, all features together: of perfect parts one in twenty has a feature
    whose form stands out falsely (Holm 1979)."""
    seen = [form_seen(p.shape, p.points[_used(p)], noise) for p in pieces]
    adjusted = iter(holm([s.chance for s in seen if s is not None]).tolist())
    return [
        f
        if s is None
        else replace(
            f,
            form=replace(f.form, told=next(adjusted) <= LEVEL, of_means=s.of_means, noise_of_means=s.noise_of_means),
        )
        for f, s in zip(features, seen, strict=True)
    ]


def _scaled(feature: Feature, source: Source) -> Feature:
    """With the share that the scanner's scale has in its radius."""
    known, scale = feature.uncertainty, source.scale_uncertainty
    radius = with_scale(known.radius, feature.radius or 0.0, scale)
    return replace(feature, uncertainty=replace(known, radius=radius, scale=scale))


def _used(piece: Piece) -> Mask:
    weights = piece.fit.weights
    return np.ones(len(piece.points), dtype=bool) if weights is None else np.asarray(weights) > 0.0


def _accepted(wishes: Sequence[Accept], pieces: Sequence[Piece], features: Sequence[Feature]) -> list[Taken]:
    """What was taken for the places of accepted surfaces."""
    out = []
    for piece, feature in zip(pieces, features, strict=True):
        if piece.accepted is not None:
            place = np.array(wishes[piece.accepted - 1].near.in_scan)
            distance = float(np.linalg.norm(piece.points - place, axis=1).min())
            out.append(Taken(f"recover.accept {piece.accepted}", place, feature.id, distance))
    return sorted(out, key=lambda taken: taken.setting)


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
        orientation=shape.orientation,
    )


def _held(again: Refitted, free: Feature, model: NoiseModel | None, coating: float) -> Feature:
    """The feature of a constrained fit; what the scan has against it makes its confidence low."""
    made = without_coating(_feature(again.piece, free.id, model, again.held), coating)
    reasons = made.reasons
    if again.doubt is not None:
        reasons = (*reasons, f"held {again.words}, which the scan contradicts: {again.doubt}")
    return replace(
        made,
        name=free.name,
        old_id=free.old_id,
        constraint=again.words,
        reasons=reasons,
        confidence="low" if reasons else "good",
    )


def _doubts(piece: Piece, uncertainty: Uncertainty) -> tuple[str, ...]:
    out = list(piece.doubts)
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
    return tuple(out)


def _unlearnt(sigma: float) -> NoiseModel:
    return NoiseModel(
        sigma, sigma, np.array([[sigma, 0.0]]), "short waves only: no face is large enough to learn longer ones from"
    )
