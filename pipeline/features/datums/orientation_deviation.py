"""Square-up figures: how far faces and bores are from square, parallel and coaxial to the datums.

Each figure is an angle with its uncertainty and what it comes to in mm across the feature itself, which is what
someone at the machine sees on an indicator.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from pipeline.features.datums.datum_system import Datums, axis_weights
from pipeline.features.datums.designation import Choice
from pipeline.features.datums.freedoms import LETTERS
from pipeline.features.datums.proposals import usable
from pipeline.features.datums.situation_features import SNAP, Situation, situation
from pipeline.features.relations import Idea, meant, near, span_of
from pipeline.features.uncertainty import chance
from pipeline.geometry import Floats, angle_between_lines, steady_pair
from pipeline.surfaces import Shape, kind_of, moved, shape_of
from pipeline.values import Feature, SquareUp

FACES, ROUNDS = 12, 16  # the largest that are worth a line
STEP = 1e-6
ONE_SIDED = 1.645  # 95 % of a normal deviate, from one side


def square_up(datums: Datums) -> tuple[tuple[SquareUp, Idea], ...]:
    """The main faces and bores against each datum that has a direction, in the datums' order, each with its idea.

    A feature that makes the datum itself is left out, and so is one that is so far from parallel and square that it
    can't have been meant to be either. What stands out is judged elsewhere, among all that is looked at.

    >>> from tests.features.made import plane
    >>> from pipeline.features.datums import choose
    >>> from pipeline.features.datums.datum_system import reach_of
    >>> leaning = (0.0, np.sin(np.radians(0.5)), np.cos(np.radians(0.5)))
    >>> features = (plane('base', (0.0, 0.0, 0.0), (0.0, 0.0, -1.0)), plane('top', (0.0, 0.0, 40.0), leaning))
    >>> found = square_up(Datums((choose('base', features, {}),), features, reach_of(features)))
    >>> [(row.feature, row.kind, round(float(np.degrees(row.angle)), 3)) for row, _ in found]
    [('top', 'parallel', 0.5)]
    """
    weights = axis_weights(datums)
    good = usable(datums.features)
    faces = [f for f in good if kind_of(f).flat][:FACES]
    rounds = [f for f in good if kind_of(f).axial and kind_of(f).ruled][:ROUNDS]
    by_id = {f.id: f for f in datums.features}
    out = []
    for letter, choice in zip(LETTERS, datums.choices, strict=False):
        for feature in faces + rounds:
            if feature.id in choice.members:
                continue
            made = _against(letter, choice, feature, by_id, weights)
            if made is not None:
                out.append(made)
    return tuple(out)


def _against(
    letter: str, choice: Choice, feature: Feature, by_id: Mapping[str, Feature], weights: Mapping[str, Floats]
) -> tuple[SquareUp, Idea] | None:
    members = [by_id[m] for m in choice.members]
    shapes = {m.id: shape_of(m) for m in members}
    datum = situation(choice, shapes, weights)
    if datum.direction is None or feature.direction is None:
        return None
    flat = kind_of(feature).flat
    round_to_round = not datum.flat and not flat
    angle = angle_between_lines(feature.direction, datum.direction)
    along = angle < SNAP
    if not along and angle < np.pi / 2 - SNAP:
        return None
    # An axis along a face's normal stands square on the face; the words follow the surfaces, not the vectors.
    mixed = datum.flat != flat
    kind = "parallel" if along != mixed else "square"
    deviation, offset = _figures(datum, feature, along)
    known = all(f.uncertainty.covariance is not None for f in [feature, *members])
    gains = [_gain(f, feature, choice, shapes, weights, along) for f in [feature, *members]] if known else []
    spread = np.zeros((4, 4))
    for f, gain in zip([feature, *members], gains, strict=False):
        spread += gain @ np.asarray(f.uncertainty.covariance) @ gain.T
    sigma = _sigma_along(deviation, spread[:2, :2], along)
    size, length = float(np.linalg.norm(deviation)), span_of(feature)
    if not meant(size, sigma, length, max(span_of(m) for m in members)):
        return None
    off = offset_sigma = None
    tested = range(2 if along else 1)
    apart = float(np.linalg.norm(offset))
    if round_to_round and along and near(apart, _sigma_along(offset, spread[2:, 2:], True)):
        kind, off = "coaxial", apart
        offset_sigma = _sigma_along(offset, spread[2:, 2:], True) if known else None
        tested = range(4)
    p = None
    if known:
        sources = [(g[tested], f.uncertainty) for f, g in zip([feature, *members], gains, strict=True)]
        p = chance(np.concatenate([deviation, offset])[tested], sources)
    row = SquareUp(
        feature.id, letter, kind, size, sigma if known else None, float(np.tan(size)) * length, length, off,
        offset_sigma, within=_within(size, spread[:2, :2]) if known else None, p=p,
    )  # fmt: skip
    return row, Idea("line" if kind == "coaxial" else "direction", frozenset((choice.label, feature.id)))


def _figures(datum: Situation, feature: Feature, along: bool) -> tuple[Floats, Floats]:
    """Deviation of the directions (2,), rad (second zero where only one angle counts), and of the places (2,), mm,
    both in axes across the datum's direction."""
    assert datum.direction is not None
    assert feature.direction is not None
    n, d = datum.direction, feature.direction
    e = np.array(steady_pair(n))
    if along:
        d = d * np.sign(d @ n)
        turn = e @ d / float(d @ n)
    else:
        turn = np.array([np.arcsin(np.clip(d @ n, -1.0, 1.0)), 0.0])
    return turn, e @ (feature.point - datum.point)


def _gain(
    moving: Feature,
    feature: Feature,
    choice: Choice,
    shapes: Mapping[str, Shape],
    weights: Mapping[str, Floats],
    along: bool,
) -> Floats:
    """(4, k) how the two deviations change with the local parameters of one of the features."""
    u = moving.uncertainty
    columns = []
    for k in range(len(u.names)):
        ends = []
        for sign in (1.0, -1.0):
            step = np.zeros(len(u.names))
            step[k] = sign * STEP
            nearby = moved(shape_of(moving), step, u.basis)
            if moving is feature:
                shifted = replace(feature, point=nearby.point, direction=nearby.direction)
                datum = situation(choice, shapes, weights)
            else:
                shifted = feature
                datum = situation(choice, {**shapes, moving.id: nearby}, weights)
            ends.append(np.concatenate(_figures(datum, shifted, along)))
        columns.append((ends[0] - ends[1]) / (2.0 * STEP))
    return np.array(columns).T


def _within(size: float, spread: Floats) -> float:
    """What the true deviation, one angle or a pair, is at most in 95 of 100 cases: of a pair the part along the true
    one alone is a normal deviate, whose spread is no larger than the larger principal value."""
    return size + ONE_SIDED * float(np.sqrt(max(np.linalg.eigvalsh(spread)[-1], 0.0)))


def _sigma_along(deviation: Floats, spread: Floats, pair: bool) -> float:
    """Standard uncertainty of the deviation's size: along itself, or the larger one where there is none."""
    if not pair:
        return float(np.sqrt(max(float(spread[0, 0]), 0.0)))
    size = float(np.linalg.norm(deviation))
    worst = float(np.sqrt(max(np.linalg.eigvalsh(spread)[-1], 0.0)))
    if size <= worst:
        return worst
    e = deviation / size
    return float(np.sqrt(max(float(e @ spread @ e), 0.0)))
