"""The audit stage: what lightening cost, against the budget."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.coverage import SINGLE
from pipeline.features.joining import (
    SetUp,
    SetUpPose,
    at_corner,
    by_pose,
    by_pose_along,
    set_up_poses,
    settled_from,
)
from pipeline.features.simplification import (
    Distances,
    Target,
    best_fit,
    compare_features,
    filled_apart,
    labels_by_nearness,
    measured_again,
    moved_by,
    noise_reach,
    snapping_reach,
    soundness,
    target_surface,
    two_sided,
    with_sharp_edges,
)
from pipeline.features.uncertainty import without_scale
from pipeline.job import AuditSettings
from pipeline.lengths import mm, um
from pipeline.mesh.query import Scene
from pipeline.mesh.topology import facet_areas, facet_neighbours, facet_normals
from pipeline.progress import Progress, silent
from pipeline.values import (
    FILLED,
    Alignment,
    Audit,
    AuditResult,
    BudgetLine,
    CleanResult,
    Deviation,
    Feature,
    FeatureAudit,
    FillResult,
    LightenResult,
    RecoverResult,
    Removal,
    SecondOpinion,
    SharpEdges,
    Soundness,
    Source,
    Surface,
    Uncertainty,
)


def audit(
    clean_removals: tuple[Removal, ...],
    recover: RecoverResult,
    fill: FillResult,
    lighten: LightenResult,
    source: Source,
    settings: AuditSettings,
    progress: Progress = silent,
) -> AuditResult:
    """Hold the light mesh against the measured facets of the scan, and each feature against its refit.

    Where rounded edges were made sharp on request it is held against the features up to where they meet; what that
    leaves of the scan is told apart.

    Raises GeometryError when one of the meshes has no facets, SettingsError where a second opinion can't be had.
    """
    scan = fill.surface
    progress(0.0, "removing the scan's noise")
    target = _noise_aside(scan, fill.labels, recover.features, source)
    rounded = None
    if lighten.sharp:
        left = np.asarray(lighten.left, dtype=np.int32)
        reach = snapping_reach(source.noise_sigma, source.mean_edge)
        target, rounded = with_sharp_edges(
            target, scan.vertices, scan.faces, fill.labels, recover.features, reach, left
        )
    progress(0.3, "measuring distances both ways")
    scene = Scene(Surface(target.vertices, scan.faces, scan.origin))
    apart = two_sided(scan, scene, target, lighten.surface, lighten.labels, rounded=rounded)
    second = None
    if settings.second_opinion:
        progress(0.6, "having them measured by another library")
        second = measured_again(scan, scene, target, lighten.surface, apart)
    del scene
    progress(0.8, "fitting the features on the light mesh")
    features = compare_features(recover.features, lighten.surface, lighten.labels)
    areas = facet_areas(scan.vertices, scan.faces)
    filled = scan.origin == FILLED
    sharp = None
    if rounded is not None and apart.rounded is not None:
        area = float(areas[rounded[scan.faces].all(axis=1) & ~filled].sum())
        sharp = SharpEdges(area, *apart.rounded, len(lighten.left))
    return AuditResult(
        conclude(
            recover.features, features, apart, settings, source,
            facets_before=source.facets, light=lighten.surface,
            area_measured=float(areas[~filled].sum()), area_filled=float(areas[filled].sum()),
            area_removed=sum(r.area for r in (*clean_removals, *fill.carved)), second=second,
            sharp=sharp, sound=soundness(scan, lighten.surface),
        ),
        apart.signed,
    )  # fmt: skip


def _noise_aside(scan: Surface, labels: NDArray[np.int32], features: tuple[Feature, ...], source: Source) -> Target:
    """The scan as it would be without its noise."""
    reach = noise_reach(source.noise_sigma)
    return target_surface(scan.vertices, scan.faces, labels, features, reach, source.noise_sigma)


def compare(
    clean: CleanResult, recover: RecoverResult, source: Source, light: Surface, settings: AuditSettings, *,
    aligned: tuple[SetUp, SetUp] | None = None, progress: Progress = silent,
) -> Audit:  # fmt: skip
    """Audit a mesh from anywhere against a scan whose features are known.

    The mesh is taken as it lies, or, with `aligned`, the scan and the mesh each as recovered alone, where its features
    and skin lie on the scan's; what that leaves open of the figures is told with them. It brings no labels:
    they are carried over by nearness. What of it lies beyond a border of the scan is compared with nothing, and
    neither are its filled facets, whose distances are told apart.

    Raises GeometryError when one of the two has no facets, or they lie far apart, and SettingsError where a second
    opinion can't be had.
    """
    scan = clean.surface
    progress(0.0, "removing the scan's noise")
    target = _noise_aside(scan, recover.labels, recover.features, source)
    noise_free = Surface(target.vertices, scan.faces, scan.origin)
    scene = Scene(noise_free)
    lies: Alignment | None = None
    open_place: tuple[str, ...] = ()
    if aligned is not None:
        progress(0.2, "laying one mesh onto the other")
        lies, open_place = _laid(*aligned, light, noise_free, scene)
        light = moved_by(lies.motion, light)
    progress(0.4, "measuring distances both ways")
    filled = light.origin == FILLED
    labels = np.where(filled, np.int32(-1), labels_by_nearness(scan, target.labels, light, scene))
    border = (facet_neighbours(scan.faces, len(scan.vertices)) == -1).any(axis=1)
    apart = two_sided(scan, scene, target, light, labels, unknown=border)
    second = None
    if settings.second_opinion:
        progress(0.6, "having them measured by another library")
        second = measured_again(scan, scene, target, light, apart, unknown=border)
    progress(0.8, "fitting the features on the light mesh")
    changes = compare_features(recover.features, light, labels, robust=True)
    if lies is not None and lies.covariance is not None:
        unsure = [by_pose(feature, lies.covariance) for feature in recover.features]
        changes = [replace(change, by_pose=one) for change, one in zip(changes, unsure, strict=True)]
    areas = facet_areas(light.vertices, light.faces)
    found = conclude(
        recover.features, changes, apart, settings, source, facets_before=source.facets, light=light,
        area_measured=float(areas[~filled].sum()), area_filled=float(areas[filled].sum()),
        area_removed=sum(r.area for r in clean.removals), second=second,
    )  # fmt: skip
    found = replace(found, filled=filled_apart(light, scene), alignment=lies)
    if lies is not None and lies.covariance is not None:
        found = _unsure(found, lies.covariance, scan, scene)
    return replace(found, cautions=(*open_place, *found.cautions))


def _laid(
    stays: SetUp, laid: SetUp, light: Surface, noise_free: Surface, scene: Scene
) -> tuple[Alignment, tuple[str, ...]]:
    """Where a mesh lies on a scan, and a caution where what both show does not tell."""
    poses = set_up_poses(stays, laid)
    if len(poses) == 1 and not len(poses[0].open):
        return _alignment(stays, poses[0]), ()
    motion = best_fit(light, noise_free, scene)
    if poses:
        how = f"could lie on SCAN in {len(poses)} places" if len(poses) > 1 else "can turn or slide on SCAN"
        return Alignment(motion), (
            f"LIGHT {how}, and nothing that both show tells which is right; it was laid where its facets fit best, and "
            "no figure says what another place would make of it: mark the part, or compare both in one place.",
        )
    settled = settled_from(stays, laid, motion)
    caution = (
        "LIGHT and SCAN show too few features in common to tell where it lies: it was laid where its facets fit best, "
        "and whether it fits in another place too was not looked at"
    )
    if settled is None:
        return Alignment(motion), (f"{caution}; how well that place is known can't be told.",)
    return _alignment(stays, settled), (f"{caution}.",)


def _alignment(stays: SetUp, pose: SetUpPose) -> Alignment:
    by = tuple(stays.features[i].id for i, _ in pose.pairs)
    return Alignment(pose.motion, pose.covariance, by, at_corner(pose.covariance, stays.surface.vertices))


def _unsure(found: Audit, pose: NDArray[np.float64], scan: Surface, scene: Scene) -> Audit:
    """The audit with what a pose of some covariance (6, 6) leaves open of its distances and promises."""

    def known(deviation: Deviation) -> Deviation:
        place = deviation.where[None]
        way = facet_normals(scan.vertices, scan.faces[scene.closest(place)[1]])
        return replace(deviation, by_pose=SINGLE * float(by_pose_along(place, way, pose)[0]))

    forth, back = found.noise_aside or (found.scan_to_light, found.light_to_scan)
    forth, back = known(forth), known(back)
    whole = {"deviation": (forth if forth.max >= back.max else back).by_pose}
    of_feature = {change.feature: change.by_pose for change in found.features}
    open_ = []
    for line in found.budget:
        within = whole.get(line.what)
        one = of_feature.get(line.where)
        if one is not None and line.what in ("axis shift", "deviation of a feature"):
            within = one[0]
        elif one is not None and line.what == "tilt":
            within = one[1]
        if within is not None and line.value is not None and abs(line.value - line.limit) < within:
            unsure = f"{math.degrees(within):.3g} deg" if line.unit == "rad" else mm(within)
            at = f" of {line.where}" if line.where else ""
            open_.append(
                f"Whether the {line.what}{at} is held can't be told: it is nearer to its limit than the place of LIGHT "
                f"is known there, within {unsure} (95 %)."
            )
    return replace(
        found,
        scan_to_light=known(found.scan_to_light),
        light_to_scan=known(found.light_to_scan),
        noise_aside=None if found.noise_aside is None else (forth, back),
        cautions=(*found.cautions, *open_),
    )


def conclude(
    features: tuple[Feature, ...], changes: list[FeatureAudit], apart: Distances, settings: AuditSettings,
    source: Source, *, facets_before: int, light: Surface, area_measured: float, area_filled: float,
    area_removed: float, second: SecondOpinion | None = None, sharp: SharpEdges | None = None,
    sound: Soundness | None = None,
) -> Audit:  # fmt: skip
    """Judge distances and changes against the budget."""
    changes = [replace(c, worst=float(w)) for c, w in zip(changes, apart.worst_of_feature, strict=True)]
    lines = _deviation_lines(changes, apart, settings.max_deviation)
    lines += _feature_lines(changes, "axis shift", "mm", settings.max_axis_shift, lambda c: c.shift)
    lines += _feature_lines(changes, "radius change", "mm", settings.max_radius_change, lambda c: c.radius_change)
    tilt = None if settings.max_tilt is None else math.radians(settings.max_tilt)
    lines += _feature_lines(changes, "tilt", "rad", tilt, lambda c: c.tilt)
    over = {line.where for line in lines if not line.held}
    judged = tuple(_judge(f, c, f.id in over) for f, c in zip(features, changes, strict=True))
    unknown: dict[str, list[str]] = {}
    for j in judged:
        if j.verdict == "unknown":
            unknown.setdefault(j.note, []).append(j.feature)
    cautions = [
        f"What lightening did to {', '.join(ids)} can't be vouched for: {note}." for note, ids in unknown.items()
    ]
    cautions += [] if second is None else second.cautions
    return Audit(
        apart.scan_to_light, apart.light_to_scan, judged, tuple(lines), all(line.held for line in lines),
        facets_before, light.facets, area_measured, area_filled, area_removed, source.noise_sigma,
        apart.noise_aside[0].rms, tuple(cautions), apart.noise_aside, second, sharp, sound,
    )  # fmt: skip


def _deviation_lines(changes: list[FeatureAudit], apart: Distances, limit: float | None) -> list[BudgetLine]:
    """One line for the whole surface, and one for each feature that breaks the limit."""
    if limit is None:
        return []
    forth, back = apart.noise_aside
    worst = forth if forth.max >= back.max else back
    lines = [BudgetLine("deviation", limit, worst.max, "mm", worst.max <= limit, place=worst.where)]
    for change in changes:
        if change.worst is not None and change.worst > limit:
            lines.append(BudgetLine("deviation of a feature", limit, change.worst, "mm", False, change.feature))
    return lines


def _feature_lines(changes, what, unit, limit, figure) -> list[BudgetLine]:  # type: ignore[no-untyped-def]
    """A line for each feature over the limit, or one for the worst where none is."""
    if limit is None:
        return []
    known = [(abs(figure(c)), c.feature) for c in changes if figure(c) is not None]
    over = sorted((item for item in known if item[0] > limit), reverse=True)
    if over:
        return [BudgetLine(what, limit, value, unit, False, feature) for value, feature in over]
    if known:
        value, feature = max(known)
        return [BudgetLine(what, limit, value, unit, True, feature)]
    return [BudgetLine(what, limit, None, unit, True, "no feature has this figure")]


def _judge(feature: Feature, change: FeatureAudit, over: bool) -> FeatureAudit:
    if over:
        return replace(change, verdict="over budget", note=change.note or _words(feature, change))
    if change.verdict == "unknown":
        return change
    own = _own(feature)
    shift, tilt = change.by_pose or (0.0, 0.0)
    pairs = (
        (change.shift, own.position, shift),
        (change.tilt, own.direction, tilt or 0.0),
        (change.radius_change, own.radius, 0.0),
    )
    changed = any(value is not None and u is not None and abs(value) > np.hypot(2.0 * u, p) for value, u, p in pairs)
    return replace(change, verdict="changed", note=_words(feature, change)) if changed else change


def _own(feature: Feature) -> Uncertainty:
    """What of its uncertainty the light mesh doesn't share with the scan."""
    known = feature.uncertainty
    return replace(known, radius=without_scale(known.radius, feature.radius or 0.0, known.scale))


def _um(value: float) -> str:
    return um(value, ".3g")


def _degrees(value: float) -> str:
    return f"{math.degrees(value):.3g} deg"


def _words(feature: Feature, change: FeatureAudit) -> str:
    parts = []
    own = _own(feature)
    shift, tilt = change.by_pose or (None, None)
    for value, u, name, said, laid in (
        (change.shift, own.position, "moved", _um, shift),
        (change.tilt, own.direction, "tilted", _degrees, tilt),
        (change.radius_change, own.radius, "radius changed by", _um, None),
    ):
        if value is None:
            continue
        told = [] if u is None else [f"its own standard uncertainty: {said(u)}"]
        told += [] if laid is None else [f"where LIGHT lies is known within {said(laid)} there, 95 %"]
        parts.append(f"{name} {said(value)}" + (f" ({'; '.join(told)})" if told else ""))
    if change.worst is not None:
        parts.append(f"scan up to {_um(change.worst)} from the light mesh")
    return "; ".join(parts)
