"""Sizes measured on the real part against the scan's: whether they agree, and which scale or coating they speak for.

A coating moves each face out of the material. A bore is scanned too small by two coatings, an outside cylinder and a
thickness too big by two; of a distance between two faces that look the same way they cancel, and one to an axis has the
one of its face.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from typing import NamedTuple

import numpy as np

from pipeline.coverage import SINGLE
from pipeline.errors import SettingsError
from pipeline.features.pointing import Pointed, is_far, meant, ranked
from pipeline.features.relations import SAME_WAY, apart
from pipeline.features.uncertainty import with_scale, without_scale
from pipeline.geometry import Floats, angle_between_lines, rejection
from pipeline.job import Measured
from pipeline.lengths import mm, um
from pipeline.places import Place
from pipeline.surfaces import kind_of, names_of
from pipeline.values import Feature, SizeCheck, Taken

# Beyond these a solved scale or offset says nothing about the scan.
LOOSEST_SCALE = 1e-3
LOOSEST_OFFSET = 0.02
# A measured size is of another feature, or wrong, when it differs by more than either of these (the smaller counts, so
# that it holds for small holes and large bores alike) and by more than chance does: common practice, no source.
_OFF_SHARE = 0.05
_OFF_MOST = 3.0
_OFF_SIGMAS = 3.0
_SHOWN_FITTING = 3


def check_measured(
    sizes: Sequence[Measured], features: Sequence[Feature]
) -> tuple[tuple[SizeCheck, ...], str | None, tuple[Taken, ...]]:
    """Each size measured on the part against the scan's; a scale and offset worth considering, in words; and what was
    taken for each place that stands for a feature.

    They agree when they differ by no more than 1.96 times their combined standard uncertainty; where two faces are not
    quite parallel, where it was measured is part of that. Two or more sizes give the scale and the offset of the scan's
    faces that would explain them; that is proposed, never applied. Raises SettingsError where one names a feature that
    is not there or has no such size, where its place could mean several or none, and where it is so far off that it was
    measured elsewhere.

    >>> from tests.features.made import bore
    >>> size = Measured(what='diameter', features=['seat'], value=62.01, uncertainty=0.01)
    >>> (check,), proposal, taken = check_measured([size], [bore('seat', (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), 31.0)])
    >>> check.scanned, check.agrees, proposal
    (62.0, True, None)
    """
    checks, known, taken = [], [], []
    for number, size in enumerate(sizes, 1):
        pointed = _features_of(size, number, features)
        found = [p.feature for p in pointed]
        for spec, p in zip(size.features, pointed, strict=True):
            if isinstance(spec, Place):
                taken.append(Taken(f"measured {number}", np.array(spec.in_scan), p.feature.id, p.distance))
        made = _scanned(size.what, found)
        checks.append(_check(size, found, made))
        if made.sigma is not None:
            # A scale is what they are to tell: what was known of it before must not answer for them.
            own = without_scale(made.sigma, made.value, made.scale)
            combined = float(np.hypot(own, size.uncertainty.mm))
            known.append(_Known(made.value, size.value.mm, combined, made.coated))
    return tuple(checks), _proposal(known), tuple(taken)


class _Scanned(NamedTuple):
    """A size of the scan mm: its value, its standard uncertainty (None where that isn't known), by how many coatings
    the bare size is larger, and the relative uncertainty of the scan's scale, whose share is in that of the size."""

    value: float
    sigma: float | None
    coated: float
    scale: float


class _Known(NamedTuple):
    """Sizes mm: scanned, measured, combined standard uncertainty; coated as in `_Scanned`."""

    scanned: float
    measured: float
    sigma: float
    coated: float


def _check(size: Measured, found: Sequence[Feature], made: _Scanned) -> SizeCheck:
    other = found[1].id if len(found) > 1 else None
    told = (size.what, other, size.instrument)
    measured, doubt = size.value.mm, size.uncertainty.mm
    if made.sigma is None:
        note = "no verdict: the scan's own uncertainty is not known here"
        return SizeCheck(found[0].id, measured, doubt, made.value, None, None, note, *told)
    off = made.value - measured
    within = SINGLE * float(np.hypot(made.sigma, doubt))
    note = f"scan {'larger' if off >= 0 else 'smaller'} by {mm(abs(off), '.3f')}, 95 % within {mm(within, '.3f')}"
    return SizeCheck(found[0].id, measured, doubt, made.value, made.sigma, bool(abs(off) <= within), note, *told)


def _scanned(what: str, found: Sequence[Feature]) -> _Scanned:
    if what == "diameter":
        (feature,) = found
        sigma = feature.uncertainty.radius
        sense = 2.0 if feature.side == "bore" else -2.0
        scale = feature.uncertainty.scale
        return _Scanned(2.0 * (feature.radius or 0.0), None if sigma is None else 2.0 * sigma, sense, scale)
    value, along = _distance(*found)
    exact, scale = apart(*found), found[0].uncertainty.scale
    if exact is None:
        return _Scanned(value, None, -_grows(found, along), scale)
    # Where along faces that aren't quite parallel it was measured nobody said: anywhere, evenly.
    spread = (exact.high - exact.low) / np.sqrt(12.0)
    sigma = with_scale(float(np.hypot(exact.sigma, spread)), exact.value, scale)
    return _Scanned(exact.value, sigma, -_grows(found, along), scale)


def _distance(one: Feature, other: Feature) -> tuple[float, Floats]:
    """How far two are apart, mm, and the unit vector from the first to the second, across what they are."""
    gap = other.point - one.point
    flat = next((f for f in (one, other) if kind_of(f).flat), None)
    if flat is not None:
        assert flat.direction is not None
        across = (gap @ flat.direction) * flat.direction
    else:
        assert one.direction is not None
        across = rejection(gap, one.direction)
    value = float(np.linalg.norm(across))
    return value, across / value if value > 0.0 else np.zeros(3)


def _grows(found: Sequence[Feature], along: Floats) -> float:
    """By how many coatings a distance grows: each face moves along its outward normal, an axis stays."""
    moves = [float(f.direction @ along) if kind_of(f).flat and f.direction is not None else 0.0 for f in found]
    return round(moves[1] - moves[0], 6)


def _parallel(one: Feature, other: Feature) -> bool:
    assert one.direction is not None
    assert other.direction is not None
    turned = angle_between_lines(one.direction, other.direction)
    if kind_of(one).flat != kind_of(other).flat:
        turned = np.pi / 2.0 - turned
    return bool(turned <= SAME_WAY)


def _usable(what: str, feature: Feature) -> bool:
    """Whether a feature can have such a size."""
    if what == "diameter":
        return kind_of(feature).one_size
    if feature.direction is None:
        return False
    return kind_of(feature).flat if what == "thickness" else True


def _features_of(size: Measured, number: int, features: Sequence[Feature]) -> tuple[Pointed, ...]:
    """The features that were measured, and how far each is from its place."""
    orders = [_ordered(spec, size.what, number, features) for spec in size.features]
    choices = [_choices(spec, order) for spec, order in zip(size.features, orders, strict=True)]
    every = [c for c in product(*choices) if len({p.feature.id for p in c}) == len(c)]
    if not every:
        raise SettingsError(
            f"measured {number}: both of its features are {choices[0][0].feature.id}; a {size.what} is between two."
        )
    together = [c for c in every if len(c) == 1 or _parallel(c[0].feature, c[1].feature)]
    if not together:
        one, other = (p.feature for p in every[0])
        raise SettingsError(
            f"measured {number}: {one.id} and {other.id} are not parallel, so that there is no one {size.what} between "
            "them; check the two."
        )
    if size.what == "thickness":
        walls = [c for c in together if is_wall([p.feature for p in c])]
        if not walls:
            one, other = (p.feature for p in together[0])
            raise SettingsError(
                f"measured {number}: {one.id} and {other.id} don't look away from each other with the metal between; "
                'write what = "distance".'
            )
        together = walls
    # On a common axis the size tells which of them was measured.
    fitting = [c for c in together if _fits(size, [p.feature for p in c])]
    if not fitting:
        raise SettingsError(_measured_elsewhere(size, number, together[0], orders))
    for spec, p in zip(size.features, fitting[0], strict=True):
        if isinstance(spec, Place) and is_far(p):
            raise SettingsError(
                f"measured {number}: the nearest is {_told(size.what, [p.feature])}, {p.distance:.1f} mm from its "
                "place, which is too far to be meant; check the place and its coordinates, or write the feature's "
                "number."
            )
    if len(fitting) > 1:
        which = " or ".join(_with_distance(size.what, c) for c in fitting[:_SHOWN_FITTING])
        raise SettingsError(
            f"measured {number}: its place could mean {which}; give one that is nearer to one, or the feature's number."
        )
    return fitting[0]


def _ordered(spec: Place | str, what: str, number: int, features: Sequence[Feature]) -> list[Pointed]:
    """The features that can have such a size by their distance from a place, or from the feature that is named."""
    usable = [f for f in features if _usable(what, f)]
    if isinstance(spec, Place):
        if not usable:
            wanted = " or ".join(names_of(lambda kind: kind.one_size)) if what == "diameter" else "such face"
            raise SettingsError(f"measured {number}: no {wanted} was found in this scan; leave it out.")
        return ranked(spec.in_scan, usable)
    named = [f for f in features if f.goes_by(spec)]
    if not named:
        known = ", ".join(sorted(f.id for f in usable)) or "none"
        raise SettingsError(f"measured {number}: there is no feature {spec!r}; those with a {what} are {known}.")
    if not _usable(what, named[0]):
        if what == "diameter":
            others = " or ".join(f"a {name}" for name in names_of(lambda kind: kind.one_size))
            why = f"which has no one diameter; choose {others}"
        else:
            why = f"which has no {what}; choose {'faces' if what == 'thickness' else 'faces or axes'}"
        raise SettingsError(f"measured {number}: {spec!r} is a {named[0].kind}, {why}.")
    rest = [p for p in ranked(named[0].point, usable) if p.feature is not named[0]]
    return [Pointed(named[0], 0.0, True), *rest]


def _choices(spec: Place | str, order: Sequence[Pointed]) -> list[Pointed]:
    return meant(order) if isinstance(spec, Place) else [order[0]]


def is_wall(found: Sequence[Feature]) -> bool:
    """Whether two parallel faces look away from each other, with the metal between."""
    return _grows(found, _distance(*found)[1]) > 1.9


def _fits(size: Measured, found: Sequence[Feature]) -> bool:
    """Whether a size can have been measured there, in earnest or a little wrong."""
    made = _scanned(size.what, found)
    value = size.value.mm
    chance = _OFF_SIGMAS * float(np.hypot(made.sigma or 0.0, size.uncertainty.mm))
    return abs(made.value - value) <= max(min(_OFF_SHARE * value, _OFF_MOST), chance)


def _measured_elsewhere(
    size: Measured, number: int, found: Sequence[Pointed], orders: Sequence[Sequence[Pointed]]
) -> str:
    if size.what == "diameter":
        others = [(p,) for p in orders[0] if _fits(size, [p.feature])]
        there = ", ".join(f"{_told(size.what, [p.feature])} ({p.distance:.1f} mm away)" for (p,) in others[:3])
    else:
        first = found[0]
        pairs = [
            (first.feature, p.feature)
            for p in orders[1]
            if p.feature.id != first.feature.id and _parallel(first.feature, p.feature)
        ]
        if size.what == "thickness":
            pairs = [pair for pair in pairs if is_wall(pair)]
        there = ", ".join(_told(size.what, pair) for pair in [p for p in pairs if _fits(size, p)][:_SHOWN_FITTING])
    return (
        f"measured {number}: {size.value.mm:g} mm was measured, but {_told(size.what, [p.feature for p in found])} is "
        "what the scan has there, too far off to be the same; "
        + (f"of that size are {there}" if there else "nothing of that size was found")
        + ": check the place, the size and the scan's unit."
    )


def _told(what: str, found: Sequence[Feature]) -> str:
    if what == "diameter":
        return f"{found[0].id} D{2 * (found[0].radius or 0):.3f}"
    if len(found) == 1:
        return found[0].id
    return f"{found[0].id} to {found[1].id} {_distance(*found)[0]:.3f}"


def _with_distance(what: str, chosen: Sequence[Pointed]) -> str:
    away = " and ".join(f"{p.distance:.2f} mm" for p in chosen)
    return f"{_told(what, [p.feature for p in chosen])}, {away} away"


def _proposal(pairs: Sequence[_Known]) -> str | None:
    """Solve measured = scale scanned + coated offset by weighted least squares; say what it would mean."""
    if len(pairs) < 2:
        return None
    scanned = np.array([p.scanned for p in pairs])
    rows = np.column_stack([scanned, [p.coated for p in pairs]])
    sigma = np.array([p.sigma for p in pairs])
    off = np.array([p.measured for p in pairs]) - scanned
    if not rows[:, 1].any():
        return _scale_alone(_solved(rows[:, :1], off, sigma))
    both = _solved(rows, off, sigma)
    if both is not None:
        (stretch, offset), (stretch_u, offset_u) = both
        if stretch_u <= LOOSEST_SCALE and offset_u <= LOOSEST_OFFSET:
            parts = []
            if abs(stretch) > SINGLE * stretch_u:
                parts.append(f"a scale of {1.0 + stretch:.5f} (standard uncertainty {stretch_u:.5f})")
            if abs(offset) > SINGLE * offset_u:
                parts.append(_offset_in_words(offset, offset_u))
            if not parts:
                return (
                    f"The {len(pairs)} measured sizes ask for no correction: scale {1.0 + stretch:.5f} "
                    f"(standard uncertainty {stretch_u:.5f}), offset {um(offset)} a face "
                    f"(standard uncertainty {um(offset_u)})."
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
        f"no offset ({um(offset)} a face, standard uncertainty {um(offset_u)})"
        if abs(offset) <= SINGLE * offset_u
        else _offset_in_words(offset, offset_u)
    )
    return f"The measured sizes are too alike to tell a scale from an offset; without a scale they ask for {words}."


def _scale_alone(found: tuple[Floats, Floats] | None) -> str:
    """What distances that no coating changes say."""
    if found is None or found[1][0] > LOOSEST_SCALE:
        return "The measured distances are too rough to tell a scale of the scan."
    stretch, sigma = float(found[0][0]), float(found[1][0])
    size = f"{1.0 + stretch:.5f} (standard uncertainty {sigma:.5f})"
    if abs(stretch) <= SINGLE * sigma:
        return f"The measured distances, which no coating changes, ask for no correction: scale {size}."
    return f"The measured distances, which no coating changes, ask for a scale of {size}; nothing was applied."


def _offset_in_words(offset: float, sigma: float) -> str:
    size = f"{um(abs(offset))} a face (standard uncertainty {um(sigma)})"
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
