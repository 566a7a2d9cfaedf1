"""How far axes, radii and normals are off the exact design at 0.5 mm edges and 12 um of noise.

Fifteen scans of drawn blocks with wide bores. The noise is white, as the figures asked for are stated;
the same scans with waves besides (5 um of 2.5 mm, 4 um of 25 mm) are printed beside them: waves as long as a bore is
wide shift it as a whole, and no fit can tell that from the bore's own place.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pytest

from pipeline.surfaces.shape import shape_of
from sample_meshes.make_scan import Noise
from tests.benchmarks.coverage import errors, noisy_scans, recovered, true_shape
from tests.benchmarks.seats import bored_scan

WHITE = Noise(0.012, ())
WAVES = Noise(0.012, ((0.005, 2.5), (0.004, 25.0)))
FIRST = 300  # designs that nothing was adjusted to
FULL = np.radians(355.0)


def measured(noise: Noise, count: int, first: int = FIRST) -> dict[str, list[float]]:
    """Errors of bores of 12 mm radius and more seen all round, mm and degrees, and of planes over 1,000 mm2."""
    out: dict[str, list[float]] = defaultdict(list)
    for _, scan, vertices in noisy_scans(bored_scan, count, noise, count, first):
        faces = {face.name: face for face in scan.part.faces}
        for name, feature in recovered(scan, vertices):
            known, extent = feature.uncertainty, feature.extent
            if known.basis is None:
                continue
            off = errors(true_shape(faces[name], scan.to_scan), shape_of(feature), known.basis)
            turn = float(np.degrees(np.hypot(off.get("a", 0.0), off.get("b", 0.0))))
            if feature.kind == "plane" and extent.area > 1000.0:
                out["plane normal"].append(turn)
            wide = feature.kind == "cylinder" and feature.side == "bore" and faces[name].radius >= 12.0
            if wide and extent.arc is not None and extent.arc > FULL:
                out["bore position"].append(float(np.hypot(off["u"], off["v"])))
                out["bore radius"].append(abs(off["r"]))
                if extent.length is not None and extent.length >= 20.0:
                    out["bore axis"].append(turn)
    return out


def printed(figures: dict[str, list[float]]) -> str:
    lines = [f"{'figure':14s} {'n':>5s} {'median':>8s} {'95th':>8s} {'most':>8s}"]
    for name, off in sorted(figures.items()):
        middle, high, most = np.quantile(off, (0.5, 0.95, 1.0))
        lines.append(f"{name:14s} {len(off):5d} {middle:8.4f} {high:8.4f} {most:8.4f}")
    return "\n".join(lines)


@pytest.mark.slow
def test_axes_are_true_to_micrometres():
    white = measured(WHITE, 15)
    print(f"\nwhite noise\n{printed(white)}\nwith waves\n{printed(measured(WAVES, 15))}")
    for name, limit in (("bore axis", 0.01), ("bore position", 0.005), ("bore radius", 0.004), ("plane normal", 0.008)):
        assert len(white[name]) >= 30
        assert np.quantile(white[name], 0.95) <= limit, name
