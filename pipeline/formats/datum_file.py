"""datums.json: features, frame, relations and audit as plain data that any program can read.

Lengths are mm, angles degrees, directions unit vectors. A figure that can't be vouched for is null, and
`cautions` says why. The shape is published as a JSON Schema (draft 2020-12) in datums.schema.json.
"""

from __future__ import annotations

import importlib.resources
import json
import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from pipeline import __version__
from pipeline.features.datums import Datums, choose, reach_of, situations
from pipeline.values import Datum, Deviation, Feature, FeatureAudit, Flange, InPart, Outcome, Outline, Pattern, Relation
from pipeline.versions import library_versions

SCHEMA_VERSION = "1.0"

_ANGLE_RELATIONS = ("parallel", "perpendicular", "angle")


def schema_text() -> str:
    """The published JSON Schema of the datum file, as text."""
    return importlib.resources.files("pipeline.formats").joinpath("datums.schema.json").read_text("utf-8")


def _doubts_rounded(node: Any, doubt: bool = False) -> Any:
    """Uncertainties with nine figures: no more is known, and the last bits depend on where arrays lie in memory."""
    if isinstance(node, dict):
        return {
            key: _doubts_rounded(value, doubt or "uncertainty" in key or key == "sigmas") for key, value in node.items()
        }
    if isinstance(node, list):
        return [_doubts_rounded(value, doubt) for value in node]
    return float(f"{node:.9g}") if doubt and isinstance(node, float) else node


def text_of(data: dict[str, Any]) -> str:
    """The datum file's text; the same data gives the same bytes. Raises ValueError on a figure that is no number."""
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False)
    # Vectors on one line each: a raw line break can't stand inside a JSON string, so this touches lists only.
    return re.sub(r"\[\n[-+0-9.eE,\s]*\]", lambda found: f"[{' '.join(found[0][1:-1].split())}]", text) + "\n"


def build(outcome: Outcome) -> dict[str, Any]:
    """The datum file of a run as plain data."""
    missing = _Missing()
    recover, frame, audit = outcome.recover, outcome.frame.frame, outcome.audit.audit
    audits = {a.feature: a for a in audit.features}
    in_part = {place.feature: place for place in outcome.frame.in_part}
    names, unknown = _names(outcome)
    source = outcome.source
    data: dict[str, Any] = {
        "schema_version": SCHEMA_VERSION,
        "made_by": {"program": "datumlift", "version": __version__, "libraries": library_versions()},
        "title": outcome.job.title,
        "units": {"length": "mm", "angle": "deg"},
        "source": {
            "file": Path(source.file).name,
            "sha256": source.sha256,
            "facets": source.facets,
            "vertices": source.vertices,
            "unit_factor": plain(source.unit_factor),
            "noise_sigma": missing.figure(source.noise_sigma, "noise of the scan", "it could not be estimated"),
            "mean_edge": missing.figure(source.mean_edge, "mean edge of the scan", "it could not be estimated"),
            "bounds": [vector(corner) for corner in source.bounds],
        },
        "frame": _frame(outcome, missing),
        "features": [
            _feature(f, names.get(f.id, f.name), frame.matrix, audits.get(f.id), in_part.get(f.id), missing)
            for f in recover.features
        ],
        "patterns": [_pattern(p, frame.matrix) for p in recover.patterns],
        "relations": [_relation(r, missing) for r in recover.relations],
        "flanges": [_flange(flange) for flange in outcome.frame.flanges],
        "suggestions": [
            {
                "feature": s.feature,
                "what": s.what,
                "name": s.name,
                "size": plain(s.size),
                "off": plain(s.off),
                "sigmas": plain(s.sigmas),
                "source": s.source,
                "note": s.note,
            }
            for s in outcome.frame.suggestions
        ],
        "square_up": [
            {
                "feature": s.feature,
                "datum": s.datum,
                "kind": s.kind,
                "angle": plain(s.angle, degrees=True),
                "angle_uncertainty": plain(s.angle_uncertainty, degrees=True),
                "over": plain(s.over),
                "length": plain(s.length),
                "offset": plain(s.offset),
                "offset_uncertainty": plain(s.offset_uncertainty),
                "significant": s.significant,
            }
            for s in outcome.frame.square_up
        ],
        "gaps": [
            {
                "id": gap.id,
                "kind": gap.kind,
                "done": gap.done,
                "centre": vector(gap.centre),
                "length": plain(gap.length),
                "area": plain(gap.area),
                "area_filled": plain(gap.area_filled),
                "features": list(gap.features),
                "note": gap.note,
            }
            for gap in outcome.gaps
        ],
        "proposals": [
            {
                "what": p.what,
                "centre": vector(p.centre),
                "area": plain(p.area),
                "reason": p.reason,
                "zone": p.zone,
            }
            for p in outcome.proposals
        ],
        "removals": [
            {"what": r.what, "count": int(r.count), "area": plain(r.area), "note": r.note} for r in outcome.removals
        ],
        "rejected": [
            {
                "kind": patch.kind,
                "point": vector(patch.point),
                "area": plain(patch.area),
                "reason": patch.reason,
                "cast": patch.cast,
            }
            for patch in recover.rejected
        ],
        "calipers": [
            {
                "feature": check.feature,
                "measured": plain(check.measured),
                "measured_uncertainty": plain(check.measured_uncertainty),
                "scanned": plain(check.scanned),
                "scanned_uncertainty": plain(check.scanned_uncertainty),
                "agrees": check.agrees,
                "note": check.note,
            }
            for check in recover.calipers
        ],
        "audit": {
            "budget": [
                {
                    "what": line.what,
                    "limit": plain(line.limit),
                    "value": missing.figure(line.value, f"budget figure {line.what!r}", line.where or "no figure"),
                    "unit": line.unit,
                    "held": line.held,
                    "where": line.where,
                }
                for line in audit.budget
            ],
            "within_budget": audit.within_budget,
            "scan_to_light": _deviation(audit.scan_to_light, frame.matrix),
            "light_to_scan": _deviation(audit.light_to_scan, frame.matrix),
            "noise_aside": None
            if audit.noise_aside is None
            else {
                "scan_to_light": _deviation(audit.noise_aside[0], frame.matrix),
                "light_to_scan": _deviation(audit.noise_aside[1], frame.matrix),
            },
            "facets_before": audit.facets_before,
            "facets_after": audit.facets_after,
            "area_filled": plain(audit.area_filled),
            "area_measured": plain(audit.area_measured),
            "area_removed": plain(audit.area_removed),
            "noise_sigma": plain(audit.noise_sigma),
            "lightening_rms": plain(audit.lightening_rms),
        },
    }
    data["cautions"] = list(dict.fromkeys([*outcome.cautions, *unknown, *missing.sentences(outcome.cautions)]))
    return _doubts_rounded(data)


