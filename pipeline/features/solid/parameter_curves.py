"""Curves in the parameters of a face: where each edge runs in turn and length, without jumps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import BSpline, make_interp_spline

from pipeline.features.solid.charts import Chart
from pipeline.features.solid.curves import DEGREE, Curve
from pipeline.features.solid.outline import Outline, Walk
from pipeline.geometry import FULL_TURN, Floats

# mm: how far a point may be from the edge that its parameters stand for.
_EXACT = 2e-8
_DOUBLINGS = 6


@dataclass(frozen=True)
class ParameterCurve:
    """Parameters (u, v) along an edge: straight from the first to the last of `ends`, or a spline of degree 5."""

    t: tuple[float, float]
    ends: Floats
    spline: BSpline | None

    def shifted(self, by: Floats) -> ParameterCurve:
        spline = None
        if self.spline is not None:
            spline = BSpline(self.spline.t, self.spline.c + by, self.spline.k)
        return ParameterCurve(self.t, self.ends + by, spline)


def parameter_curve(curve: Curve, chart: Chart) -> tuple[ParameterCurve, float]:
    """The curve in a chart's parameters, and how far, mm, it is from standing for the curve itself."""
    t, points = curve.t, curve.points
    if len(t) < DEGREE + 1:
        t = np.linspace(t[0], t[-1], DEGREE + 3)
        points = curve.at(t)
    off = np.inf
    made = None
    for _ in range(_DOUBLINGS):
        uv = _unwound(chart, points)
        middle = 0.5 * (t[:-1] + t[1:])
        exact = chart.parameters(curve.at(middle))
        linear = uv[:1] + ((t - t[0]) / (t[-1] - t[0]))[:, None] * (uv[-1] - uv[0])
        if (np.abs(linear - uv) * chart.reach).max() < _EXACT:
            return ParameterCurve((t[0], t[-1]), uv[[0, -1]], None), 0.0
        spline = make_interp_spline(t, uv, DEGREE)
        gap = spline(middle) - exact
        for axis in (0, 1):
            if chart.turns[axis]:
                gap[:, axis] -= FULL_TURN * np.round(gap[:, axis] / FULL_TURN)
        off = float((np.abs(gap) * chart.reach).max())
        made = ParameterCurve((t[0], t[-1]), uv[[0, -1]], spline)
        if off < _EXACT:
            break
        t = np.sort(np.concatenate([t, middle]))
        points = curve.at(t)
    assert made is not None
    return made, off


def _unwound(chart: Chart, points: Floats) -> Floats:
    uv = chart.parameters(points)
    for axis in (0, 1):
        if chart.turns[axis]:
            uv[:, axis] = np.unwrap(uv[:, axis])
    return uv


def laid_out(outline: Outline, face: int) -> tuple[list[tuple[Walk, list[ParameterCurve]]], float]:
    """The walks of a face with the parameters of each of their edges, joined end to end; and the largest gap, mm.

    Turns run from 0, where the face is cut open, to a whole turn. Below, the top of a cube of 10 mm.

    >>> from pipeline.features.solid import model_of
    >>> from pipeline.progress import silent
    >>> from pipeline.surfaces import Shape
    >>> from pipeline.values import Surface
    >>> corners = 10.0 * np.array([*np.ndindex(2, 2, 2)])
    >>> sides = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [1, 5, 7, 3], [0, 2, 6, 4]]
    >>> cube = Surface.measured(corners, [[s[0], s[k], s[k + 1]] for s in sides for k in (1, 2)])
    >>> labels = np.repeat(np.array([-1, -1, -1, -1, 0, -1], np.int32), 2)
    >>> top = Shape("plane", np.array([0.0, 0.0, 10.0]), np.array([0.0, 0.0, 1.0]))
    >>> outline = model_of(cube, labels, (top,), 0.5, 0.01, silent).outline
    >>> walks, gap = laid_out(outline, outline.faces.feature.tolist().index(0))
    >>> [len(laid) for walk, laid in walks], gap < 1e-9
    ([4], True)
    """
    chart = outline.faces.charts[face]
    known: dict[int, tuple[ParameterCurve, float]] = {}
    seam = outline.seams.get(face)
    out = []
    worst = 0.0
    for walk in outline.walks[face]:
        here: Floats | None = None
        begin: Floats | None = None
        laid = []
        for number, forward in walk:
            if number not in known:
                known[number] = parameter_curve(outline.edges[number].curve, chart)
            found, off = known[number]
            worst = max(worst, off)
            first, last = (found.ends[0], found.ends[-1]) if forward else (found.ends[-1], found.ends[0])
            if here is None:
                shift = _into_range(chart, first, found, seam is not None and (seam, True) in walk)
            else:
                shift = np.array(
                    [FULL_TURN * np.round((here[a] - first[a]) / FULL_TURN) if chart.turns[a] else 0.0 for a in (0, 1)]
                )
                worst = max(worst, float((np.abs(first + shift - here) * chart.reach).max()))
            here = last + shift
            begin = first + shift if begin is None else begin
            laid.append(found.shifted(shift))
        assert here is not None
        assert begin is not None
        worst = max(worst, float((np.abs(here - begin) * chart.reach).max()))
        out.append((walk, laid))
    return out, worst


def _into_range(chart: Chart, first: Floats, found: ParameterCurve, at_seam: bool) -> Floats:
    """The shift that brings the beginning of a walk into 0 .. 2 pi; at a seam to 0 itself."""
    shift = np.zeros(2)
    if chart.turns[0]:
        middle = 0.5 * (found.ends[0, 0] + found.ends[-1, 0])
        shift[0] = -FULL_TURN * np.round(first[0] / FULL_TURN) if at_seam else -FULL_TURN * np.floor(middle / FULL_TURN)
    if chart.turns[1]:
        shift[1] = -FULL_TURN * np.floor(first[1] / FULL_TURN) if first[1] < 0 else 0.0
    return shift
