"""A zone inside a bore, known only once the bore is: the plug of the demo scan goes, and areas still add up."""

from __future__ import annotations

import numpy as np
import pytest

import pipeline
from pipeline.errors import SettingsError
from pipeline.job import make_job
from pipeline.mesh.topology.measures import facet_areas
from tests.scans import demo_scan


@pytest.fixture(scope="module")
def place(tmp_path_factory):  # type: ignore[no-untyped-def]
    from pipeline.formats.meshes_out import write_stl

    folder = tmp_path_factory.mktemp("inside")
    scan = demo_scan(90_000, 3)
    write_stl(folder / "scan.stl", scan.vertices, scan.faces.astype(np.int32), "mm")
    return folder


def run(place, zones):  # type: ignore[no-untyped-def]
    job = make_job({"scan": place / "scan.stl", "clean": {"exclude": zones}})
    return pipeline.run(job, out=place / "out", until="audit")


def test_the_plug_goes_and_the_ledger_still_adds_up(place) -> None:  # type: ignore[no-untyped-def]
    whole = run(place, [])
    plug = next(p for p in whole.fill.proposals if p.what == "plug")
    bores = [f for f in whole.features if f.kind == "cylinder" and f.side == "bore"]
    bore = min(
        bores,
        key=lambda f: (
            np.linalg.norm(np.cross(plug.centre - f.point, f.direction))
            + abs((plug.centre - f.point) @ f.direction) / 5
        ),
    )
    cut = run(place, [{"shape": "inside", "feature": bore.id, "beyond": 1.0}])
    assert cut.fill.carved[0].area > 0.5 * np.pi * bore.radius**2
    surface = cut.fill.surface
    areas = facet_areas(surface.vertices, surface.faces)
    audit = cut.audit
    assert areas[surface.origin == 0].sum() + audit.area_removed == pytest.approx(cut.clean.area_in, rel=1e-9)
    assert audit.area_filled == pytest.approx(areas[surface.origin == 1].sum(), rel=1e-9)


def test_a_bore_that_is_not_there_is_refused(place) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(SettingsError, match="bore-none"):
        run(place, [{"shape": "inside", "feature": "bore-none", "beyond": 1.0}])
