"""Open CAD parts made dense, and come out as solids whose exact faces are those that were drawn.

Sources: tests/scans.py (Debian occt-misc, LGPL-2.1 with exception; gmsh wheel, GPL-2+; build123d sdist, Apache-2.0).
The tables are printed: pytest -m slow tests/benchmarks/test_solid_open_parts.py -s
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.cli.workshop.solid import make
from pipeline.runner import run
from tests.benchmarks.solids import written_faces
from tests.checks.test_open_parts import LEAST_ARC, LEAST_LENGTH, SCANS
from tests.scans import open_part, scan_like

pytestmark = pytest.mark.slow

SIGMA = 0.012


@pytest.mark.parametrize(("name", "scale", "edge"), SCANS)
def test_exact_faces_are_those_that_were_drawn(name: str, scale: float, edge: float, tmp_path: Path) -> None:
    """Each drawn cylinder of more than 120 degrees and 2 mm is a cylindrical face, its radius within three standard
    uncertainties and its axis within 0.05 mm."""
    import trimesh

    part = open_part(name, scale)
    scan = scan_like(part, edge, SIGMA)
    path = tmp_path / "scan.stl"
    trimesh.Trimesh(scan.vertices, scan.faces, process=False).export(path)
    result = run(path, out=tmp_path / "out")
    data, report = make(result.out, 0.5, "AP242", "faces", True)
    solid = report.record
    state = f"{'closed' if solid.closed else 'OPEN'} {'valid' if solid.valid else 'INVALID'}"
    drawn_volume = trimesh.Trimesh(part.vertices, part.faces).volume
    print(
        f"\n{name}: {state}, {solid.faces} faces, {len(solid.features)} of {len(data.features)} features exact", end=""
    )
    print(f", volume {100 * ((solid.volume or 0.0) / drawn_volume - 1):+.3f} %")
    print(*report.cautions, sep="\n")
    matrix = np.array(data.frame.matrix) @ scan.to_scan
    written = [f for f in written_faces(result.out / solid.file) if f.entity == "CYLINDRICAL_SURFACE"]
    known = {f.id: f for f in data.features}
    assert solid.valid
    assert solid.closed or report.cautions
    missed = []
    for drawn in part.cylinders:
        if drawn.arc <= LEAST_ARC or drawn.length <= LEAST_LENGTH:
            continue
        axis = matrix[:3, :3] @ drawn.direction
        middle = matrix[:3, :3] @ (drawn.point + 0.5 * (drawn.low + drawn.high) * drawn.direction) + matrix[:3, 3]
        offs = [
            (float(np.linalg.norm(np.cross(middle - f.point, f.axis))), abs(f.sizes[0] - drawn.radius), f.name)
            for f in written
            if abs(f.axis @ axis) > np.cos(np.radians(1.0))
        ]
        near = [(a, r, n) for a, r, n in offs if a < 0.05 and r < 0.1]
        if not near:
            missed.append((drawn.side, drawn.radius))
            continue
        _, radius, label = min(near)
        assert radius <= 3.0 * known[label.split()[0]].uncertainty.radius, label
    assert not missed
