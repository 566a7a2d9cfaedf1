"""The CAD kernel's surfaces and curves for ours."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from OCP.collections import Array1_double, Array1_gp_Pnt, Array1_gp_Pnt2d, Array1_int
from OCP.Geom import (
    Geom_BSplineCurve,
    Geom_Circle,
    Geom_ConicalSurface,
    Geom_CylindricalSurface,
    Geom_Ellipse,
    Geom_Line,
    Geom_Plane,
    Geom_SphericalSurface,
    Geom_SurfaceOfLinearExtrusion,
    Geom_ToroidalSurface,
)
from OCP.Geom2d import Geom2d_BSplineCurve
from OCP.gp import gp_Ax2, gp_Ax3, gp_Dir, gp_Pnt, gp_Pnt2d
from scipy.interpolate import BSpline

from pipeline.features.solid import Chart, Curve, ParameterCurve

Floats = NDArray[np.float64]


def point(p: Floats) -> gp_Pnt:
    return gp_Pnt(float(p[0]), float(p[1]), float(p[2]))


def direction(d: Floats) -> gp_Dir:
    return gp_Dir(float(d[0]), float(d[1]), float(d[2]))


def surface(chart: Chart) -> Any:
    """The kernel's surface with the chart's own parameters."""
    place = gp_Ax3(point(chart.step.location), direction(chart.frame[2]), direction(chart.frame[0]))
    return _SURFACES[chart.step.entity](place, *chart.step.sizes)


def plane(through: Floats, normal: Floats) -> Any:
    """The kernel's plane, where its parameters don't matter."""
    return Geom_Plane(point(through), direction(normal))


def _extruded_ellipse(place: gp_Ax3, major: float, minor: float) -> Any:
    return Geom_SurfaceOfLinearExtrusion(Geom_Ellipse(place.Ax2(), major, minor), place.Direction())


_SURFACES: dict[str, Callable[..., Any]] = {
    "PLANE": Geom_Plane,
    "CYLINDRICAL_SURFACE": Geom_CylindricalSurface,
    "CONICAL_SURFACE": lambda place, radius, half: Geom_ConicalSurface(place, half, radius),
    "SPHERICAL_SURFACE": Geom_SphericalSurface,
    "TOROIDAL_SURFACE": Geom_ToroidalSurface,
    "SURFACE_OF_LINEAR_EXTRUSION": _extruded_ellipse,
}


def curve(of: Curve) -> Any:
    """The kernel's curve; its parameter is that of the curve."""
    if of.kind == "line":
        return Geom_Line(point(of.points[0]), direction(of.points[-1] - of.points[0]))
    if of.spline is not None:
        poles, knots, counts = _spline_parts(of.spline)
        return Geom_BSplineCurve(_points(poles), _reals(knots), _integers(counts), of.spline.k)
    assert of.centre is not None
    assert of.axes is not None
    assert of.radii is not None
    place = gp_Ax2(point(of.centre), direction(of.axes[2]), direction(of.axes[0]))
    if of.kind == "circle":
        return Geom_Circle(place, of.radii[0])
    return Geom_Ellipse(place, *of.radii)


def plane_curve(of: ParameterCurve) -> Any:
    """The kernel's curve in the parameters of a surface."""
    if of.spline is None:
        return Geom2d_BSplineCurve(_points2d(of.ends), _reals(np.array(of.t)), _integers(np.array([2, 2])), 1)
    poles, knots, counts = _spline_parts(of.spline)
    return Geom2d_BSplineCurve(_points2d(poles), _reals(knots), _integers(counts), of.spline.k)


def _spline_parts(spline: BSpline) -> tuple[Floats, Floats, NDArray[np.int64]]:
    knots, counts = np.unique(spline.t, return_counts=True)
    return np.asarray(spline.c), knots, counts


def _points(rows: Floats) -> Array1_gp_Pnt:
    out = Array1_gp_Pnt(1, len(rows))
    for i, (x, y, z) in enumerate(rows.tolist(), 1):
        out.SetValue(i, gp_Pnt(x, y, z))
    return out


def _points2d(rows: Floats) -> Array1_gp_Pnt2d:
    out = Array1_gp_Pnt2d(1, len(rows))
    for i, (x, y) in enumerate(rows.tolist(), 1):
        out.SetValue(i, gp_Pnt2d(x, y))
    return out


def _reals(values: Floats) -> Array1_double:
    out = Array1_double(1, len(values))
    for i, value in enumerate(values.tolist(), 1):
        out.SetValue(i, value)
    return out


def _integers(values: NDArray[np.int64]) -> Array1_int:
    out = Array1_int(1, len(values))
    for i, value in enumerate(values.tolist(), 1):
        out.SetValue(i, value)
    return out
