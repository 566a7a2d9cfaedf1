"""Features, patterns, relations and the set-ups that share them as records."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from pipeline.formats.datum_file.audit_parts import feature_audit
from pipeline.formats.datum_file.figures import known, known_vector, matrix, place, plain, vector
from pipeline.formats.datum_file.missing import Missing
from pipeline.formats.datum_file.records import (
    BallRecord,
    BendRecord,
    ExtentRecord,
    FeatureRecord,
    FormRecord,
    MisfitRecord,
    PatternPlace,
    PatternRecord,
    PlaceRecord,
    PlaceUncertainty,
    PoseUncertainty,
    RelationRecord,
    SetUpRecord,
    SharedRecord,
    SourceRecord,
    UncertaintyRecord,
    held_of,
)
from pipeline.geometry import transformed, turned, unit_rows
from pipeline.values import Feature, FeatureAudit, InPart, Pattern, Relation, SetUpJoin, Source

_ANGLE_RELATIONS = ("parallel", "perpendicular", "angle")


def feature_record(
    feature: Feature,
    matrix: np.ndarray,
    audit: FeatureAudit | None,
    in_part: InPart | None,
    missing: Missing,
) -> FeatureRecord:
    """A feature in the file's units. matrix (4, 4): scan -> part coordinates; what it lacks is noted in `missing`."""
    form, extent = feature.form, feature.extent
    why = "; ".join(feature.reasons) or feature.uncertainty.method
    way = None if feature.direction is None else unit_rows(turned(matrix, feature.direction))
    own: dict[str, Any] = {}
    placed = {}
    if feature.old_id is not None:
        own["old_id"] = feature.old_id
    if feature.orientation is not None:
        own["orientation"] = known_vector(feature.orientation)
        placed["orientation"] = known_vector(unit_rows(turned(matrix, feature.orientation)))
    return FeatureRecord(
        id=feature.id,
        name=feature.name,
        kind=feature.kind,
        side=feature.side,  # type: ignore[arg-type]  # held by the record
        machined=feature.machined,
        constraint=feature.constraint,
        confidence=feature.confidence,  # type: ignore[arg-type]  # held by the record
        reasons=feature.reasons,
        point=known_vector(feature.point),
        direction=vector(feature.direction),
        radius=plain(feature.radius),
        half_angle=plain(feature.half_angle, degrees=True),
        major_radius=plain(feature.major_radius),
        in_part_frame=PlaceRecord(
            point=known_vector(transformed(matrix, feature.point)),
            direction=vector(way),
            uncertainty=_in_part(feature, in_part, missing),
            **placed,
        ),
        extent=ExtentRecord(
            area=known(extent.area),
            length=plain(extent.length),
            arc=plain(extent.arc, degrees=True),
            along=place(extent.along),
            facets=extent.facets,
        ),
        uncertainty=_spread(feature, why, missing),
        form=FormRecord(
            rms=missing.figure(form.rms, "form error", why, feature.id),
            peak_to_valley=missing.figure(form.peak_to_valley, "peak to valley", why, feature.id),
            inliers=plain(form.inliers),
            standard=form.standard,
            minimum_zone=plain(form.minimum_zone),
            noise_share=plain(form.noise_share),
            told=form.told,
            of_means=plain(form.of_means),
            noise_of_means=plain(form.noise_of_means),
        ),
        audit=feature_audit(feature, audit, missing),
        **own,
    )


def _spread(feature: Feature, why: str, missing: Missing) -> UncertaintyRecord:
    spread, held = feature.uncertainty, held_of()[feature.kind]
    position = plain(spread.position)
    direction = plain(spread.direction, degrees=True)
    radius = plain(spread.radius)
    expected = (("position", position, True), ("direction", direction, held.direction), ("radius", radius, held.radius))
    lacking = [name for name, figure, there in expected if there and figure is None]
    if lacking:
        missing.note(f"uncertainty of {', '.join(lacking)}", why, feature.id)
    return UncertaintyRecord(position=position, direction=direction, radius=radius, method=spread.method)


def _in_part(feature: Feature, in_part: InPart | None, missing: Missing) -> PlaceUncertainty | None:
    """What is known of the place against the part frame: the feature's own uncertainty and the frame's together."""
    position = None if in_part is None else plain(in_part.position)
    direction = None if in_part is None else plain(in_part.direction_uncertainty, degrees=True)
    if position is None and feature.uncertainty.position is not None:
        missing.note("uncertainty in part coordinates", "that of the part frame is not known", feature.id)
    if position is None and direction is None:
        return None
    return PlaceUncertainty(position=position, direction=direction)


