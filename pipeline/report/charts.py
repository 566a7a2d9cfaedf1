"""The histogram of deviations, as SVG text with words for those who do not see it, and as a picture."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image as Picture
from PIL import ImageDraw, ImageFont

from pipeline.palette import colour, css, diverging
from pipeline.report.words import Words, drawable, safe

WIDTH, HEIGHT, LEFT, RIGHT, BOTTOM, TOP = 720, 270, 58, 16, 48, 24
BINS = 61
REACH = 1.22
INK, SOFT, RULE, LIMIT = css("ink"), css("soft"), css("rule"), css("bad")


def round_up(value: float) -> float:
    """The next of 1, 1.5, 2, 2.5, 3, 4, 5, 6, 8 times a power of ten mm, for ends of scales; 0.001 at least."""
    if value <= 1e-3:
        return 1e-3
    power = 10.0 ** math.floor(math.log10(value))
    return next((m * power for m in (1, 1.5, 2, 2.5, 3, 4, 5, 6, 8) if m * power >= value), 10 * power)


@dataclass(frozen=True)
class Bars:
    """share (k,) per cent of the area by signed deviation, edges (k + 1,) mm; what lies beyond is in the end bars.

    beyond   per cent beyond the budget, or beyond `limit` where there is none
    largest  mm, the largest distance that was found at any place; None where it isn't known
    """

    share: NDArray[np.float64]
    edges: NDArray[np.float64]
    budget: float | None
    limit: float
    beyond: float
    largest: float | None = None

    @property
    def reach(self) -> float:
        return float(self.edges[-1])


def bars_of(values: NDArray, areas: NDArray, budget: float | None, limit: float, largest: float | None = None) -> Bars:
    """values (m,) mm and the areas (m,) that they stand for; not-a-numbers are left out."""
    known = np.isfinite(values)
    values, areas = values[known], areas[known]
    reach = REACH * limit
    total, edges = np.histogram(np.clip(values, -reach, reach), bins=BINS, range=(-reach, reach), weights=areas)
    whole = max(float(areas.sum()), 1e-12)
    beyond = 100 * float(areas[np.abs(values) > (budget or limit)].sum()) / whole
    return Bars(100 * total / whole, edges, budget, limit, beyond, largest)


def in_words(bars: Bars, words: Words) -> str:
    """What lies within and beyond; all of it only where the largest distance that was found anywhere says so too."""
    bound = bars.budget or bars.limit
    within = f"{'the budget of ' if bars.budget is not None else ''}{words.small(bound)} {words.small_unit}"
    said = "Share of the measured area by distance of the light mesh from the scan"
    if bars.largest is not None and bars.largest <= bound and not bars.beyond:
        return f"{said}: all of it lies within {within}."
    largest = (
        "" if bars.largest is None else f"; the largest distance is {words.small(bars.largest)} {words.small_unit}"
    )
    # Upwards, so that what lies beyond is never rounded away.
    beyond = math.ceil(100 * bars.beyond) / 100
    if beyond <= 0.01:
        return f"{said}: more than 99.99 % lie within {within}, less than 0.01 % beyond{largest}."
    return f"{said}: {100 - beyond:.2f} % lie within {within}, {beyond:.2f} % beyond{largest}."


def _layout(bars: Bars) -> tuple[float, float]:
    """The share at the top of the axis, and the pixels that one bar is wide."""
    top = round_up(float(bars.share.max()) / 1000) * 1000
    return max(top, 1.0), (WIDTH - LEFT - RIGHT) / len(bars.share)


def _x(value: float, reach: float) -> float:
    return LEFT + (value + reach) / (2 * reach) * (WIDTH - LEFT - RIGHT)


def _y(share: float, top: float) -> float:
    return HEIGHT - BOTTOM - share / top * (HEIGHT - TOP - BOTTOM)


def _tick(value: float, words: Words) -> str:
    return words.small(value) if value else "0"


def _ticks(bars: Bars) -> list[float]:
    return [t * bars.limit for t in (-1.0, -0.5, 0.0, 0.5, 1.0)]


def histogram_svg(bars: Bars, words: Words) -> str:
    """As SVG text for the page."""
    top, width = _layout(bars)
    colours = diverging((bars.edges[:-1] + bars.edges[1:]) / 2, bars.limit)
    floor = HEIGHT - BOTTOM
    parts = [
        f'<path d="M{LEFT} {_y(s, top):.1f}H{WIDTH - RIGHT}" stroke="{RULE}"/>'
        f'<text x="{LEFT - 6}" y="{_y(s, top) + 4:.1f}" text-anchor="end">{s:g} %</text>'
        for s in (0.0, top / 2, top)
    ]
    for i, share in enumerate(bars.share):
        y = _y(share, top)
        fill = "#{:02x}{:02x}{:02x}".format(*colours[i])
        parts.append(
            f'<rect x="{LEFT + i * width:.1f}" y="{y:.1f}" width="{width - 0.8:.1f}" height="{floor - y:.1f}" '
            f'fill="{fill}" stroke="{SOFT}" stroke-width="0.5"/>'
        )
    parts.append(f'<path d="M{LEFT} {floor}H{WIDTH - RIGHT}" stroke="{INK}"/>')
    for tick in _ticks(bars):
        x = _x(tick, bars.reach)
        parts.append(f'<path d="M{x:.1f} {floor}v5" stroke="{INK}"/>')
        parts.append(f'<text x="{x:.1f}" y="{floor + 18}" text-anchor="middle">{_tick(tick, words)}</text>')
    legend = f"light mesh off the scan, {words.small_unit}; outside positive; end bars hold what lies beyond"
    parts.append(f'<text x="{(LEFT + WIDTH - RIGHT) / 2}" y="{HEIGHT - 8}" text-anchor="middle">{legend}</text>')
    if bars.budget is not None:
        for sign in (-1, 1):
            x = _x(sign * bars.budget, bars.reach)
            parts.append(
                f'<path d="M{x:.1f} {TOP - 6}V{floor}" stroke="{LIMIT}" stroke-width="1.8" stroke-dasharray="7 4"/>'
                f'<text x="{x:.1f}" y="{TOP - 10}" text-anchor="middle" class="budget">budget</text>'
            )
    told = safe(in_words(bars, words))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="100%" role="img" '
        f'aria-label="{told}">{"".join(parts)}</svg><figcaption>{told}</figcaption>'
    )


def histogram_picture(bars: Bars, words: Words) -> Picture.Image:
    """The same as a picture of twice the size."""
    size = 2
    top, width = _layout(bars)
    picture = Picture.new("RGB", (size * WIDTH, size * HEIGHT), colour("paper"))
    pen, font = ImageDraw.Draw(picture), ImageFont.load_default(12 * size)

    def line(x0: float, y0: float, x1: float, y1: float, ink: str, thick: int = 1) -> None:
        pen.line([(size * x0, size * y0), (size * x1, size * y1)], fill=ink, width=thick * size)

    def text(x: float, y: float, said: str, anchor: str, ink: str = INK) -> None:
        pen.text((size * x, size * y), drawable(said), fill=ink, font=font, anchor=anchor)

    floor = HEIGHT - BOTTOM
    for share in (0.0, top / 2, top):
        line(LEFT, _y(share, top), WIDTH - RIGHT, _y(share, top), RULE)
        text(LEFT - 6, _y(share, top), f"{share:g} %", "rm")
    colours = diverging((bars.edges[:-1] + bars.edges[1:]) / 2, bars.limit)
    for i, share in enumerate(bars.share):
        x = LEFT + i * width
        if share > 0:
            box = (size * x, size * _y(share, top), size * (x + width) - 2, size * floor)
            pen.rectangle(box, fill=tuple(int(c) for c in colours[i]), outline=SOFT)
    line(LEFT, floor, WIDTH - RIGHT, floor, INK)
    for tick in _ticks(bars):
        x = _x(tick, bars.reach)
        line(x, floor, x, floor + 5, INK)
        text(x, floor + 8, _tick(tick, words), "ma")
    text((LEFT + WIDTH - RIGHT) / 2, HEIGHT - 8, f"light mesh off the scan, {words.small_unit}; outside positive", "ms")
    if bars.budget is not None:
        for sign in (-1, 1):
            x = _x(sign * bars.budget, bars.reach)
            for y in range(TOP - 6, floor, 11):
                line(x, y, x, min(y + 7, floor), LIMIT, 2)
            text(x, TOP - 8, "budget", "ms", LIMIT)
    return picture


def misfit_svg(places: NDArray, off: NDArray, words: Words) -> str:
    """Cells of what two scans both saw as SVG text: their middles (k, 3) seen along the two shortest of their three
    extents, coloured by misfit off (k,), mm; "" where there are none."""
    if not len(places):
        return ""
    limit = round_up(float(np.quantile(np.abs(off), 0.95)))
    long, middle, short = np.argsort(-np.ptp(places, axis=0))
    span = max(float(np.ptp(places[:, long])), 1e-9)
    scale = (WIDTH / 2.0 - 40.0) / span
    fills = ["#%02x%02x%02x" % tuple(c) for c in diverging(off, limit).tolist()]  # noqa: UP031
    parts, deepest = [], 0.0
    for number, (other, depth) in enumerate(((middle, short), (short, middle))):
        left = 20.0 + number * WIDTH / 2.0
        x = left + (places[:, long] - places[:, long].min()) * scale
        y = 30.0 + (places[:, other].max() - places[:, other]) * scale
        deepest = max(deepest, float(y.max()))
        order = np.argsort(places[:, depth])
        parts.append(f'<text x="{left:.0f}" y="16">seen along {"xyz"[depth]}</text>')
        parts += [f'<circle cx="{x[i]:.1f}" cy="{y[i]:.1f}" r="4" fill="{fills[i]}"/>' for i in order]
    edge = f"{words.small(limit)} {words.small_unit}"
    said = f"Misfit of what both scans saw, colours from {edge} inside to {edge} outside; half of it is below "
    said += f"{words.small(float(np.median(np.abs(off))))} {words.small_unit}."
    return (
        f'<svg viewBox="0 0 {WIDTH} {deepest + 16:.0f}" role="img" xmlns="http://www.w3.org/2000/svg" '
        f'font-size="12" fill="{INK}"><title>{safe(said)}</title>{"".join(parts)}</svg>'
        f"<figcaption>{safe(said)}</figcaption>"
    )
