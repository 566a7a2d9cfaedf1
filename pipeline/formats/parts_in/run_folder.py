"""The folder of a run as a part: its light mesh in part coordinates, with openings closed as never seen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from pipeline.errors import InputError
from pipeline.features.solid import NEVER_SEEN, capped
from pipeline.fitup import BY_HAND, Body
from pipeline.formats.datum_file import (
    CaliperRecord,
    DatumFile,
    FeatureRecord,
    FlangeRecord,
    OutlineRecord,
    read_datums,
)
from pipeline.formats.meshes_in import read_light
from pipeline.formats.parts_in.rims import grown_labels
from pipeline.formats.solid import NAME, shape_in_part
from pipeline.geometry import Ints, transformed, undone
from pipeline.job import load_job
from pipeline.surfaces import kind_of
from pipeline.values import (
    MEASURED,
    SNAPPED,
    Extent,
    Feature,
    Flange,
    Form,
    Hole,
    Outline,
    Segment,
    Surface,
    Uncertainty,
)


def read_run(folder: Path) -> tuple[DatumFile, Surface, Ints]:
    """What a run left in its folder: the datum file, the light mesh in part coordinates, the feature of each facet.

    Raises InputError when it is no folder of a finished run.

    >>> try:
    ...     read_run(Path("nowhere"))
    ... except InputError as error:
    ...     print(str(error).partition(";")[0])
    There is no datum file nowhere/datums.json
    """
    data = read_datums(folder / "datums.json")
    light, labels, ids = read_light(folder / "light-scan.ply")
    if ids != tuple(feature.id for feature in data.features) or light.facets != data.audit.facets_after:
        raise InputError(f"datums.json and light-scan.ply in {folder} are not of one run; run the scan again.")
    return data, Surface(transformed(np.array(data.frame.matrix), light.vertices), light.faces, light.origin), labels


def body_of_run(name: str, folder: Path) -> Body:
    """The part that a run in `folder` recovered. Raises InputError as `read_run`."""
    data, light, labels = read_run(folder)
    features = tuple(gauged(feature_of(record), data.calipers) for record in data.features)
    whole = capped(light, labels, [shape_in_part(f) for f in data.features])
    # A lid, and the wall by which a bore is carried on, is nobody's feature: it was never seen.
    labels = np.where(whole.surface.origin == NEVER_SEEN, -1, whole.labels).astype(np.int32)
    bound = _bound(data)
    seen = np.isin(whole.surface.origin, (MEASURED, SNAPPED))
    labels = grown_labels(whole.surface, labels, seen, features, bound)
    names = load_job(folder / "job.toml").names if (folder / "job.toml").exists() else {}
    return Body(
        name, whole.surface, labels, features, names, bound=bound, closed=not whole.left,
        noise=data.source.noise_sigma or 0.0, spacing=data.source.mean_edge or 0.0, sharp=False,
        scale=data.source.scale,
        solid=folder / NAME if data.solid is not None else None,
        flanges=tuple(flange_of(flange, data) for flange in data.flanges),
        datums={datum.letter: datum.feature for datum in data.frame.datums},
    )  # fmt: skip


def feature_of(record: FeatureRecord) -> Feature:
    """A feature of the datum file in part coordinates."""
    shape, known, seen, form = shape_in_part(record), record.uncertainty, record.extent, record.form
    tilt = None if known.direction is None else math.radians(known.direction)
    return Feature(
        record.id, record.kind, record.side, shape.point, shape.direction, shape.radius,
        Uncertainty(known.position, tilt, known.radius, known.method),
        Form(form.rms or 0.0, form.peak_to_valley or 0.0, form.inliers or 0.0, form.standard),
        Extent(
            seen.area, seen.facets or 0, seen.length, None if seen.arc is None else math.radians(seen.arc), seen.along
        ),
        half_angle=shape.half_angle, major_radius=shape.major_radius, confidence=record.confidence,
        reasons=record.reasons, machined=record.machined, name=record.name, orientation=shape.orientation,
        old_id=record.old_id,
    )  # fmt: skip


def gauged(feature: Feature, sizes: Sequence[CaliperRecord]) -> Feature:
    """The feature with the diameter that was measured by hand, where that is known better than from the scan.

    Several measurements of it count by their uncertainties, and their mean is known no better than they agree.

    >>> known = Uncertainty(0.01, 0.0, 0.02, "by the fit")
    >>> point, way, none = np.zeros(3), np.array([0.0, 0, 1]), Form(0.0, 0.0, 1.0, "none")
    >>> bore = Feature("H1", "cylinder", "bore", point, way, 20.0, known, none, Extent(100.0, 9))
    >>> size = CaliperRecord(feature="H1", measured=40.01, measured_uncertainty=0.004, scanned=40.0,
    ...                      scanned_uncertainty=0.04, agrees=True, note="")
    >>> found = gauged(bore, [size])
    >>> found.radius, found.uncertainty.radius, found.uncertainty.method
    (20.005, 0.002, 'measured by hand; the scan shows 40.000 mm')
    """
    own = [s for s in sizes if s.what == "diameter" and s.feature == feature.id and s.measured_uncertainty > 0.0]
    known = feature.uncertainty
    if not own or feature.radius is None or not kind_of(feature).cylindrical:
        return feature
    weights = np.array([s.measured_uncertainty**-2.0 for s in own])
    values = np.array([s.measured for s in own])
    mean, doubt = float(weights @ values / weights.sum()), float(weights.sum() ** -0.5)
    if len(own) > 1:
        doubt = max(doubt, float(values.std(ddof=1)) / math.sqrt(len(own)))
    if known.radius is not None and 0.5 * doubt >= known.radius:
        return feature
    off = ", which doesn't agree with it: measure both again" if any(s.agrees is False for s in own) else ""
    method = f"{BY_HAND}; the scan shows {2.0 * feature.radius:.3f} mm{off}"
    return replace(feature, radius=0.5 * mean, uncertainty=replace(known, radius=0.5 * doubt, method=method))


def flange_of(record: FlangeRecord, data: DatumFile) -> Flange:
    """A flange of the datum file, its matrix from part coordinates on; without patterns and thickness."""
    holes = tuple(
        Hole(
            h.feature, np.array(h.place), h.diameter, h.depth_seen or 0.0, math.radians(h.tilt or 0.0),
            h.place_uncertainty, h.diameter_uncertainty, h.end, h.depth, h.edge, h.thickness,
        )
        for h in record.holes
    )  # fmt: skip
    matrix = np.array(record.matrix) @ undone(np.array(data.frame.matrix))
    outer = None if record.outer is None else _outline(record.outer)
    inner = tuple(map(_outline, record.inner))
    return Flange(record.feature, matrix, record.origin_at, outer, inner, holes, cautions=record.cautions)


def _outline(record: OutlineRecord) -> Outline:
    segments = tuple(
        Segment(
            s.kind, np.array(s.start), np.array(s.end), None if s.centre is None else np.array(s.centre), s.radius,
            s.ccw, None if s.points is None else np.array(s.points), s.feature,
        )
        for s in record.segments
    )  # fmt: skip
    return Outline(
        segments, record.rms or 0.0, record.rounding or 0.0, record.tolerance or 0.0, record.broken, record.what
    )


def _bound(data: DatumFile) -> float:
    """By how much the light mesh may be off the scan, noise aside, mm."""
    noise_aside = data.audit.noise_aside
    if noise_aside is None:
        return 0.0
    return max(d.max or 0.0 for d in (noise_aside.scan_to_light, noise_aside.light_to_scan))
