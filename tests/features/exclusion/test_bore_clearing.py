"""What lies inside a bore goes, the bore stays, the areas add up."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.errors import SettingsError
from pipeline.features.exclusion.bore_clearing import without_inside
from pipeline.job import Zone
from pipeline.mesh.topology.defects import edge_report
from pipeline.mesh.topology.measures import facet_areas
from pipeline.values import CleanResult, NoiseModel, RecoverResult
from pipeline.values.surface import Surface
from tests.features.exclusion.test_foreign_geometry import _bore, _revolved
from tests.mesh.repair.test_manifold import is_manifold


def _results() -> tuple[CleanResult, RecoverResult]:
    """A bore of radius 10 from a face at z = 0, 40 deep, with a floor of dirt at z = -25."""
    v, f = _revolved([(30, 0), (10, 0), (10, -25), (0.1, -25)])
    centre = v[f].mean(axis=1)
    radius = np.hypot(centre[:, 0], centre[:, 1])
    labels = np.where((np.abs(radius - 10) < 0.3) & (centre[:, 2] > -24.5), 0, -1).astype(np.int32)
    surface = Surface.measured(v, f)
    clean = CleanResult(surface, (), float(facet_areas(v, f).sum()))
    bore = _bore([0, 0, -12.5], [0, 0, 1], 10, 25, "bore-1")
    noise = NoiseModel(0.012, 0.012, np.zeros((1, 2)), "given")
    return clean, RecoverResult((bore,), labels, noise)


def test_the_floor_goes_and_the_wall_stays() -> None:
    clean, recover = _results()
    zones = (Zone(shape="sphere", centre=(0, 0, 0), radius=50), Zone(shape="inside", feature="bore-1", beyond=20))
    after, found = without_inside(clean, recover, zones)
    assert len(after.surface.faces) == len(found.labels)
    assert (found.labels == 0).sum() == (recover.labels == 0).sum()
    (removal,) = after.removals
    assert removal.what == "excluded by zone 2"
    area = facet_areas(after.surface.vertices, after.surface.faces).sum()
    assert area + removal.area == pytest.approx(clean.area_in, rel=1e-12)
    # By hand: the floor is a disc of radius 9.7.
    assert removal.area == pytest.approx(np.pi * 9.7**2, rel=0.08)
    assert is_manifold(after.surface.faces, len(after.surface.vertices))
    assert edge_report(after.surface.faces, len(after.surface.vertices)).nonmanifold == 0


def test_a_zone_deeper_than_the_dirt_takes_nothing_and_says_so() -> None:
    clean, recover = _results()
    after, found = without_inside(clean, recover, (Zone(shape="inside", feature="bore-1", beyond=30),))
    assert after.surface is clean.surface
    assert found.labels is recover.labels
    assert any("inside bore-1) holds nothing" in c for c in after.cautions)


def test_an_unknown_bore_is_refused() -> None:
    with pytest.raises(SettingsError, match="bore-7"):
        without_inside(*_results(), (Zone(shape="inside", feature="bore-7", beyond=3),))
