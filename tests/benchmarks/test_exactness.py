"""Bars: exact designs have anything that stands out falsely in at most one of twenty; what is off is found.

Exact is the generator's design; each scan has white noise and waves of 2.5 and 25 mm of its own. 500 families are made
of fits on the vertices that the generator knows to lie on each face, 30 of what the recover stage makes of a mesh. For
what is off, one face of the exact scan is moved by 0.1 mm or turned by 0.1 degrees before the noise comes on.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation
from scipy.stats import binom, chi2, ncx2

from pipeline.features.uncertainty import LEVEL
from pipeline.geometry import basis_of
from pipeline.surfaces import Shape
from tests.benchmarks.families import Ground, ground, judged, noisy, recovered_features, simulated, stands_out, textbook

FAMILIES, MADE = 500, 30
FIRST = 401  # designs that nothing was developed on
FACETS = 300_000  # of a scan that is recovered
ASIDE, TURNED = 0.1, np.radians(0.1)
BROAD = 5.0  # edges: a face narrower than that is the hardest to recognise
FAMILY = 100  # tests of a part, about


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
        base = ground(FIRST + k, FACETS)
        out = stands_out(judged(recovered_features(base, noisy(base, k))))
        times += bool(out)
        print(k, out)
    assert times <= binom.ppf(0.95, MADE, 0.05), false_alarms(times, MADE)


class Seat(NamedTuple):
    """A plane or cylinder of the design, its vertices, its breadth in edges of the scan, and the `textbook` covariance
    of an ideal fit to them."""

    name: str
    shape: Shape
    mine: np.ndarray
    middle: np.ndarray
    breadth: float
    known: np.ndarray

    def part(self, first: int) -> np.ndarray:
        """(2, 2) of two parameters from `first` on."""
        return self.known[first : first + 2, first : first + 2]

    @property
    def turn(self) -> np.ndarray:
        return self.part(1 if self.shape.kind == "plane" else 2)


def seats_of(base: Ground) -> list[Seat]:
    out = []
    number = {face.name: face.number for face in base.scan.part.faces}
    for name, _, shape, mine, _ in base.faces:
        if shape.kind in ("plane", "cylinder"):
            places = base.scan.true_vertices[mine]
            rim = np.setdiff1d(base.scan.faces[base.scan.label == number[name]], mine)
            inmost = cKDTree(base.scan.true_vertices[rim]).query(places)[0].max() if len(rim) else np.inf
            middle = places.mean(axis=0)
            if shape.kind == "cylinder":
                middle = shape.point + (middle - shape.point) @ shape.direction * shape.direction
            out.append(Seat(name, shape, mine, middle, 2.0 * inmost / base.scan.edge, textbook(shape, places)))
    return out


def worst(covariance: np.ndarray) -> float:
    return float(np.sqrt(np.linalg.eigvalsh(covariance)[-1]))


def turn_seen(seat: Seat, others: list[Seat]) -> float:
    """rad, the standard uncertainty of the seat's direction against all that the design has parallel or square to it,
    where that is largest."""
    e = np.array(basis_of(seat.shape.direction))
    information = np.zeros((2, 2))
    for other in others:
        f = np.array(basis_of(other.shape.direction))
        cosine = seat.shape.direction @ other.shape.direction
        if other is not seat and abs(cosine) > 1.0 - 1e-9:
            turn = e @ f.T
            information += np.linalg.inv(turn @ other.turn @ turn.T)
        elif abs(cosine) < 1e-9:
            across, along = e @ other.shape.direction, f @ seat.shape.direction
            information += np.outer(across, across) / (along @ other.turn @ along)
    if np.linalg.eigvalsh(information)[0] < 1e-3 / TURNED**2:
        return np.inf
    return worst(seat.turn + np.linalg.inv(information))


def shift_seen(seat: Seat, others: list[Seat]) -> float:
    """mm, the standard uncertainty of a seat's middle off the axis of the best of the others on one line with it."""
    e, best = np.array(basis_of(seat.shape.direction)), np.inf
    for other in others:
        gap = seat.middle - other.middle
        aside = np.linalg.norm(np.cross(gap, seat.shape.direction))
        turned = np.linalg.norm(np.cross(other.shape.direction, seat.shape.direction))
        if other is seat or other.shape.kind != "cylinder" or aside > 1e-6 or turned > 1e-9:
            continue
        lever, turn = gap @ other.shape.direction, e @ np.array(basis_of(other.shape.direction)).T
        to_middle = np.hstack([np.eye(2), lever * np.eye(2)])
        best = min(best, worst(seat.part(0) + turn @ to_middle @ other.known[:4, :4] @ to_middle.T @ turn.T))
    return best


def fair(base: Ground, aside: bool) -> tuple[list[Seat], int]:
    """Seats that could show being moved, and how many there are of that sort.

    Such is a face that an ideal fit of its exact vertices, with this scan's facets and noise, would find to be off in
    95 of 100 cases: by a chi-squared test of a pair, its covariance known, at the level that Holm's first step leaves
    one of FAMILY tests. And it is at its broadest BROAD edges from rim to rim, since narrower ones are not recognised
    surely. What the recover stage makes of the face has no say.
    """
    seats = seats_of(base)
    sort = [s for s in seats if s.shape.kind == "cylinder" and shift_seen(s, seats) < np.inf] if aside else seats
    seen, off = (shift_seen, ASIDE) if aside else (turn_seen, TURNED)
    limit = chi2.isf(LEVEL / FAMILY, 2)
    surely = [s for s in sort if ncx2.sf(limit, 2, (off / seen(s, seats)) ** 2) >= 0.95]
    return [s for s in surely if s.breadth >= BROAD], len(sort)


def moved_face(base: Ground, k: int) -> tuple[str, np.ndarray, int, int]:
    """A fair face of the scan, and the scan's vertices with it a tenth of a millimetre aside (one of several cylinders
    on a line, even k) or a tenth of a degree turned (any plane or cylinder, odd k); how many are fair, and of how many.
    """
    rng = np.random.default_rng([k, 6])
    seats, of = fair(base, k % 2 == 0)
    seat = sorted(seats, key=lambda s: s.name)[rng.integers(len(seats))]
    vertices = base.scan.true_vertices.copy()
    angle = rng.uniform(0.0, 2.0 * np.pi)
    across = np.array([np.cos(angle), np.sin(angle)]) @ basis_of(seat.shape.direction)
    if k % 2 == 0:
        vertices[seat.mine] += ASIDE * across
    else:
        turn = Rotation.from_rotvec(TURNED * across).as_matrix()
        vertices[seat.mine] = (vertices[seat.mine] - seat.middle) @ turn.T + seat.middle
    return seat.name, vertices, len(seats), of


@pytest.mark.slow
@pytest.mark.parametrize("find", [simulated, recovered_features])
def test_what_is_off_is_found(find) -> None:
    found, count, fair_ones, of = 0, MADE if find is recovered_features else 200, 0, 0
    for k in range(count):
        base = ground(FIRST + k, FACETS) if find is recovered_features else ground(FIRST + k % 10)
        name, vertices, *share = moved_face(base, k)
        fair_ones, of = fair_ones + share[0], of + share[1]
        out = stands_out(judged(find(base, noisy(base, k, vertices))))
        told = any(name in text for text, _ in out)
        found += told
        if not told:
            print(f"not found: {name} of {k}; {out}")
    print(f"{found} of {count} found, picked of those {fair_ones} of {of} faces that an ideal fit would show")
    assert found >= 0.95 * count
