"""How far the figures of one feature spread over many parts, and whether they drift.

That parts differ is told by the sum of squared deviations from the weighted mean in units of each value's own standard
uncertainty, which for equal parts has a chi-squared distribution (Cochran 1954: The combination of estimates from
different experiments, Biometrics 10, 101-129); a drift by Student's t of the slope. All of them are corrected together
(Holm 1979).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.features.naming import order_of, term_of
from pipeline.features.uncertainty import holm
from pipeline.formats.batch_file.records import SpreadRecord
from pipeline.formats.datum_file import FeatureRecord, nine_figures
from pipeline.geometry import Floats
from pipeline.surfaces import kind_of

_ALONG = 0.9  # cosine from which a direction runs along an axis of the part frame: it says nothing of that axis
_FIXED = 1e-6  # mm, degrees: what doesn't spread more than this is set by the frame
_LEAST_TREND = 4


# Slope a part, its standard uncertainty, and the chance of one so steep where there is none.
_Trend = tuple[float | None, float | None, float | None]


@dataclass(frozen=True)
class _Figure:
    """values (n,), not-a-number where there is none, and their standard uncertainties, not-a-number where unknown."""

    name: str
    unit: str
    values: Floats
    doubts: Floats


def spread_of(
    parts: Sequence[Sequence[FeatureRecord]],
    comparable: Sequence[bool],
    numbers: frozenset[str],
    scales: Sequence[float],
    level: float,
) -> tuple[SpreadRecord, ...]:
    """The spread of each figure of the features with these numbers; parts (n) in their order.

    comparable  (n,) whether a part's frame stands on the same datums as those of the others: places go by it
    scales      (n,) relative uncertainty of the scanner's scale that a part's diameters hold
    level       of what stands out

    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> same = build(outcome()).features
    >>> bore = next(s for s in spread_of([same] * 3, [True] * 3, frozenset({"cylinder-1"}), [0.0] * 3, 0.05))
    >>> bore.figure, bore.mean, bore.sigma, bore.apart, bore.trend
    ('diameter', 40.0, 0.0, False, None)
    """
    by_number = [{f.id: f for f in part if f.id in numbers} for part in parts]
    rows: list[tuple[FeatureRecord, _Figure]] = []
    for number in sorted({n for part in by_number for n in part}, key=order_of):
        seen = [part.get(number) for part in by_number]
        sure = [None if f is None or f.confidence != "good" else f for f in seen]
        if first := next((f for f in sure if f is not None), None):
            rows += [(first, figure) for figure in _figures(sure, comparable, scales)]
    apart = _adjusted([_p_apart(figure) for _, figure in rows])
    trends = [_trend(figure) for _, figure in rows]
    drift = _adjusted([chance for _, _, chance in trends])
    return tuple(
        _record(feature, figure, p, (slope, within, q), level)
        for (feature, figure), p, (slope, within, _), q in zip(rows, apart, trends, drift, strict=True)
    )


def _figures(
    seen: Sequence[FeatureRecord | None], comparable: Sequence[bool], scales: Sequence[float]
) -> Iterator[_Figure]:
    yield from _sizes(seen, scales)
    placed = [f if same else None for f, same in zip(seen, comparable, strict=True)]
    if sum(f is not None for f in placed) > 1:
        for figure in _places(placed):
            known = figure.values[np.isfinite(figure.values)]
            if len(known) and np.ptp(known) > _FIXED:
                yield figure


def _sizes(seen: Sequence[FeatureRecord | None], scales: Sequence[float]) -> Iterator[_Figure]:
    first = next(f for f in seen if f is not None)
    kind = kind_of(first)
    # The radius of a cone is told where its middle was seen, which is another place in each part.
    if first.radius is not None and first.half_angle is None and kind.invariance != "prismatic":
        values = _array(2.0 * f.radius if f is not None and f.radius is not None else None for f in seen)
        doubts = _array(
            None if f is None or f.radius is None or f.uncertainty.radius is None
            else 2.0 * math.sqrt(max(f.uncertainty.radius**2 - (scale * f.radius) ** 2, 0.0))
            for f, scale in zip(seen, scales, strict=True)
        )  # fmt: skip
        yield _Figure("diameter", "mm", values, doubts)
    if first.half_angle is not None:
        values = _array(None if f is None else f.half_angle for f in seen)
        yield _Figure("half angle", "deg", values, np.full(len(values), np.nan))


def _places(seen: Sequence[FeatureRecord | None]) -> Iterator[_Figure]:
    first = next(f for f in seen if f is not None).in_part_frame
    points = np.array([np.full(3, np.nan) if f is None else f.in_part_frame.point for f in seen])
    of_place, of_direction = (
        _array(
            None if f is None or f.in_part_frame.uncertainty is None else getattr(f.in_part_frame.uncertainty, name)
            for f in seen
        )
        for name in ("position", "direction")
    )
    kind = kind_of(next(f for f in seen if f is not None))
    if first.direction is None:
        for axis in range(3):
            yield _Figure(f"place along {'xyz'[axis]}", "mm", points[:, axis], of_place)
        return
    start, along = np.array(first.point), np.array(first.direction)
    ways = np.array(
        [np.full(3, np.nan) if f is None else f.in_part_frame.direction or np.full(3, np.nan) for f in seen]
    )
    ways = ways * np.where(ways @ along < 0.0, -1.0, 1.0)[:, None]
    across = [axis for axis in range(3) if abs(along[axis]) <= _ALONG]
    if kind.flat:
        axis = int(np.argmax(np.abs(along)))
        with np.errstate(divide="ignore", invalid="ignore"):
            crossing = start[axis] + np.einsum("ij,ij->i", points - start, ways) / ways[:, axis]
        yield _Figure(f"place along {'xyz'[axis]}", "mm", crossing, of_place / abs(along[axis]))
    elif kind.invariance == "revolute" and next(f for f in seen if f is not None).major_radius is not None:
        for axis in range(3):
            yield _Figure(f"place along {'xyz'[axis]}", "mm", points[:, axis], of_place)
    else:
        with np.errstate(divide="ignore", invalid="ignore"):
            steps = (start - points) @ along / (ways @ along)
        crossings = points + steps[:, None] * ways
        for axis in across:
            yield _Figure(f"place along {'xyz'[axis]}", "mm", crossings[:, axis], of_place)
    for axis in across:
        lean = np.degrees(np.arcsin(np.clip(ways[:, axis], -1.0, 1.0)))
        yield _Figure(f"lean towards {'xyz'[axis]}", "deg", lean, of_direction)


def _array(values: Iterator[float | None]) -> Floats:
    return np.array([np.nan if value is None else value for value in values])


def _p_apart(figure: _Figure) -> float | None:
    from scipy.stats import chi2

    known = np.isfinite(figure.values)
    values, doubts = figure.values[known], figure.doubts[known]
    if len(values) < 2 or not (np.isfinite(doubts) & (doubts > 0.0)).all():
        return None
    weights = doubts**-2
    mean = weights @ values / weights.sum()
    return float(chi2.sf(weights @ (values - mean) ** 2, len(values) - 1))


def _trend(figure: _Figure) -> _Trend:
    from scipy.stats import t

    places = np.flatnonzero(np.isfinite(figure.values)).astype(float)
    values = figure.values[np.isfinite(figure.values)]
    if len(values) < _LEAST_TREND:
        return None, None, None
    x, y = places - places.mean(), values - values.mean()
    slope = float(x @ y / (x @ x))
    within = math.sqrt(float(np.sum((y - slope * x) ** 2)) / (len(x) - 2) / float(x @ x))
    if within == 0.0:
        return slope, within, None if slope == 0.0 else 0.0
    return slope, within, float(2.0 * t.sf(abs(slope) / within, len(x) - 2))


def _adjusted(chances: Sequence[float | None]) -> list[float | None]:
    known = [chance for chance in chances if chance is not None]
    made = iter(holm(known).tolist() if known else [])
    return [None if chance is None else next(made) for chance in chances]


def _record(
    feature: FeatureRecord, figure: _Figure, p_apart: float | None, trend: _Trend, level: float
) -> SpreadRecord:
    known = figure.values[np.isfinite(figure.values)]
    doubts = figure.doubts[np.isfinite(figure.values)]
    slope, within, p_trend = trend
    return SpreadRecord(
        feature=feature.id,
        name=feature.name,
        term=term_of(feature),
        figure=figure.name,
        unit="mm" if figure.unit == "mm" else "deg",
        values=tuple(_plain(v) for v in figure.values),
        count=len(known),
        mean=_told(known.mean()),
        sigma=_told(known.std(ddof=1)) if len(known) > 1 else None,
        least=_told(known.min()),
        largest=_told(known.max()),
        measured_within=_told(np.sqrt(np.mean(doubts**2))) if np.isfinite(doubts).all() else None,
        p_apart=None if p_apart is None else _told(p_apart),
        apart=None if p_apart is None else p_apart <= level,
        trend=None if slope is None else _told(slope),
        trend_within=None if within is None else _told(within),
        p_trend=None if p_trend is None else _told(p_trend),
        drifts=None if p_trend is None else p_trend <= level,
    )


def _plain(value: float) -> float | None:
    return _told(value) if math.isfinite(value) else None


def _told(value: float) -> float:
    return nine_figures(float(value)) + 0.0
