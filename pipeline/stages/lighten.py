"""The lighten stage: a mesh of few facets that keeps the features true."""

from __future__ import annotations

from pipeline.features.carry import Target, on_features, snapping_reach, target_surface
from pipeline.features.promise import lightened_within
from pipeline.job import LightenSettings
from pipeline.mesh import collapse
from pipeline.mesh.surface import Surface
from pipeline.progress import Progress, silent
from pipeline.values import FillResult, LightenResult, RecoverResult, Source

# Sweeps stop at this many times the count; from there on the cheapest edge goes first.
_LAST_STRETCH = 1.5


def lighten(
    fill: FillResult, recover: RecoverResult, source: Source, settings: LightenSettings, progress: Progress = silent
) -> LightenResult:
    """Lighten the filled surface, in scan coordinates, to the count or the tolerance of the settings.

    With a tolerance the noise-free surface (features/carry.py) is what distances are measured to.
    """
    surface = fill.surface
    sigma = source.noise_sigma
    reach = snapping_reach(sigma, source.mean_edge)
    progress(0.0, "putting vertices on their features")
    if settings.tolerance is None:
        goal = settings.facets or 4
        target = on_features(surface.vertices, surface.faces, fill.labels, recover.features, reach)
        work = _begin(surface, target)
        del target
        progress(0.1, "collapsing edges")
        collapse.sweep_down(work, int(_LAST_STRETCH * goal))
        progress(0.8, "collapsing the cheapest edges first")
        collapse.finish(work, goal)
        light = Surface(work.points, work.faces, work.origin)
        bound = f"the count: {light.facets:,} facets"
        cautions = () if light.facets <= goal else (_stuck(light.facets, goal),)
        return LightenResult(light, work.label, bound, cautions)
    target = target_surface(surface.vertices, surface.faces, fill.labels, recover.features, reach, sigma)
    goal = settings.facets or 4
    found = lightened_within(surface, target, settings.tolerance, goal, progress)
    light = Surface(found.work.points, found.work.faces, found.work.origin)
    cautions = ()
    if found.deviation > settings.tolerance:
        cautions = (
            f"The tolerance of {settings.tolerance:g} mm could not be met everywhere: the light mesh is up to "
            f"{found.deviation:.4f} mm from the noise-free surface.",
        )
    bound = f"the tolerance: {light.facets:,} facets, {found.deviation:.4f} mm of {settings.tolerance:g} mm used"
    if settings.facets is not None and light.facets <= settings.facets:
        bound = f"the count: {light.facets:,} facets, {found.deviation:.4f} mm of {settings.tolerance:g} mm used"
    elif settings.facets is not None:
        bound += f"; {settings.facets:,} facets were asked for"
    return LightenResult(light, found.work.label, bound, cautions)


def _begin(surface: Surface, target: Target) -> collapse.Work:
    return collapse.start(target.vertices, surface.faces, target.labels, surface.origin, target.carriers, target.table)


def _stuck(facets: int, goal: int) -> str:
    return f"{goal:,} facets could not be reached without breaking the surface or its features; {facets:,} are left."
