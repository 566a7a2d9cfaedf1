"""The lighten stage: a mesh of few facets that keeps the features true."""

from __future__ import annotations

from pipeline.features.carry import on_features, snapping_reach
from pipeline.job import LightenSettings
from pipeline.mesh import collapse
from pipeline.mesh.surface import Surface
from pipeline.progress import Progress, silent
from pipeline.values import FillResult, LightenResult, RecoverResult, Source


def lighten(
    fill: FillResult, recover: RecoverResult, source: Source, settings: LightenSettings, progress: Progress = silent
) -> LightenResult:
    """Lighten the filled surface, in scan coordinates, to the count of the settings."""
    surface = fill.surface
    goal = settings.facets or 4
    reach = snapping_reach(source.noise_sigma, source.mean_edge)
    progress(0.0, "putting vertices on their features")
    target = on_features(surface.vertices, surface.faces, fill.labels, recover.features, reach)
    progress(0.1, "collapsing edges")
    work = collapse.start(
        target.vertices, surface.faces, target.labels, surface.origin, target.carriers, target.table
    )
    del target
    collapse.sweep_down(work, 3 * goal)
    progress(0.8, "collapsing the cheapest edges first")
    collapse.finish(work, goal)
    light = Surface(work.points, work.faces, work.origin)
    bound = f"facets: {light.facets:,} of the {goal:,} allowed"
    return LightenResult(light, work.label, bound)