def pattern_record(pattern: Pattern, matrix: np.ndarray) -> PatternRecord:
    """A pattern in the file's units. matrix (4, 4): scan -> part coordinates."""
    at: dict[str, Any] = {}
    if pattern.centre is not None:
        normal = None if pattern.normal is None else unit_rows(turned(matrix, pattern.normal))
        centre = known_vector(transformed(matrix, pattern.centre))
        at["in_part_frame"] = PatternPlace(centre=centre, normal=vector(normal))
    if pattern.size_sigma is not None:
        at["size_uncertainty"] = plain(pattern.size_sigma)
    return PatternRecord(
        kind=pattern.kind,
        members=pattern.members,
        centre=vector(pattern.centre),
        normal=vector(pattern.normal),
        diameter=plain(pattern.diameter),
        count=pattern.count,
        missing=pattern.missing,
        phase=plain(pattern.phase, degrees=True),
        rms=plain(pattern.rms),
        size=place(pattern.size),
        note=pattern.note,
        **at,
    )


def relation_record(relation: Relation, missing: Missing) -> RelationRecord:
    """A relation in the file's units; what it lacks is noted in `missing`."""
    degrees = relation.kind in _ANGLE_RELATIONS
    pair = " and ".join(relation.between)
    more: dict[str, Any] = {}
    if relation.p_adjusted is not None:
        more["p_adjusted"] = known(relation.p_adjusted)
    if relation.over is not None:
        more["over"] = place(relation.over)
    what = f"uncertainty of the relation {relation.kind!r}"
    why = "it was not assessed for one of the two"
    return RelationRecord(
        kind=relation.kind,
        between=relation.between,
        value=missing.figure(relation.value, f"value of the relation {relation.kind!r}", why, pair, degrees),
        uncertainty=missing.figure(relation.uncertainty, what, why, pair, degrees),
        unit="deg" if degrees else "mm",
        **more,
    )


def set_up_record(one: SetUpJoin, source: Callable[[Source], SourceRecord]) -> SetUpRecord:
    """Where a set-up lies, and what that hangs on; `source` makes the record of a scan."""
    spread = np.sqrt(np.maximum(np.diag(one.covariance), 0.0))
    told: dict[str, Any] = {}
    if one.scale is not None:
        told = {"scale": 1e3 * one.scale[0], "scale_uncertainty": 1e3 * one.scale[1]}
    if one.bend is not None:
        told["bend"] = BendRecord(
            bow=known(one.bend.bow),
            bow_uncertainty=known(one.bend.bow_sigma),
            twist=known(one.bend.twist, degrees=True),
            twist_uncertainty=known(one.bend.twist_sigma, degrees=True),
            length=known(one.bend.length),
            stands_out=one.bend.stands_out,
        )
    if one.balls:
        told["balls"] = tuple(
            BallRecord(
                place=known_vector(b.place),
                diameter=known(b.diameters[1]),
                diameter_there=known(b.diameters[0]),
                off=known(b.off),
                off_within=known(b.expanded),
                apart=b.apart,
            )
            for b in one.balls
        )
    return SetUpRecord(
        source=source(one.source),
        onto=one.onto,
        matrix=matrix(one.motion),
        uncertainty=PoseUncertainty(
            translation=known_vector(spread[:3]),
            rotation=known_vector(np.degrees(spread[3:])),
            covariance=tuple(tuple(known(v) for v in row) for row in one.covariance),
        ),
        corner_within=known(one.corner),
        overlap=known(one.overlap),
        clash=known(one.clash),
        shared=tuple(
            SharedRecord(
                feature=s.feature,
                off=known(s.off),
                tilt=known(s.tilt, degrees=True),
                off_within=known(s.expanded[0]),
                tilt_within=known(s.expanded[1], degrees=True),
                apart=s.apart,
            )
            for s in one.shared
        ),
        misfits=tuple(
            MisfitRecord(
                place=known_vector(place), off=known(off), uncertainty=known(sigma), **({"seam": True} if seam else {})
            )
            for place, off, sigma, seam in zip(one.places, one.off, one.sigma, one.at_seam, strict=True)
        ),
        **told,
    )
