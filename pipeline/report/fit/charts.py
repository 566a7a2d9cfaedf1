"""Curves and maps of the page of a fit-up, as SVG."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.geometry import MM_PER_INCH, Floats, Mask
from pipeline.palette import Paint, colour_of, css
from pipeline.report import safe

_WIDE, _HIGH, _LEFT, _FOOT = 640.0, 260.0, 62.0, 44.0
_LIGHT, _DARK = Paint(0.96, 0.02, 232.0), Paint(0.44, 0.085, 232.0)


@dataclass(frozen=True)
class Curve:
    """y (n,) over x (n,), with what both are called; least: a line that y is to keep above, None: there is none."""

    x: Floats
    y: Floats
    across: str
    upwards: str
    title: str
    least: float | None = None

    def in_unit(self, unit: str) -> Curve:
        """The same with what is called ", mm" in "mm" or "in"."""
        (across, a), (upwards, u) = (_axis(name, unit) for name in (self.across, self.upwards))
        least = None if self.least is None else u * self.least
        return replace(self, x=a * self.x, y=u * self.y, across=across, upwards=upwards, least=least)


@dataclass(frozen=True)
class Grid:
    """values (len(ys), len(xs)), not-a-number where nothing is known, with what all three are called.

    there  (len(ys), len(xs)) where there is anything at all, all unless told; least: under it values stand out
    """

    xs: Floats
    ys: Floats
    values: Floats
    across: str
    upwards: str
    what: str
    title: str
    there: Mask | None = None
    least: float | None = None

    def in_unit(self, unit: str) -> Grid:
        """The same with what is called ", mm" in "mm" or "in"."""
        (across, a), (upwards, u), (what, w) = (_axis(name, unit) for name in (self.across, self.upwards, self.what))
        least = None if self.least is None else w * self.least
        return replace(
            self, xs=a * self.xs, ys=u * self.ys, values=w * self.values, across=across, upwards=upwards, what=what,
            least=least,
        )  # fmt: skip


def _axis(name: str, unit: str) -> tuple[str, float]:
    """What an axis is called in a unit, and by what its figures in mm are multiplied."""
    if unit == "mm" or not name.endswith(", mm"):
        return name, 1.0
    return f"{name.removesuffix('mm')}{unit}", 1.0 / MM_PER_INCH


def curve_svg(curve: Curve) -> str:
    """The curve with both axes, and the line that it is to keep above.

    >>> line = Curve(np.array([0.0, 1.0]), np.array([2.0, 3.0]), "travel, mm", "gap, mm", "gap along the travel", 1.0)
    >>> curve_svg(line).count("<path")
    3
    """
    known = np.isfinite(curve.y)
    tops = [*curve.y[known].tolist(), 0.0, *([] if curve.least is None else [curve.least])]
    frame = _Frame(float(curve.x.min()), float(curve.x.max()), min(tops), min(tops) + 1.1 * (max(tops) - min(tops)))
    points = [frame.at(x, y) for x, y in zip(curve.x[known].tolist(), curve.y[known].tolist(), strict=True)]
    line = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    body = f'<path d="{line}" stroke="{css("curve of most")}" stroke-width="2"/>'
    if curve.least is not None:
        x, y = frame.at(frame.left, curve.least)
        body += f'<path d="M{x:.1f} {y:.1f}H{_WIDE - 8:.1f}" stroke="{css("bad")}" stroke-dasharray="5 3"/>'
        told = f"least {curve.least:.4g}"
        body += (
            f'<text stroke="none" x="{_WIDE - 8:.1f}" y="{y - 4:.1f}" text-anchor="end" class="budget">{told}</text>'
        )
    return _whole(frame.axes(curve.across, curve.upwards) + body, curve.title)


def grid_figure(grid: Grid) -> str:
    """The map, the darker the more, its ends and each cell's value told.

    >>> cells = Grid(np.arange(2.0), np.arange(2.0), np.array([[1.0, 2.0], [3.0, np.nan]]), "x", "y", "gap", "a map")
    >>> grid_figure(cells).count("<rect")
    4
    """
    known = grid.values[np.isfinite(grid.values)]
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 1.0)
    frame = _Frame(float(grid.xs[0]), float(grid.xs[-1]), float(grid.ys[0]), float(grid.ys[-1]))
    wide = (_WIDE - _LEFT - 8.0) / len(grid.xs)
    tall = (_HIGH - _FOOT - 8.0) / len(grid.ys)
    cells = []
    for j, y in enumerate(grid.ys.tolist()):
        for i, x in enumerate(grid.xs.tolist()):
            if grid.there is not None and not grid.there[j, i]:
                continue
            value = float(grid.values[j, i])
            fill = css("unknown") if not np.isfinite(value) else _shade((value - low) / max(high - low, 1e-12))
            if grid.least is not None and value < grid.least:
                fill = css("bad")
            told = "not known" if not np.isfinite(value) else f"{value:.3g}"
            place = f'x="{_LEFT + i * wide:.2f}" y="{8.0 + (len(grid.ys) - 1 - j) * tall:.2f}"'
            cells.append(
                f'<rect {place} width="{wide + 0.3:.2f}" height="{tall + 0.3:.2f}" fill="{fill}" stroke="none">'
                f"<title>{safe(grid.across)} {x:.4g}, {safe(grid.upwards)} {y:.4g}: {told}</title></rect>"
            )
    keys = [(_shade(0.0), f"{low:.3g}"), (_shade(1.0), f"{high:.3g}")]
    if grid.least is not None and low < grid.least:
        keys.append((css("bad"), f"under {grid.least:g}"))
    shown = np.ones(grid.values.shape, bool) if grid.there is None else grid.there
    if (shown & ~np.isfinite(grid.values)).any():
        keys.append((css("unknown"), "not known"))
    listed = "".join(f'<li><span class="swatch" style="background:{c}"></span>{safe(text)}</li>' for c, text in keys)
    body = f'<g shape-rendering="crispEdges">{"".join(cells)}</g>' + frame.axes(grid.across, grid.upwards)
    caption = f'{safe(grid.title)}; {safe(grid.what)}<ul class="keys">{listed}</ul>'
    return _whole(body, grid.title) + f"<figcaption>{caption}</figcaption>"


def _shade(share: float) -> str:
    between = Paint(
        _LIGHT.lightness + share * (_DARK.lightness - _LIGHT.lightness),
        _LIGHT.chroma + share * (_DARK.chroma - _LIGHT.chroma),
        _DARK.hue,
    )
    return "#{:02x}{:02x}{:02x}".format(*colour_of(between))


@dataclass(frozen=True)
class _Frame:
    """From where to where a chart goes."""

    left: float
    right: float
    low: float
    high: float

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Where a point stands in the picture."""
        across = (x - self.left) / max(self.right - self.left, 1e-12)
        up = (y - self.low) / max(self.high - self.low, 1e-12)
        return _LEFT + across * (_WIDE - _LEFT - 8.0), _HIGH - _FOOT - up * (_HIGH - _FOOT - 8.0)

    def axes(self, across: str, upwards: str) -> str:
        """Both axes, with round figures along them."""
        foot, out = _HIGH - _FOOT, [f'<path d="M{_LEFT} 8V{_HIGH - _FOOT}H{_WIDE - 8}"/>']
        for x in _round_figures(self.left, self.right, 4):
            place = self.at(x, self.low)[0]
            anchor = "end" if place > _WIDE - 20 else "middle"
            out.append(f'<text stroke="none" x="{place:.1f}" y="{foot + 16:.1f}" text-anchor="{anchor}">{x:.4g}</text>')
        for y in _round_figures(self.low, self.high, 2):
            place = self.at(self.left, y)[1]
            out.append(
                f'<text stroke="none" x="{_LEFT - 6:.1f}" y="{max(place + 4, 16):.1f}" text-anchor="end">{y:.4g}</text>'
            )
        out.append(f'<text stroke="none" x="{_WIDE - 8}" y="{_HIGH - 8}" text-anchor="end">{safe(across)}</text>')
        out.append(f'<text stroke="none" x="4" y="{_HIGH - 8}">{safe(upwards)} (upwards)</text>')
        return "".join(out)


def round_length(about: float) -> float:
    """1, 2 or 5 times a power of ten, about a length.

    >>> round_length(0.7), round_length(23.0)
    (0.5, 20.0)
    """
    power = 10.0 ** np.floor(np.log10(about))
    return float(max(n for n in (1.0, 2.0, 5.0) if n * power <= about) * power)


def _round_figures(low: float, high: float, parts: int) -> list[float]:
    """Multiples of a round length from one end to the other, in some more parts than asked for."""
    if not high > low:
        return [low]
    step = round_length((high - low) / parts)
    return [k * step for k in range(int(np.ceil(low / step - 1e-9)), int(np.floor(high / step + 1e-9)) + 1)]


def _whole(body: str, title: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{safe(title)}" '
        f'viewBox="0 0 {_WIDE:g} {_HIGH:g}" fill="none" stroke="{css("ink")}" width="100%">{body}</svg>'
    )
