"""Audits as records: of a run, and of any two meshes that are compared."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from pipeline.formats.datum_file.figures import known, matrix, plain, vector
from pipeline.formats.datum_file.missing import Missing
from pipeline.formats.datum_file.records import (
    AlignmentRecord,
    AuditRecord,
    BothWays,
    BudgetRecord,
    ComparedFeature,
    ComparisonRecord,
    DeviationRecord,
    FeatureAuditRecord,
    FitChange,
    PeakPlace,
    ScanAndLight,
    SharpEdgesRecord,
    SoundnessRecord,
    held_of,
)
from pipeline.geometry import transformed
from pipeline.values import Alignment, Audit, BudgetLine, Deviation, Feature, FeatureAudit


def audit_record(audit: Audit, to_part: np.ndarray | None, missing: Missing) -> AuditRecord:
    """An audit in the file's units. to_part (4, 4): scan -> part coordinates, None where there is no part frame."""
    asked: dict[str, Any] = {}
    if audit.second_opinion is not None:
        asked["second_opinion"] = BothWays(
            scan_to_light=_deviation(audit.second_opinion.scan_to_light, to_part),
            light_to_scan=_deviation(audit.second_opinion.light_to_scan, to_part),
        )
    if audit.sharp_edges is not None:
        sharp = audit.sharp_edges
        asked["sharp_edges"] = SharpEdgesRecord(
            area=known(sharp.area),
            from_scan=known(sharp.from_scan),
            from_features=known(sharp.from_features),
            left=sharp.left,
        )
    if audit.soundness is not None:
        (open_scan, open_light), (scan, light) = audit.soundness.open_edges, audit.soundness.crossing
        asked["soundness"] = SoundnessRecord(
            open_edges=ScanAndLight(scan=open_scan, light=open_light),
            crossing_facets=ScanAndLight(scan=scan, light=light),
        )
    return AuditRecord(
        budget=tuple(_budget(line, to_part, missing) for line in audit.budget),
        within_budget=audit.within_budget,
        scan_to_light=_deviation(audit.scan_to_light, to_part),
        light_to_scan=_deviation(audit.light_to_scan, to_part),
        noise_aside=None
        if audit.noise_aside is None
        else BothWays(
            scan_to_light=_deviation(audit.noise_aside[0], to_part),
            light_to_scan=_deviation(audit.noise_aside[1], to_part),
        ),
        **asked,
        facets_before=audit.facets_before,
        facets_after=audit.facets_after,
        area_filled=known(audit.area_filled),
        area_measured=known(audit.area_measured),
        area_removed=known(audit.area_removed),
        noise_sigma=plain(audit.noise_sigma),
        lightening_rms=plain(audit.lightening_rms),
    )


def comparison_record(audit: Audit) -> ComparisonRecord:
    """Two meshes compared: the audit, each feature's, and how the one was laid on the other, if it was.

    Lengths mm, angles in degrees as in the datum file. Figures that are no numbers become None; ValueError where areas
    or limits of the budget are none.

    >>> from pipeline.values import SecondOpinion
    >>> far = Deviation(0.004, 0.009, 0.02, 0.028, 0.09, np.zeros(3), 1000)
    >>> audit = Audit(
    ...     far, far, (), (), True, 20_000, 1000, 500.0, 0.0, 0.0, 0.012, second_opinion=SecondOpinion(far, far)
    ... )
    >>> record = comparison_record(audit)
    >>> record.scan_to_light.max, record.facets_after, record.motion[0]
    (0.09, 1000, (1.0, 0.0, 0.0, 0.0))
    """
    made = audit_record(audit, None, Missing())
    told = {name: value for name, value in made if name in made.model_fields_set}
    if not audit.budget:
        del told["within_budget"]
    if audit.filled is not None:
        told["filled"] = _deviation(audit.filled, None)
    lies = audit.alignment
    if lies is not None:
        told["aligned"] = _alignment(lies)
    return ComparisonRecord(
        **told,
        features=tuple(_compared(f) for f in audit.features),
        cautions=audit.cautions,
        motion=matrix(np.eye(4) if lies is None else lies.motion),
    )


