"""Bars: exact designs have anything that stands out falsely in at most one of twenty; what is off is found.

Exact is the generator's design; each scan has white noise and waves of 2.5 and 25 mm of its own. 500 families are made
of fits on the vertices that the generator knows to lie on each face, 30 of what the recover stage makes of a mesh. For
what is off, one face of the exact scan is moved by 0.1 mm or turned by 0.1 degrees before the noise comes on.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import binom

from pipeline.geometry import basis_of
from tests.benchmarks.families import Ground, ground, judged, noisy, recovered_features, simulated, stands_out

FAMILIES, MADE = 500, 30
FIRST = 101  # designs that nothing was developed on
ASIDE, TURNED = 0.1, np.radians(0.1)


def false_alarms(times: int, count: int) -> str:
    return f"{times} of {count} exact designs show something that stands out falsely"


@pytest.mark.slow
def test_exact_families_show_next_to_nothing() -> None:
    times = 0
    for k in range(FAMILIES):
        base = ground(FIRST + k % 10)
        times += bool(stands_out(judged(simulated(base, noisy(base, k)))))
    print(false_alarms(times, FAMILIES))
    # As many as come with a true rate of 5 % in 95 of 100 such studies.
    assert times <= binom.ppf(0.95, FAMILIES, 0.05), false_alarms(times, FAMILIES)


@pytest.mark.slow
def test_exact_designs_show_next_to_nothing() -> None:
    times = 0
    for k in range(MADE):
        base = ground(FIRST + k)
        out = stands_out(judged(recovered_features(base, noisy(base, k))))
        times += bool(out)
        print(k, out)
    assert times <= binom.ppf(0.95, MADE, 0.05), false_alarms(times, MADE)


def moved_face(base: Ground, k: int) -> tuple[str, np.ndarray]:
    """A face of the scan, and the scan's vertices with it a tenth of a millimetre aside (a seat of the shaft's, even k)
    or a tenth of a degree turned (a face or a long bore, odd k)."""
    rng = np.random.default_rng([k, 6])
    long = {}
    for name, _, shape, mine, area in base.faces:
        places = base.scan.true_vertices[mine]
        span = 2.0 * np.sqrt(area / np.pi)
        if shape.kind == "cylinder":
            span = float(np.ptp(places @ shape.direction))
        if shape.kind in ("plane", "cylinder") and span >= (15.0 if shape.kind == "cylinder" else 40.0):
            long[name] = (shape, mine)
    shaft = [name for name in sorted(long) if name.startswith(("bearing seat", "seal bore", "step bore"))]
    name = str(rng.choice(shaft if k % 2 == 0 else sorted(long)))
    shape, mine = long[name]
    vertices = base.scan.true_vertices.copy()
    middle = vertices[mine].mean(axis=0)
    angle = rng.uniform(0.0, 2.0 * np.pi)
    across = np.array([np.cos(angle), np.sin(angle)]) @ basis_of(shape.direction)
    if k % 2 == 0:
        vertices[mine] += ASIDE * across
    else:
        turn = Rotation.from_rotvec(TURNED * across).as_matrix()
        vertices[mine] = (vertices[mine] - middle) @ turn.T + middle
    return name, vertices


@pytest.mark.slow
@pytest.mark.parametrize("find", [simulated, recovered_features])
def test_what_is_off_is_found(find) -> None:
    found, count = 0, MADE if find is recovered_features else 200
    for k in range(count):
        base = ground(FIRST + k % (MADE if find is recovered_features else 10))
        name, vertices = moved_face(base, k)
        out = stands_out(judged(find(base, noisy(base, k, vertices))))
        told = any(name in text for text, _ in out)
        found += told
        if not told:
            print(f"not found: {name} of {k}; {out}")
    print(f"{found} of {count} found")
    assert found >= 0.95 * count
