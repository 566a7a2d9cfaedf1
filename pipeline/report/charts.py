"""Charts as SVG text, with words for those who do not see them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.report.colours import diverging
from pipeline.report.words import Words

WIDTH, HEIGHT, LEFT, BOTTOM, TOP = 720, 250, 52, 44, 14
BINS = 60


def histogram(deviation: NDArray, budget: float | None, limit: float, words: Words) -> str:
    """Signed deviations (n,) mm as a histogram with the budget marked; what lies beyond is gathered at the ends. Its title says it in words."""
    values = deviation[np.isfinite(deviation)]
    reach = 1.25 * limit
    counts, edges = np.histogram(np.clip(values, -reach, reach), bins=BINS, range=(-reach, reach))
    share = 100 * counts / max(len(values), 1)
    top = max(float(share.max()), 1e-9)
    width = (WIDTH - LEFT - 10) / BINS
    middle = (edges[:-1] + edges[1:]) / 2
    colours = diverging(middle, limit)
    bars = []
    for i, height in enumerate(share * (HEIGHT - TOP - BOTTOM) / top):
        x, y = LEFT + i * width, HEIGHT - BOTTOM - height
        fill = "#{:02x}{:02x}{:02x}".format(*colours[i])
        bars.append(
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{width - 0.5:.1f}" height="{height:.1f}" fill="{fill}" stroke="#555" stroke-width="0.4"/>'
        )
    parts = [
        *bars,
        f'<line x1="{LEFT}" y1="{HEIGHT - BOTTOM}" x2="{WIDTH - 10}" y2="{HEIGHT - BOTTOM}" stroke="#1f2321"/>',
    ]
    for t in (-1.0, -0.5, 0.0, 0.5, 1.0):
        x = _x(t * limit, reach)
        parts.append(
            f'<line x1="{x:.1f}" y1="{HEIGHT - BOTTOM}" x2="{x:.1f}" y2="{HEIGHT - BOTTOM + 5}" stroke="#1f2321"/>'
        )
        parts.append(
            f'<text x="{x:.1f}" y="{HEIGHT - BOTTOM + 18}" text-anchor="middle">{words.small(t * limit)}</text>'
        )
    parts.append(
        f'<text x="{(LEFT + WIDTH) / 2}" y="{HEIGHT - 6}" text-anchor="middle">light mesh off the scan, {words.small_unit}; outside positive</text>'
    )
    parts.append(
        f'<text x="{LEFT - 6}" y="{TOP + 10}" text-anchor="end">{top:.1f} %</text><text x="{LEFT - 6}" y="{HEIGHT - BOTTOM}" text-anchor="end">0 %</text>'
    )
    outside = ""
    if budget is not None:
        for sign in (-1, 1):
            x = _x(sign * budget, reach)
            parts.append(
                f'<line x1="{x:.1f}" y1="{TOP}" x2="{x:.1f}" y2="{HEIGHT - BOTTOM}" stroke="#8c1d18" stroke-width="1.6" stroke-dasharray="7 4"/>'
            )
        parts.append(f'<text x="{_x(budget, reach) - 5:.1f}" y="{TOP + 10}" text-anchor="end">budget</text>')
        beyond = 100 * float(np.mean(np.abs(values) > budget)) if len(values) else 0.0
        outside = f" {beyond:.2f} % lie beyond the budget."
    inside = 100 * float(np.mean(np.abs(values) <= limit)) if len(values) else 0.0
    words_for_it = f"Histogram of the distances of the light mesh's vertices from the scan: {inside:.1f} % lie within {words.small(limit)} {words.small_unit}.{outside}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="100%" role="img" '
        f'aria-label="{words_for_it}"><title>{words_for_it}</title>{"".join(parts)}</svg>'
    )


def _x(value: float, reach: float) -> float:
    return LEFT + (value + reach) / (2 * reach) * (WIDTH - LEFT - 10)