def _alignment(lies: Alignment) -> AlignmentRecord:
    standard = None
    if lies.covariance is not None:
        x, y, z, a, b, c = np.sqrt(np.diag(lies.covariance)).tolist()
        standard = (x, y, z, math.degrees(a), math.degrees(b), math.degrees(c))
    return AlignmentRecord(by=lies.by, standard=standard, corner=plain(lies.corner))


def _compared(audit: FeatureAudit) -> ComparedFeature:
    laid: dict[str, Any] = {}
    if audit.by_pose is not None:
        shift, tilt = audit.by_pose
        laid = {"shift_by_pose": plain(shift), "tilt_by_pose": plain(tilt, degrees=True)}
    return ComparedFeature(**dict(_changes(audit)), id=audit.feature, light_vertices=audit.light_vertices, **laid)


def feature_audit(feature: Feature, audit: FeatureAudit | None, missing: Missing) -> FeatureAuditRecord | None:
    """What the audit says of a feature; what it lacks is noted in `missing`."""
    if audit is None:
        missing.note("audit after lightening", "the audit did not cover it", feature.id)
        return None
    made, held = _changes(audit), held_of()[feature.kind]
    expected = (
        ("shift", made.shift, True),
        ("tilt", made.tilt, held.direction),
        ("radius change", made.radius_change, held.radius),
    )
    lacking = [name for name, figure, there in expected if there and figure is None]
    if lacking:
        why = audit.note or f"{audit.light_vertices} vertices of the light mesh carry it"
        missing.note(f"{', '.join(lacking)} by lightening", why, feature.id)
    return made


def _changes(audit: FeatureAudit) -> FeatureAuditRecord:
    shift, tilt, radius_change = audit.on_facets or (None, None, None)
    return FeatureAuditRecord(
        shift=plain(audit.shift),
        tilt=plain(audit.tilt, degrees=True),
        radius_change=plain(audit.radius_change),
        on_facets=FitChange(shift=plain(shift), tilt=plain(tilt, degrees=True), radius_change=plain(radius_change)),
        worst=plain(audit.worst),
        verdict=audit.verdict,
        note=audit.note,
    )


def _budget(line: BudgetLine, to_part: np.ndarray | None, missing: Missing) -> BudgetRecord:
    where, placed = line.where, {}
    if line.place is not None:
        place = line.place if to_part is None else transformed(to_part, line.place)
        where = f"at {'scan: ' if to_part is None else ''}[{', '.join(f'{v:z.2f}' for v in place)}]"
        if to_part is not None:
            placed["in_part_frame"] = PeakPlace(where=vector(place))
    degrees = line.unit == "rad"
    why = where or "no figure"
    return BudgetRecord(
        what=line.what,
        limit=known(line.limit, degrees),
        value=missing.figure(line.value, f"budget figure {line.what!r}", why, degrees=degrees),
        unit="deg" if degrees else line.unit,
        held=line.held,
        where=where,
        **placed,
    )


def _deviation(deviation: Deviation, to_part: np.ndarray | None) -> DeviationRecord:
    placed: dict[str, Any] = {}
    if deviation.by_pose is not None:
        placed["max_by_pose"] = plain(deviation.by_pose)
    if to_part is not None:
        placed["in_part_frame"] = PeakPlace(where=vector(transformed(to_part, deviation.where)))
    return DeviationRecord(
        mean=plain(deviation.mean),
        rms=plain(deviation.rms),
        p95=plain(deviation.p95),
        p99=plain(deviation.p99),
        max=plain(deviation.max),
        where=vector(deviation.where),
        samples=deviation.samples,
        **placed,
    )
