"""What the real part's own measures say: coating taken off the scan, and sizes checked with a caliper.

Spray on every face shifts each by its thickness out of the material: a bore is scanned too small by twice
that, a boss too big, a plane too far out. Matting spray leaves some 5 to 20 um a side (common practice, no
source), rarely evenly: a thickness that the user gives is taken as known to a fifth of itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from pipeline.errors import SettingsError
from pipeline.features.pointing import Pointed, is_far, meant, ranked
from pipeline.geometry import Floats
from pipeline.job import Caliper
from pipeline.surfaces import kind_of, names_of
from pipeline.values import CaliperCheck, Feature, Taken, Uncertainty

COATING_DOUBT = 0.2
COVER = 1.96
# Beyond these a solved scale or offset says nothing about the scan.
LOOSEST_SCALE = 1e-3
LOOSEST_OFFSET = 0.02
# A measured size is of another feature, or wrong, when it differs by more than either of these (the smaller counts, so
# that it holds for small holes and large bores alike) and by more than chance does: common practice, no source.
_OFF_SHARE = 0.05
_OFF_MOST = 3.0
_OFF_SIGMAS = 3.0
_SHOWN_FITTING = 3


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
    note = f"; {1e3 * thickness:.0f} um of coating taken off, taken as known to {1e3 * doubt:.0f} um"
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
    covariance = known.covariance
    if covariance is not None and name in known.names:
        covariance = covariance.copy()
        covariance[known.names.index(name), known.names.index(name)] += doubt**2
    position, radius = known.position, known.radius
    if name == "w" and position is not None:
        position = float(np.hypot(position, doubt))
    if name == "r" and radius is not None:
        radius = float(np.hypot(radius, doubt))
    return replace(known, position=position, radius=radius, covariance=covariance, method=known.method + note)


def check_calipers(
    calipers: Sequence[Caliper], features: Sequence[Feature]
) -> tuple[tuple[CaliperCheck, ...], str | None, tuple[Taken, ...]]:
    """Each size measured on the part against the scan's; a scale and offset worth considering, in words; and what was
    taken for each place that stands for a feature.

    They agree when they differ by no more than 1.96 times their combined standard uncertainty. Two or more
    sizes give the scale and the offset of the scan's faces that would explain them; that is proposed,
    never applied. Raises SettingsError where a caliper names a feature that is not there or has no diameter, where its
    place could mean several or none, and where its size is so far off that it was measured elsewhere.

    >>> from tests.features.made import bore
    >>> (check,), proposal, taken = check_calipers(
    ...     [Caliper(feature='seat', diameter=62.01)], [bore('seat', (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), 31.0)]
    ... )
    >>> check.scanned, check.agrees, proposal
    (62.0, True, None)
    """
    checks, pairs, taken = [], [], []
    for number, caliper in enumerate(calipers, 1):
        feature, distance = _feature_of(caliper, number, features)
        if caliper.near is not None:
            taken.append(Taken(f"caliper {number}", np.array(caliper.near.in_scan), feature.id, distance))
        scanned = 2.0 * (feature.radius or 0.0)
        known = feature.uncertainty.radius
        if known is None:
            checks.append(
                CaliperCheck(
                    feature.id, caliper.diameter, caliper.uncertainty, scanned, None, None,
                    "no verdict: the scan's own uncertainty is not known here",
                )
            )  # fmt: skip
            continue
        off = scanned - caliper.diameter
        combined = float(np.hypot(2.0 * known, caliper.uncertainty))
        agrees = abs(off) <= COVER * combined
        note = f"scan {'larger' if off >= 0 else 'smaller'} by {abs(off):.3f}, 95 % within {COVER * combined:.3f} mm"
        checks.append(
            CaliperCheck(feature.id, caliper.diameter, caliper.uncertainty, scanned, 2.0 * known, bool(agrees), note)
        )
        pairs.append(_Pair(scanned, caliper.diameter, combined, 1.0 if feature.side == "bore" else -1.0))
    return tuple(checks), _proposal(pairs), tuple(taken)


class _Pair(NamedTuple):
    """Diameters mm: scanned, measured, combined standard uncertainty; side +1 bore, -1 boss."""

    scanned: float
    measured: float
    sigma: float
    side: float


def _feature_of(caliper: Caliper, number: int, features: Sequence[Feature]) -> tuple[Feature, float]:
    """The feature that was measured, and its distance from the caliper's place."""
    sized = [f for f in features if kind_of(f).one_size]
    if caliper.feature is not None:
        named = [f for f in features if f.goes_by(caliper.feature)]
        if not named:
            known = ", ".join(sorted(f.id for f in sized)) or "none"
            raise SettingsError(
                f"caliper {number}: there is no feature {caliper.feature!r}; those with a diameter are {known}."
            )
        if not kind_of(named[0]).one_size:
            others = " or ".join(f"a {name}" for name in names_of(lambda kind: kind.one_size))
            raise SettingsError(
                f"caliper {number}: {caliper.feature!r} is a {named[0].kind}, which has no one diameter; "
                f"choose {others}."
            )
        if not _fits(named[0], caliper):
            raise SettingsError(_measured_elsewhere(caliper, number, named[0], ranked(named[0].point, sized)))
        return named[0], 0.0
    assert caliper.near is not None
    if not sized:
        wanted = " or ".join(names_of(lambda kind: kind.one_size))
        raise SettingsError(f"caliper {number}: no {wanted} was found in this scan; leave it out.")
    order = ranked(caliper.near.in_scan, sized)
    found = meant(order)
    # On a common axis the size tells which of them was measured.
    fitting = [p for p in found if _fits(p.feature, caliper)]
    if not fitting:
        raise SettingsError(_measured_elsewhere(caliper, number, found[0].feature, order))
    if is_far(fitting[0]):
        raise SettingsError(
            f"caliper {number}: the nearest is {_sized(fitting[0].feature)}, {fitting[0].distance:.1f} mm from its "
            'place, which is too far to be meant; check the place and its coordinates, or write feature = "id".'
        )
    if len(fitting) > 1:
        which = " or ".join(f"{_sized(p.feature)}, {p.distance:.2f} mm away" for p in fitting[:_SHOWN_FITTING])
        raise SettingsError(
            f'caliper {number}: its place could mean {which}; give one that is nearer to one, or feature = "id".'
        )
    return fitting[0].feature, fitting[0].distance


