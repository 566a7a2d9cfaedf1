"""Taking what lies inside a bore out of a cleaned scan, once the bores are known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.errors import GeometryError
from pipeline.features.exclusion.zones import inside
from pipeline.job import Zone
from pipeline.mesh.repair import split_nonmanifold
from pipeline.mesh.topology import compact, facet_areas, facet_neighbours
from pipeline.values import CleanResult, RecoverResult, Removal, Surface


def without_inside(
    clean: CleanResult, recover: RecoverResult, zones: Sequence[Zone]
) -> tuple[CleanResult, RecoverResult]:
    """The two results without the facets in zones of shape "inside"; other zones are passed over.

    The removals of the cleaned surface are continued, so that areas still add up; a zone that holds nothing adds a
    caution. Raises SettingsError for a zone whose feature was not found, GeometryError if nothing is left.

    Below, a bore of radius 5 mm along z, a crumb on its axis and a facet of the part beside it.

    >>> from pipeline.values import Extent, Feature, Form, NoiseModel, Uncertainty
    >>> unsure, form = Uncertainty(None, None, None, ""), Form(0.0, 0.0, 1.0, "cylindricity")
    >>> seen, up = Extent(600.0, 100, along=(-10.0, 10.0)), np.array([0.0, 0.0, 1.0])
    >>> bore = Feature("bore-1", "cylinder", "bore", np.zeros(3), up, 5.0, unsure, form, seen)
    >>> v = [[0, 0, 0], [1, 0, 0], [0, 1, 0], [9, 0, 0], [11, 0, 0], [9, 2, 0]]
    >>> surface = Surface.measured(v, [[0, 1, 2], [3, 4, 5]])
    >>> recover = RecoverResult((bore,), np.full(2, -1, np.int32), NoiseModel(0.01, 0.01, np.empty((0, 2)), ""))
    >>> zone = Zone(shape="inside", feature="bore-1", beyond=1.0)
    >>> clean, recover = without_inside(CleanResult(surface, (), 2.5), recover, [zone])
    >>> clean.surface.vertices[:, 0].tolist(), clean.removals[0].count, clean.removals[0].area
    ([9.0, 11.0, 9.0], 1, 0.5)
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
        parted = split_nonmanifold(v, f[kept], neighbours)
        kept = kept[parted.kept]
        area = float(facet_areas(v, f).sum() - facet_areas(v, f[kept]).sum())
        removals.append(Removal(f"excluded by zone {number}", len(f) - len(kept), area, f"inside {zone.feature}"))
        vertices, faces, _ = compact(parted.vertices, parted.faces)
        surface, labels = Surface.measured(vertices, faces), labels[kept]
    return (
        replace(clean, surface=surface, removals=tuple(removals), cautions=tuple(cautions)),
        replace(recover, labels=labels),
    )
