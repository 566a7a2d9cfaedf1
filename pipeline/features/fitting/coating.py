"""Coating taken off the scan.

Spray on every face shifts each by its thickness out of the material: a bore is scanned too small by twice
that, a boss too big, a plane too far out. Matting spray leaves some 5 to 20 um a side (common practice, no
source), rarely evenly: a thickness that the user gives is taken as known to a fifth of itself.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.lengths import um
from pipeline.surfaces import kind_of
from pipeline.values import Feature, Uncertainty

COATING_DOUBT = 0.2


def without_coating(feature: Feature, thickness: float) -> Feature:
    """The feature as it is under a coating of `thickness` mm on every face.

    Where no surface of its kind lies under the coating it stays as scanned, of low confidence and unknown uncertainty.

    >>> from tests.features.made import bore
    >>> round(without_coating(bore('seat', (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), 31.0), 0.01).radius, 9)
    31.01
    """
    if thickness == 0.0:
        return feature
    doubt = COATING_DOUBT * thickness
    note = f"; {um(thickness)} of coating taken off, taken as known to {um(doubt)}"
    kind = kind_of(feature)
    if kind.parallel is None:
        return _not_taken_off(feature, f"what lies under a coating on a {kind.name} is no {kind.name}")
    if kind.parallel == "w":
        assert feature.direction is not None
        known = _widened(feature.uncertainty, "w", doubt, note)
        return replace(feature, point=feature.point - thickness * feature.direction, uncertainty=known)
    assert feature.radius is not None
    shift = outward_shift(feature, thickness)
    known = _widened(feature.uncertainty, "r", COATING_DOUBT * abs(shift), note)
    return replace(feature, radius=feature.radius + shift, uncertainty=known)


def _not_taken_off(feature: Feature, why: str) -> Feature:
    known = Uncertainty(None, feature.uncertainty.direction, None, f"not vouched for: {why}")
    reasons = (*feature.reasons, f"coating not taken off: {why}")
    return replace(feature, uncertainty=known, confidence="low", reasons=reasons)


def outward_shift(feature: Feature, thickness: float) -> float:
    """By how much, mm, a radius grows when a coating of that thickness is taken off."""
    # A cone's face moves along its slanted normal: across the axis by more.
    lift = 1.0 if feature.half_angle is None else 1.0 / np.cos(feature.half_angle)
    return float((1.0 if feature.side == "bore" else -1.0) * thickness * lift)


def _widened(known: Uncertainty, name: str, doubt: float, note: str) -> Uncertainty:
    covariance, parts = known.covariance, known.parts
    if covariance is not None and name in known.names:
        place = known.names.index(name)
        covariance = covariance.copy()
        covariance[place, place] += doubt**2
        if parts is not None:
            parts = parts.copy()
            parts[0, place, place] += doubt**2
    position, radius = known.position, known.radius
    if name == "w" and position is not None:
        position = float(np.hypot(position, doubt))
    if name == "r" and radius is not None:
        radius = float(np.hypot(radius, doubt))
    return replace(
        known, position=position, radius=radius, covariance=covariance, parts=parts, method=known.method + note
    )
