"""Refits under a constraint that the user vouches for: a direction taken from another feature, or a given radius.

A constrained fit is only as good as its constraint. The direction that is taken over brings its own uncertainty
along, into the direction itself and, by the fit, into everything else: with f the free parameters and c those held,
f = -(Jf'WJf)^-1 Jf'W (e + Jc c). A given radius is the user's word: no uncertainty is stated for it. Where the scan
contradicts the constraint beyond its uncertainty (99 %), the feature says so.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy.special import chdtri

from pipeline.errors import GeometryError, SettingsError
from pipeline.features.fitting.coating import outward_shift
from pipeline.features.fitting.least_squares import fit_constrained
from pipeline.features.fitting.piece import Piece
from pipeline.features.uncertainty import Held, block
from pipeline.geometry import Floats, basis_of, cross
from pipeline.job import Refit
from pipeline.lengths import mm
from pipeline.surfaces import kind_of
from pipeline.values import Feature

LEVEL = 0.99


class Refitted(NamedTuple):
    """The piece fitted anew, what was held, the same in words, and why that is doubtful (None: it isn't)."""

    piece: Piece
    held: Held
    words: str
    doubt: str | None


def targets(refits: tuple[Refit, ...], features: list[Feature]) -> list[tuple[int, int | None]]:
    """Of each refit the places in `features` of its feature and of the one it refers to (None without).

    Raises SettingsError where a refit names what is not there, itself, or a feature that has its refit already.

    >>> from tests.features.made import bore, plane
    >>> base, seat = plane('base', (0, 0, 0), (0, 0, 1)), bore('seat', (9, 0, 0), (0, 0, 1), 5.0)
    >>> targets((Refit(feature='seat', square_to='base'),), [base, seat])
    [(1, 0)]
    """
    out: list[tuple[int, int | None]] = []
    for number, refit in enumerate(refits, 1):
        mine = _index(refit.feature, number, features)
        if any(mine == earlier for earlier, _ in out):
            raise SettingsError(f"refit {number}: {refit.feature!r} has a refit already; put all of it in one table.")
        other = refit.parallel_to or refit.square_to
        reference = None if other is None else _index(other, number, features)
        if reference == mine:
            raise SettingsError(f"refit {number}: {refit.feature!r} can't be held to itself; name another feature.")
        for index, text in ((mine, refit.feature), (reference, other)):
            if other is not None and index is not None and features[index].direction is None:
                what = f"{text!r} is a {features[index].kind}"
                raise SettingsError(f"refit {number}: {what} and has no direction; name another feature.")
        if refit.radius is not None and not kind_of(features[mine]).refit_radius:
            what = f"{refit.feature!r} is a {features[mine].kind}"
            raise SettingsError(f"refit {number}: {what}, which has no one radius; leave the radius out.")
        out.append((mine, reference))
    return out


def _index(text: str, number: int, features: list[Feature]) -> int:
    for index, feature in enumerate(features):
        if feature.goes_by(text):
            return index
    known = ", ".join(f.id for f in features[:12]) or "none"
    raise SettingsError(f"refit {number}: there is no feature {text!r}; those found are {known}.")


def refitted(
    refit: Refit, number: int, piece: Piece, free: Feature, reference: Feature | None, coating: float
) -> Refitted:
    """Fit a piece again as the refit asks; `free` is the feature of its free fit, `coating` mm on every face.

    Raises SettingsError where the free fit is more than 10 degrees off the direction asked for.

    >>> from tests.features.made import plane
    >>> from pipeline.features.fitting import Piece, fit
    >>> from pipeline.values import Extent
    >>> corners = np.array([[x, y, 0.001 * x] for x in range(5) for y in range(5)], dtype=float)
    >>> found = fit('plane', corners)
    >>> piece = Piece(found.shape, None, found, corners, Extent(16.0, 32))
    >>> base = plane('base', (0.0, 0.0, -9.0), (0.0, 0.0, 1.0))
    >>> face = plane('face', found.shape.point, found.shape.direction)
    >>> again = refitted(Refit(feature='face', parallel_to='base'), 1, piece, face, base, 0.0)
    >>> abs(again.piece.shape.direction).tolist(), again.words
    ([0.0, 0.0, 1.0], 'parallel to base')
    """
    along = across = None
    words, doubts = [], []
    same = reference is not None and kind_of(reference).flat == kind_of(free).flat
    if reference is not None:
        # A bore is square to a face when its axis is along the face's normal.
        if (refit.parallel_to is not None) == same:
            along = reference.direction
        else:
            across = reference.direction
        words.append(f"{'parallel' if refit.parallel_to is not None else 'square'} to {reference.id}")
    radius = None
    if refit.radius is not None:
        radius = refit.radius - outward_shift(free, coating)
        words.append(f"to a given radius of {mm(refit.radius, '.7g')}")
    try:
        fit = fit_constrained(
            free.kind, piece.points, piece.shape, parallel_to=along, perpendicular_to=across, radius=radius
        )
    except GeometryError as error:
        raise SettingsError(f"refit {number} ({refit.feature}): {error}") from None
    basis = basis_of(fit.shape.direction)
    names: tuple[str, ...] = ()
    covariance: Floats | None = np.zeros((0, 0))
    if reference is not None and fit.shape.direction is not None:
        spread = _turns(reference)
        if along is not None:
            names = ("a", "b")
        else:
            assert across is not None
            names = ("b",)
            basis = np.array([cross(across, fit.shape.direction), across])
        if spread is None:
            covariance = None
        elif along is not None:
            covariance = basis @ spread @ basis.T
        else:
            covariance = np.array([[fit.shape.direction @ spread @ fit.shape.direction]])
        doubts.append(_turned(free, fit.shape.direction, spread, across))
    if radius is not None:
        names += ("r",)
        if covariance is not None:
            covariance = np.pad(covariance, (0, 1))
        known, off = free.uncertainty.radius, abs((free.radius or 0.0) - refit.radius) if refit.radius else 0.0
        if known is not None and off > np.sqrt(chdtri(1, 1.0 - LEVEL)) * known:
            doubts.append(f"left free its radius is {mm(off, '.4f')} off, {off / known:.1f} standard uncertainties")
    doubt = "; ".join(d for d in doubts if d) or None
    held = Held(names, covariance, basis, ", ".join(words))
    return Refitted(replace(piece, shape=fit.shape, fit=fit), held, held.words, doubt)


def _turns(feature: Feature) -> Floats | None:
    """Covariance (3, 3) of a feature's direction, rad^2."""
    known = feature.uncertainty
    pair = block(known, ("a", "b"))
    return None if pair is None or known.basis is None else known.basis.T @ pair @ known.basis


def _turned(free: Feature, direction: Floats, spread: Floats | None, across: Floats | None) -> str | None:
    """What speaks against the direction, from how far the free fit's is off it."""
    own = _turns(free)
    if own is None or spread is None or free.direction is None:
        return None
    ways = basis_of(direction) if across is None else across[None, :]
    off = ways @ (free.direction * np.sign(free.direction @ direction) - direction)
    # Across a reference it is the reference's turn along the axis that counts.
    theirs = ways @ spread @ ways.T if across is None else np.array([[direction @ spread @ direction]])
    both = ways @ own @ ways.T + theirs
    square = float(off @ np.linalg.pinv(both, hermitian=True) @ off)
    if square <= chdtri(len(ways), 1.0 - LEVEL):
        return None
    turn = np.degrees(np.linalg.norm(off))
    return f"left free it points {turn:.3f} degrees off, {np.sqrt(square):.1f} standard uncertainties"