def _fits(feature: Feature, caliper: Caliper) -> bool:
    """Whether a size can have been measured on a feature, in earnest or a little wrong."""
    off = abs(2.0 * (feature.radius or 0.0) - caliper.diameter)
    chance = _OFF_SIGMAS * float(np.hypot(2.0 * (feature.uncertainty.radius or 0.0), caliper.uncertainty))
    return off <= max(min(_OFF_SHARE * caliper.diameter, _OFF_MOST), chance)


def _measured_elsewhere(caliper: Caliper, number: int, found: Feature, order: Sequence[Pointed]) -> str:
    fitting = [p for p in order if _fits(p.feature, caliper)][:_SHOWN_FITTING]
    there = ", ".join(f"{_sized(p.feature)} ({p.distance:.1f} mm away)" for p in fitting)
    return (
        f"caliper {number}: {caliper.diameter:g} mm was measured, but {_sized(found)} is what the scan has there, "
        "too far off to be the same; "
        + (f"of that size are {there}" if there else "nothing of that size was found")
        + ": check the place, the size and the scan's unit."
    )


def _sized(feature: Feature) -> str:
    return f"{feature.id} D{2 * (feature.radius or 0):.3f}"


def _proposal(pairs: Sequence[_Pair]) -> str | None:
    """Solve measured = scale scanned + 2 side offset by weighted least squares; say what it would mean."""
    if len(pairs) < 2:
        return None
    scanned = np.array([p.scanned for p in pairs])
    rows = np.column_stack([scanned, [2.0 * p.side for p in pairs]])
    sigma = np.array([p.sigma for p in pairs])
    off = np.array([p.measured for p in pairs]) - scanned
    both = _solved(rows, off, sigma)
    if both is not None:
        (stretch, offset), (stretch_u, offset_u) = both
        if stretch_u <= LOOSEST_SCALE and offset_u <= LOOSEST_OFFSET:
            parts = []
            if abs(stretch) > COVER * stretch_u:
                parts.append(f"a scale of {1.0 + stretch:.5f} (standard uncertainty {stretch_u:.5f})")
            if abs(offset) > COVER * offset_u:
                parts.append(_offset_in_words(offset, offset_u))
            if not parts:
                return (
                    f"The {len(pairs)} measured sizes ask for no correction: scale {1.0 + stretch:.5f} "
                    f"(standard uncertainty {stretch_u:.5f}), offset {1e3 * offset:.0f} um a face "
                    f"(standard uncertainty {1e3 * offset_u:.0f} um)."
                )
            left = np.abs(off - rows @ both[0]) / sigma
            met = "met" if left.max() <= 3.0 else f"met best, but not all (one is off by {left.max():.1f} sigma),"
            return f"The {len(pairs)} measured sizes would be {met} by {' and '.join(parts)}; nothing was applied."
    # Sizes too much alike tell a scale from an offset no better than this: give the one that needs less.
    alone = _solved(rows[:, 1:], off, sigma)
    if alone is None or alone[1][0] > LOOSEST_OFFSET:
        return "The measured sizes are too alike, or too rough, to tell a scale of the scan from an offset."
    offset, offset_u = float(alone[0][0]), float(alone[1][0])
    words = (
        f"no offset ({1e3 * offset:.0f} um a face, standard uncertainty {1e3 * offset_u:.0f} um)"
        if abs(offset) <= COVER * offset_u
        else _offset_in_words(offset, offset_u)
    )
    return f"The measured sizes are too alike to tell a scale from an offset; without a scale they ask for {words}."


def _offset_in_words(offset: float, sigma: float) -> str:
    size = f"{1e3 * abs(offset):.0f} um a face (standard uncertainty {1e3 * sigma:.0f} um)"
    if offset > 0.0:
        return f"faces scanned proud by {size}, which coating_thickness = {offset:.3f} would take off"
    return f"faces scanned short by {size}"


def _solved(rows: Floats, values: Floats, sigma: Floats) -> tuple[Floats, Floats] | None:
    """Weighted least squares and standard uncertainties (k,); None where the rows don't tell them apart."""
    weighted = rows / sigma[:, None]
    scale = np.linalg.norm(weighted, axis=0)
    singular = np.linalg.svd(weighted / scale, compute_uv=False)
    if singular[-1] < 1e-3:
        return None
    cofactor = np.linalg.inv(weighted.T @ weighted)
    return cofactor @ weighted.T @ (values / sigma), np.sqrt(np.diag(cofactor))