def part_point(matrix: np.ndarray, point: np.ndarray) -> np.ndarray:
    """(3,) or (n, 3) points moved by a 4x4 rigid matrix."""
    return np.asarray(point, float) @ matrix[:3, :3].T + matrix[:3, 3]


def part_direction(matrix: np.ndarray, direction: np.ndarray) -> np.ndarray:
    """(3,) or (n, 3) directions turned by a 4x4 rigid matrix, of length 1 to the last bit that floats allow."""
    turned = np.asarray(direction, float) @ matrix[:3, :3].T
    return turned / np.linalg.norm(turned, axis=-1, keepdims=True)


def plain(value: float | None, degrees: bool = False) -> float | None:
    """A float for the file: None where there is none or it is no number; no minus before zero."""
    if value is None or not math.isfinite(value):
        return None
    return float(math.degrees(value) if degrees else value) + 0.0


def vector(values: Any) -> list[float] | None:
    """A list of floats; None when any of them is no number."""
    if values is None or not np.all(np.isfinite(values)):
        return None
    return [float(v) + 0.0 for v in values]


class _Missing:
    """Collects which figures are null and why, so that `cautions` tells each reason once."""

    def __init__(self) -> None:
        self._found: dict[tuple[str, str], list[str]] = {}

    def figure(
        self, value: float | None, what: str, why: str, of: str | None = None, degrees: bool = False
    ) -> float | None:
        figure = plain(value, degrees)
        if figure is None:
            self.note(what, why, of)
        return figure

    def note(self, what: str, why: str, of: str | None = None) -> None:
        self._found.setdefault((of or "", why.strip().rstrip(".")), []).append(what)

    def sentences(self, told: Sequence[str]) -> list[str]:
        """One sentence a reason and what lacks figures for it, less those of which `told` speaks already."""
        grouped: dict[tuple[str, str], list[str]] = {}
        for (of, why), what in self._found.items():
            if not (of and any(of in text and why in text for text in told)):
                grouped.setdefault((", ".join(dict.fromkeys(what)), why), []).append(of)
        return [
            f"No {what}{' for ' + ', '.join(filter(None, ofs)) if any(ofs) else ''}: {why}."
            for (what, why), ofs in grouped.items()
        ]


