"""Drawings as SVG, for pages: drawn in the page's own text colour."""

from __future__ import annotations

import html

from pipeline.formats.drawings import items

_MARGIN = 3.0
_WIDTHS = {
    items.SECTION: 0.5, items.OUTLINE: 0.5, items.HATCH: 0.1, items.FILLED: 0.25, items.CENTRE: 0.18,
    items.DIMENSIONS: 0.18,
}  # fmt: skip
_DASHES = {items.CENTRE: "6 0.8 0.4 0.8", items.FILLED: "3 0.8"}


def svg_of(drawn: tuple[items.Item, ...], title: str) -> str:
    """A drawing as one <svg> element whose units are mm; `title` is what a screen reader says.

    >>> svg_of((items.Circle(items.HOLES, (5.0, 5.0), 5.0),), "a hole")[:45]
    '<svg xmlns="http://www.w3.org/2000/svg" role='
    """
    (x0, y0), (x1, y1) = items.bounds(drawn)
    box = f"{x0 - _MARGIN:.2f} {-y1 - _MARGIN:.2f} {x1 - x0 + 2 * _MARGIN:.2f} {y1 - y0 + 2 * _MARGIN:.2f}"
    body = "".join(_drawn(item) for item in drawn)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{html.escape(title)}" viewBox="{box}" '
        f'fill="none" stroke="currentColor" stroke-width="0.25" font-family="sans-serif">{body}</svg>'
    )


def _drawn(item: items.Item) -> str:
    match item:
        case items.Line(_, start, end):
            return f'<path d="M{_at(start)}L{_at(end)}"{_look(item.layer)}/>'
        case items.Polyline(_, points):
            return f'<path d="M{"L".join(map(_at, points))}"{_look(item.layer)}/>'
        case items.Circle(_, (x, y), radius):
            return f'<circle cx="{x:.3f}" cy="{-y:.3f}" r="{radius:.3f}"{_look(item.layer)}/>'
        case items.Arc(_, (x, y), radius, begin, finish):
            ends = [items.on_arc((x, y), radius, angle) for angle in (begin, finish)]
            large = int((finish - begin) % 360.0 > 180.0)
            way = f"M{_at(ends[0])}A{radius:.3f} {radius:.3f} 0 {large} 0 {_at(ends[1])}"
            return f'<path d="{way}"{_look(item.layer)}/>'
        case items.Arrow():
            return f'<path d="M{"L".join(map(_at, item.corners))}Z" fill="currentColor" stroke="none"/>'
        case items.Text(_, (x, y), text, height, angle):
            turn = f' transform="rotate({-angle:g} {x:.3f} {-y:.3f})"' if angle else ""
            look = f'font-size="{1.39 * height:.2f}" fill="currentColor" stroke="none"{turn}'
            return f'<text x="{x:.3f}" y="{-y:.3f}" {look}>{html.escape(text)}</text>'
        case items.Dimension():
            return "".join(_drawn(stroke) for stroke in item.strokes)


def _at(place: items.Place) -> str:
    return f"{place[0]:.3f} {-place[1]:.3f}"


def _look(layer: str) -> str:
    width, dashes = _WIDTHS.get(layer), _DASHES.get(layer)
    return (f' stroke-width="{width}"' if width else "") + (f' stroke-dasharray="{dashes}"' if dashes else "")
