"""Outlines with arcs as lines and arcs of a drawing."""

from __future__ import annotations

import math
from collections.abc import Iterator

from pipeline.fitup.made import Outline
from pipeline.formats.drawings import Arc, Item, Line


def outline_items(outline: Outline, layer: str) -> Iterator[Item]:
    """The lines and arcs of an outline."""
    corners = outline.corners
    for k, a in enumerate(corners):
        b, bulge = corners[(k + 1) % len(corners)], outline.bulges[k] if outline.bulges else 0.0
        if abs(bulge) < 1e-9:
            yield Line(layer, a, b)
            continue
        # From the chord's middle to the centre, by the bulge's definition.
        off = 0.25 * (1.0 / bulge - bulge)
        centre = (0.5 * (a[0] + b[0]) - off * (b[1] - a[1]), 0.5 * (a[1] + b[1]) + off * (b[0] - a[0]))
        begin, finish = (math.degrees(math.atan2(p[1] - centre[1], p[0] - centre[0])) for p in (a, b))
        if bulge < 0.0:
            begin, finish = finish, begin
        yield Arc(layer, centre, math.dist(a, centre), begin % 360.0, finish % 360.0)
