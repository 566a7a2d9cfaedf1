"""Taking what lies inside a bore out of a cleaned scan, once the bores are known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.errors import GeometryError
from pipeline.features.exclusion.zones import inside
from pipeline.job import Zone
from pipeline.mesh.repair import split_nonmanifold
from pipeline.mesh.topology import compact, components, facet_areas, facet_neighbours
from pipeline.values import CleanResult, RecoverResult, Removal, Surface


def without_inside(
    clean: CleanResult, recover: RecoverResult, zones: Sequence[Zone]
) -> tuple[CleanResult, RecoverResult]:
    """The two results without the facets in zones of shape "inside"; other zones are passed over.

    The removals of the cleaned surface are continued, so that areas still add up. Raises SettingsError for a zone
    whose feature was not found, GeometryError if nothing is left.
    """
    surface, labels = clean.surface, recover.labels
    removals, cautions = list(clean.removals), list(clean.cautions)
    for number, zone in enumerate(zones, 1):
        if zone.shape != "inside":
            continue
        v, f = surface.vertices, surface.faces
        gone = inside(zone, v[f].mean(axis=1), features=recover.features)
        if not gone.any():
            cautions.append(f"Exclusion zone {number} (inside {zone.feature}) holds nothing of the scan.")
            continue
        if gone.all():
            raise GeometryError(f"Nothing is left of the scan after exclusion zone {number}; check the zone.")
        kept = np.flatnonzero(~gone)
        neighbours = facet_neighbours(f[kept], len(v))
        parted = split_nonmanifold(v, f[kept], neighbours, components(neighbours))
        kept = kept[parted.kept]
        area = float(facet_areas(v, f).sum() - facet_areas(v, f[kept]).sum())
        removals.append(Removal(f"excluded by zone {number}", len(f) - len(kept), area, f"inside {zone.feature}"))
        vertices, faces, _ = compact(parted.vertices, parted.faces)
        surface, labels = Surface.measured(vertices, faces), labels[kept]
    return (
        replace(clean, surface=surface, removals=tuple(removals), cautions=tuple(cautions)),
        replace(recover, labels=labels),
    )