def _frame(outcome: Outcome, missing: _Missing) -> dict[str, Any]:
    frame = outcome.frame.frame
    spread: np.ndarray | None = None
    if frame.covariance is not None and np.all(np.isfinite(frame.covariance)):
        spread = np.sqrt(np.maximum(np.diag(frame.covariance), 0.0))
    else:
        missing.note("uncertainty of the part frame", "; ".join(frame.reasons) or "that of a datum is not known")
    return {
        "matrix": [vector(row) for row in frame.matrix],
        "datums": [
            {
                "letter": d.letter,
                "feature": d.feature,
                "constrains": list(d.constrains),
                "situation": _situation(d, outcome.recover.features, frame.matrix),
            }
            for d in frame.datums
        ],
        "complete": frame.complete,
        "reasons": list(frame.reasons),
        "uncertainty": None
        if spread is None
        else {"translation": vector(spread[:3]), "rotation": vector(np.degrees(spread[3:]))},
    }


def _situation(datum: Datum, features: tuple[Feature, ...], matrix: np.ndarray) -> dict[str, Any]:
    """The plane, axis or point that a datum stands for, in part coordinates."""
    choice = choose(datum.feature, features, {})
    found = situations(Datums((choice,), features, reach_of(features)))[0]
    turned = None if found.direction is None else part_direction(matrix, found.direction)
    return {"kind": found.kind, "point": vector(part_point(matrix, found.point)), "direction": vector(turned)}


def _names(outcome: Outcome) -> tuple[dict[str, str], list[str]]:
    """The job's names by feature id, whichever way round they were written; and cautions on those that fit nothing."""
    ids = {f.id for f in outcome.recover.features}
    names, cautions = {}, []
    for left, right in outcome.job.names.items():
        if left in ids:
            names[left] = right
        elif right in ids:
            names[right] = left
        else:
            cautions.append(f"The job names {left!r} {right!r}, but no such feature was found.")
    return names, cautions


def _feature(
    feature: Feature,
    name: str | None,
    matrix: np.ndarray,
    audit: FeatureAudit | None,
    in_part: InPart | None,
    missing: _Missing,
) -> dict[str, Any]:
    form, extent = feature.form, feature.extent
    why = "; ".join(feature.reasons) or feature.uncertainty.method
    turned = None if feature.direction is None else part_direction(matrix, feature.direction)
    return {
        "id": feature.id,
        "name": name,
        "kind": feature.kind,
        "side": feature.side,
        "machined": feature.machined,
        "constraint": feature.constraint,
        "confidence": feature.confidence,
        "reasons": list(feature.reasons),
        "point": vector(feature.point),
        "direction": vector(feature.direction),
        "radius": plain(feature.radius),
        "half_angle": plain(feature.half_angle, degrees=True),
        "major_radius": plain(feature.major_radius),
        "in_part_frame": {
            "point": vector(part_point(matrix, feature.point)),
            "direction": vector(turned),
            "uncertainty": _in_part(feature, in_part, missing),
        },
        "extent": {
            "area": plain(extent.area),
            "length": plain(extent.length),
            "arc": plain(extent.arc, degrees=True),
            "along": vector(extent.along),
            "facets": extent.facets,
        },
        "uncertainty": _spread(feature, why, missing),
        "form": {
            "rms": missing.figure(form.rms, "form error", why, feature.id),
            "peak_to_valley": missing.figure(form.peak_to_valley, "peak to valley", why, feature.id),
            "inliers": plain(form.inliers),
            "standard": form.standard,
            "minimum_zone": plain(form.minimum_zone),
            "noise_share": plain(form.noise_share),
        },
        "audit": _feature_audit(feature, audit, missing),
    }


def _spread(feature: Feature, why: str, missing: _Missing) -> dict[str, Any]:
    spread = feature.uncertainty
    figures = {
        "position": plain(spread.position),
        "direction": plain(spread.direction, degrees=True),
        "radius": plain(spread.radius),
    }
    expected = [
        "position",
        *([] if feature.kind == "sphere" else ["direction"]),
        *([] if feature.kind == "plane" else ["radius"]),
    ]
    lacking = [name for name in expected if figures[name] is None]
    if lacking:
        missing.note(f"uncertainty of {', '.join(lacking)}", why, feature.id)
    return {**figures, "method": spread.method}


def _in_part(feature: Feature, in_part: InPart | None, missing: _Missing) -> dict[str, float | None] | None:
    """What is known of the place against the part frame: the feature's own uncertainty and the frame's together."""
    position = None if in_part is None else plain(in_part.position)
    direction = None if in_part is None else plain(in_part.direction_uncertainty, degrees=True)
    if position is None and feature.uncertainty.position is not None:
        missing.note("uncertainty in part coordinates", "that of the part frame is not known", feature.id)
    return None if position is None and direction is None else {"position": position, "direction": direction}


def _feature_audit(feature: Feature, audit: FeatureAudit | None, missing: _Missing) -> dict[str, Any] | None:
    if audit is None:
        missing.note("audit after lightening", "the audit did not cover it", feature.id)
        return None
    plane, sphere = feature.kind == "plane", feature.kind == "sphere"
    figures = {
        "shift": plain(audit.shift),
        "tilt": plain(audit.tilt, degrees=True),
        "radius_change": plain(audit.radius_change),
    }
    expected = ["shift", *([] if sphere else ["tilt"]), *([] if plane else ["radius_change"])]
    lacking = [name.replace("_", " ") for name in expected if figures[name] is None]
    if lacking:
        why = audit.note or f"{audit.light_vertices} vertices of the light mesh carry it"
        missing.note(f"{', '.join(lacking)} by lightening", why, feature.id)
    shift, tilt, radius_change = audit.on_facets or (None, None, None)
    on_facets = {"shift": plain(shift), "tilt": plain(tilt, degrees=True), "radius_change": plain(radius_change)}
    return {
        **figures,
        "on_facets": on_facets,
        "worst": plain(audit.worst),
        "verdict": audit.verdict,
        "note": audit.note,
    }


def _pattern(pattern: Pattern, matrix: np.ndarray) -> dict[str, Any]:
    """A pitch circle has all of its keys; the other kinds have those that apply to them."""
    rows = {
        "centre": vector(pattern.centre),
        "normal": vector(pattern.normal),
        "diameter": plain(pattern.diameter),
        "count": pattern.count,
        "missing": pattern.missing,
        "phase": plain(pattern.phase, degrees=True),
        "rms": plain(pattern.rms),
        "size": vector(pattern.size),
        "note": pattern.note,
    }
    if pattern.kind != "pitch_circle":
        rows = {key: value for key, value in rows.items() if value is not None}
    data: dict[str, Any] = {"kind": pattern.kind, "members": list(pattern.members), **rows}
    if pattern.centre is not None:
        normal = None if pattern.normal is None else vector(part_direction(matrix, pattern.normal))
        data["in_part_frame"] = {"centre": vector(part_point(matrix, pattern.centre)), "normal": normal}
    return data


def _flange(flange: Flange) -> dict[str, Any]:
    return {
        "feature": flange.feature,
        "matrix": [vector(row) for row in flange.matrix],
        "origin_at": flange.origin_at,
        "outer": None if flange.outer is None else _outline(flange.outer),
        "inner": [_outline(outline) for outline in flange.inner],
        "holes": [
            {
                "feature": hole.feature,
                "place": vector(hole.place),
                "diameter": plain(hole.diameter),
                "depth_seen": plain(hole.depth_seen),
                "tilt": plain(hole.tilt, degrees=True),
                "place_uncertainty": plain(hole.place_uncertainty),
                "diameter_uncertainty": plain(hole.diameter_uncertainty),
            }
            for hole in flange.holes
        ],
        "patterns": [
            {
                "kind": pattern.kind,
                "members": list(pattern.members),
                "centre": vector(pattern.centre),
                "rms": plain(pattern.rms),
                "diameter": plain(pattern.diameter),
                "count": pattern.count,
                "missing": pattern.missing,
                "phase": plain(pattern.phase, degrees=True),
                "size": vector(pattern.size),
                "gaps_at": [] if pattern.gaps_at is None else [vector(p) for p in pattern.gaps_at],
            }
            for pattern in flange.patterns
        ],
        "cautions": list(flange.cautions),
    }


def _outline(outline: Outline) -> dict[str, Any]:
    return {
        "segments": [
            {
                "kind": s.kind,
                "start": vector(s.start),
                "end": vector(s.end),
                "centre": vector(s.centre),
                "radius": plain(s.radius),
                "ccw": s.ccw,
                "points": None if s.points is None else [vector(p) for p in s.points],
                "feature": s.feature,
            }
            for s in outline.segments
        ],
        "rms": plain(outline.rms),
        "rounding": plain(outline.rounding),
        "tolerance": plain(outline.tolerance),
        "broken": outline.broken,
    }


def _relation(relation: Relation, missing: _Missing) -> dict[str, Any]:
    degrees = relation.kind in _ANGLE_RELATIONS
    pair = " and ".join(relation.between)
    what = f"uncertainty of the relation {relation.kind!r}"
    why = "it was not assessed for one of the two"
    return {
        "kind": relation.kind,
        "between": list(relation.between),
        "value": missing.figure(relation.value, f"value of the relation {relation.kind!r}", why, pair, degrees),
        "uncertainty": missing.figure(relation.uncertainty, what, why, pair, degrees),
        "unit": "deg" if degrees else "mm",
    }


def _deviation(deviation: Deviation, matrix: np.ndarray) -> dict[str, Any]:
    return {
        "mean": plain(deviation.mean),
        "rms": plain(deviation.rms),
        "p95": plain(deviation.p95),
        "p99": plain(deviation.p99),
        "max": plain(deviation.max),
        "where": vector(deviation.where),
        "in_part_frame": {"where": vector(part_point(matrix, deviation.where))},
        "samples": deviation.samples,
    }
