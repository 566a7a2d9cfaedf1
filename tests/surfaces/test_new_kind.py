"""A kind of surface that the package doesn't know, an elliptic cylinder: written here alone, it goes through all.

What DEVELOPERS.md says of a new kind, done: everything that stands between the two lines below is what its file in
`pipeline/surfaces/` would hold. It is registered in processes of its own, because the kernels of this one are made
without it.
"""

from __future__ import annotations

import json
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.spatial.transform import Rotation

from pipeline.geometry import Floats, eliminate, perpendicular_pair
from pipeline.jit import njit
from pipeline.surfaces.blocks import mean_and_spread, products, step_surface
from pipeline.surfaces.kind import Chart, Kind, Look, SituationFeature, StepSurface
from pipeline.surfaces.shape import PlaneCurve, Shape, pack

ROOT = Path(__file__).resolve().parents[2]

# --------------------------------------------------------------------------------------------------------- the kind


@njit(cache=True)
def _foot(large: float, small: float, a: float, b: float) -> tuple[float, float]:
    """The point of the ellipse with semi-axes large >= small nearest to (a, b), both not negative.

    With m = large^2 - small^2, the root of F(t) = (large a / (t + m))^2 + (small b / t)^2 - 1, t > 0 (Eberly 2013,
    "Distance from a point to an ellipse"): F falls and is convex, so that Newton's steps from the left never pass it.
    """
    more = large * large - small * small
    if b <= 0.0:
        x = large * large * a / more if more > 0.0 else large
        return (large, 0.0) if x >= large else (x, small * np.sqrt(1.0 - (x / large) ** 2))
    t = small * b
    for _ in range(200):
        p, q = large * a / (t + more), small * b / t
        step = (p * p + q * q - 1.0) / (2.0 * (p * p / (t + more) + q * q / t))
        if not t + step > t:
            break
        t += step
    return large * large * a / (t + more), small * small * b / t


@njit(cache=True)
def _seen(s: Floats, x: float, y: float, z: float) -> tuple[float, float, float, float, float, float]:
    """Height along the axis, distance, the foot's coordinates in the section, and the normal's there."""
    qx, qy, qz = x - s[0], y - s[1], z - s[2]
    t = qx * s[3] + qy * s[4] + qz * s[5]
    ax, ay, az = s[4] * s[18] - s[5] * s[17], s[5] * s[16] - s[3] * s[18], s[3] * s[17] - s[4] * s[16]
    a = qx * s[16] + qy * s[17] + qz * s[18]
    b = qx * ax + qy * ay + qz * az
    major, minor = abs(s[15]) + 1e-300, abs(s[12]) + 1e-300
    if major >= minor:
        fa, fb = _foot(major, minor, abs(a), abs(b))
    else:
        fb, fa = _foot(minor, major, abs(b), abs(a))
    fa, fb = np.copysign(fa, a), np.copysign(fb, b)
    na, nb = fa / (major * major), fb / (minor * minor)
    size = np.sqrt(na * na + nb * nb) + 1e-300
    na, nb = na / size, nb / size
    return t, (a - fa) * na + (b - fb) * nb, fa, fb, na, nb


@njit(cache=True)
def evaluate(s: Floats, x: float, y: float, z: float, row: Floats) -> float:
    t, distance, fa, fb, na, nb = _seen(s, x, y, z)
    ax, ay, az = s[4] * s[18] - s[5] * s[17], s[5] * s[16] - s[3] * s[18], s[3] * s[17] - s[4] * s[16]
    nx, ny, nz = na * s[16] + nb * ax, na * s[17] + nb * ay, na * s[18] + nb * az
    nu, nv = nx * s[6] + ny * s[7] + nz * s[8], nx * s[9] + ny * s[10] + nz * s[11]
    row[0], row[1] = -nu, -nv
    row[2], row[3] = -t * nu, -t * nv
    row[4] = -na * fa / (abs(s[15]) + 1e-300)
    row[5] = -nb * fb / (abs(s[12]) + 1e-300)
    row[6] = na * fb - nb * fa
    return distance


@njit(cache=True)
def gradient(s: Floats, x: float, y: float, z: float) -> tuple[float, float, float, float]:
    _, distance, _, _, na, nb = _seen(s, x, y, z)
    ax, ay, az = s[4] * s[18] - s[5] * s[17], s[5] * s[16] - s[3] * s[18], s[3] * s[17] - s[4] * s[16]
    return distance, na * s[16] + nb * ax, na * s[17] + nb * ay, na * s[18] + nb * az


@njit(cache=True)
def begin(points: Floats, normals: Floats, s: Floats) -> bool:
    # Normals are square to the axis; across it a conic by linear least squares, the sum of its squares' factors 2.
    values, vectors = np.linalg.eigh(products(normals))
    if not values[1] > 1e-9:
        return False
    d = vectors[:, 0].copy()
    u, v = perpendicular_pair(d)
    mean, spread = mean_and_spread(points)
    scale = np.sqrt(spread[0, 0] + spread[1, 1] + spread[2, 2])
    if not scale > 0.0:
        return False
    matrix, right, row = np.zeros((5, 5)), np.zeros(5), np.empty(5)
    for i in range(len(points)):
        q = (points[i] - mean) / scale
        a, b = q[0] * u[0] + q[1] * u[1] + q[2] * u[2], q[0] * v[0] + q[1] * v[1] + q[2] * v[2]
        row[0], row[1], row[2], row[3], row[4] = a * a - b * b, 2.0 * a * b, a, b, 1.0
        for j in range(5):
            right[j] += row[j] * (a * a + b * b)
            for k in range(5):
                matrix[j, k] += row[j] * row[k]
    if not eliminate(matrix, right):
        return False
    p, q, ra, rb, constant = right
    det = 1.0 - p * p - q * q
    if not det > 1e-6:
        return False  # a parabola or a hyperbola
    ca, cb = 0.5 * ((1.0 + p) * ra + q * rb) / det, 0.5 * ((1.0 - p) * rb + q * ra) / det
    rest = constant + (1.0 - p) * ca * ca - 2.0 * q * ca * cb + (1.0 + p) * cb * cb
    bend = np.sqrt(p * p + q * q)
    if not (rest > 0.0 and bend < 1.0):
        return False
    turn = 0.5 * np.arctan2(q, p)
    s[0:3] = mean + scale * (ca * u + cb * v)
    s[3:6] = d
    s[12] = scale * np.sqrt(rest / (1.0 + bend))
    s[15] = scale * np.sqrt(rest / (1.0 - bend))
    s[16:19] = np.cos(turn) * u + np.sin(turn) * v
    return True


@njit(cache=True)
def sane(s: Floats, size: float) -> bool:
    return 0.0 < s[12] < 200.0 * size and 0.0 < s[15] < 200.0 * size and 0.05 * s[15] < s[12] < 20.0 * s[15]


def canonical(shape: Shape) -> Shape:
    """The orientation along the longer semi-axis, its largest coordinate positive."""
    assert shape.radius is not None
    assert shape.major_radius is not None
    assert shape.direction is not None
    assert shape.orientation is not None
    small, large, along = abs(shape.radius), abs(shape.major_radius), shape.orientation
    if small > large:
        small, large, along = large, small, np.cross(shape.direction, along)
    along = along * np.sign(along[np.argmax(np.abs(along))])
    return Shape(shape.kind, shape.point, shape.direction, small, None, large, along)


def chart(shape: Shape, near: Floats) -> Chart:
    assert shape.direction is not None
    assert shape.orientation is not None
    axes = np.stack([shape.orientation, np.cross(shape.direction, shape.orientation), shape.direction])
    large, small = float(shape.major_radius or 0.0), float(shape.radius or 0.0)

    def turn_of(points: Floats) -> Floats:
        local = (points - shape.point) @ axes.T
        return np.arctan2(local[:, 1] / small, local[:, 0] / large)

    begin_at = float(turn_of(near[None])[0])
    stretch = float(np.hypot(large * np.sin(begin_at), small * np.cos(begin_at)))

    def flatten(points: Floats) -> Floats:
        turn = (turn_of(points) - begin_at + np.pi) % (2.0 * np.pi) - np.pi
        return np.stack([stretch * turn, (points - shape.point) @ axes[2]], axis=1)

    def lift(places: Floats) -> Floats:
        turn = places[:, 0] / stretch + begin_at
        return shape.point + np.stack([large * np.cos(turn), small * np.sin(turn), places[:, 1]], axis=1) @ axes

    return Chart(flatten, lift, 2.0 * np.pi * stretch)


def step(shape: Shape, near: Floats) -> StepSurface:
    return step_surface("SURFACE_OF_LINEAR_EXTRUSION", shape, shape.major_radius, shape.radius)


def section(shape: Shape) -> tuple[PlaneCurve, ...]:
    return ()


def size(shape: Shape) -> str:
    return f"D{2 * (shape.major_radius or 0.0):.3f} x {2 * (shape.radius or 0.0):.3f}"


KIND = Kind(
    name="elliptic_cylinder",
    invariance="prismatic",
    situation=SituationFeature.AXIS,
    ruled=True,
    parameters=("u", "v", "a", "b", "R", "r", "t"),
    evaluate=evaluate,
    gradient=gradient,
    begin=begin,
    sane=sane,
    chart=chart,
    canonical=canonical,
    step=step,
    section=section,
    size=size,
    parallel=None,
    one_size=False,
    refit_radius=False,
    seat=False,
    supple=True,
    letters={"elliptic_cylinder": "E"},
    looks={"elliptic_cylinder": Look(0.64, 0.110, 190.0, "level")},
)

# ------------------------------------------------------------------------------------------------------ the checks

LARGE, SMALL = 15.0, 9.0
HALF = np.array([30.0, 24.0, 14.0])
TURN = 0.5  # rad, of the ellipse about the bore's axis, which is z before the block is turned
LEAN, SHIFT = (0.3, -0.2, 0.4), (12.0, -7.0, 30.0)  # of the block in the scan


def made(count: int = 300) -> tuple[Shape, Floats]:
    """An elliptic cylinder in space, and points on it from its parametric form."""
    rng = np.random.default_rng(4)
    d = np.array([0.3, -0.5, 0.8]) / np.linalg.norm([0.3, -0.5, 0.8])
    o = np.cross(d, [1.0, 0.0, 0.0])
    o /= np.linalg.norm(o)
    o *= np.sign(o[np.argmax(np.abs(o))])
    shape = Shape(KIND.name, np.array([10.0, -20.0, 5.0]), d, SMALL, major_radius=LARGE, orientation=o)
    turn, along = rng.uniform(0.0, 2.0 * np.pi, count), rng.uniform(-10.0, 10.0, count)
    across = LARGE * np.cos(turn)[:, None] * o + SMALL * np.sin(turn)[:, None] * np.cross(d, o)
    return shape, shape.point + across + along[:, None] * d


def distance(shape: Shape, point: Floats) -> float:
    row = np.empty(7)
    return float(evaluate(pack(shape), *point, row))


def test_what_is_packed_comes_back() -> None:
    shape, _ = made()
    back = KIND.unpack(pack(shape))
    assert back.kind == shape.kind
    for name in ("point", "direction", "radius", "major_radius", "orientation"):
        np.testing.assert_allclose(getattr(back, name), getattr(shape, name), atol=1e-12)


def test_points_on_it_have_no_distance() -> None:
    shape, points = made()
    assert max(abs(distance(shape, p)) for p in points) < 1e-12


def test_the_distance_is_the_least_one() -> None:
    """Against scipy's minimiser over the ellipse's parameter."""
    shape, points = made(40)
    assert shape.direction is not None
    assert shape.orientation is not None
    across = np.cross(shape.direction, shape.orientation)
    for point in points + 6.0 * np.random.default_rng(5).normal(size=points.shape):
        q = point - shape.point
        a, b = q @ shape.orientation, q @ across

        def off(turn: float, a: float = a, b: float = b) -> float:
            return float(np.hypot(LARGE * np.cos(turn) - a, SMALL * np.sin(turn) - b))

        starts = np.linspace(0.0, 2.0 * np.pi, 17)
        found = [
            minimize_scalar(off, bounds=pair, method="bounded", options={"xatol": 1e-12}).fun
            for pair in pairwise(starts)
        ]
        inside = (a / LARGE) ** 2 + (b / SMALL) ** 2 < 1.0
        assert distance(shape, point) == pytest.approx(-min(found) if inside else min(found), abs=1e-7)


@pytest.mark.parametrize("off", [0.0, 1e-12, 1e-6, 0.5])
def test_the_distance_on_the_axes_of_the_ellipse(off: float) -> None:
    """Where the nearest point jumps from the end of the long axis to beside it: at (L^2 - S^2) / L = 9.6."""
    shape, _ = made(1)
    assert shape.orientation is not None
    assert shape.direction is not None
    across = np.cross(shape.direction, shape.orientation)
    for along, known in ((20.0, 5.0), (12.0, -3.0), (9.6, -5.4), (0.0, -9.0)):
        found = distance(shape, shape.point + along * shape.orientation + off * across)
        assert found == pytest.approx(known, abs=1e-9 if off < 1e-9 else 2.0 * off)


def test_the_gradient_is_unit_and_the_derivative() -> None:
    shape, points = made(40)
    for point in points + np.random.default_rng(6).normal(size=points.shape):
        told, *normal = gradient(pack(shape), *point)
        steps = 1e-6 * np.eye(3)
        slopes = [(distance(shape, point + e) - distance(shape, point - e)) / 2e-6 for e in steps]
        assert told == distance(shape, point)
        np.testing.assert_allclose(normal, slopes, atol=1e-6)
        assert np.linalg.norm(normal) == pytest.approx(1.0)


def test_closed_form_start_is_exact_on_exact_points() -> None:
    shape, points = made()
    normals = np.array([gradient(pack(shape), *p)[1:] for p in points])
    packed = np.zeros_like(pack(shape))
    assert begin(points, normals, packed)
    found = KIND.unpack(packed)
    assert (found.major_radius, found.radius) == pytest.approx((LARGE, SMALL), abs=1e-6)
    assert max(abs(distance(found, p)) for p in points) < 1e-6


def test_a_chart_comes_back_and_keeps_lengths_nearby() -> None:
    shape, points = made()
    plan = chart(shape, points[0])
    places = plan.flatten(points)
    np.testing.assert_allclose(plan.lift(places), points, atol=1e-9)
    here = places[:1] + np.array([[0.0, 0.0], [1e-3, 0.0], [0.0, 1e-3]])
    corners = plan.lift(here)
    np.testing.assert_allclose(np.linalg.norm(corners[1:] - corners[0], axis=1), 1e-3, rtol=1e-3)


def in_its_own_process(code: str) -> str:
    """What a process prints in which the kind is registered before the kernels are made."""
    head = "from tests.surfaces.test_new_kind import KIND, made\nfrom pipeline.surfaces import KINDS, register\n"
    command = [sys.executable, "-c", head + "register(KIND)\n" + code]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_kernels_of_all_kinds_have_it_too() -> None:
    """Its code is the next one, its distance is served by it, and the code after it is an error in every kernel."""
    told = in_its_own_process(
        """
import json, numpy as np
from pipeline.surfaces import WIDTHS, distance_gradient, gradient, jacobian, moved, pack, row_of, sane, signed_distance
shape, points = made(20)
points = points + 0.3 * np.random.default_rng(1).normal(size=points.shape)
packed, code = pack(shape), KINDS["elliptic_cylinder"].code
columns = jacobian(shape, points)
worst = 0.0
for k in range(7):
    step = np.zeros(7)
    step[k] = 1e-6
    ahead, back = (signed_distance(moved(shape, sign * step), points) for sign in (1, -1))
    worst = max(worst, np.abs((ahead - back) / 2e-6 - columns[:, k]).max())
refused = 0
for unknown in (-1, code + 1):
    for ask in (lambda: gradient(unknown, packed, 0.0, 0.0, 0.0), lambda: sane(unknown, packed, 100.0)):
        try:
            ask()
        except ValueError:
            refused += 1
same = [distance_gradient(row_of(shape), *p)[0] - KIND.gradient(packed, *p)[0] for p in points]
print(json.dumps([code, len(WIDTHS), float(worst), refused, float(np.abs(same).max())]))
"""
    )
    code, kinds, worst, refused, apart = json.loads(told)
    assert (code, kinds, refused) == (5, 6, 4)
    assert worst < 2e-5
    assert apart == 0.0


def test_a_kind_is_refused_once_kernels_are_made_or_under_a_known_name() -> None:
    told = in_its_own_process(
        """
from pipeline.errors import GeometryError
from dataclasses import replace
def refused(kind):
    try:
        register(kind)
    except GeometryError as error:
        return str(error)
print(refused(KIND))
def other(letter):
    return replace(KIND, name="other", letters={"other": letter}, looks={"other": KIND.looks["elliptic_cylinder"]})
print(refused(other("H")))
import pipeline.surfaces.dispatch
print(refused(other("O")))
"""
    )
    first, letter, second = told.splitlines()
    assert "already" in first
    assert "H stands for a cylinder already" in letter
    assert "before they are used" in second


def test_other_kernels_are_served_than_without_it() -> None:
    told = in_its_own_process(
        """
import os
from itertools import pairwise
from pathlib import Path
folder = Path(os.environ["NUMBA_CACHE_DIR"])
others = [p for p in folder.parent.glob("kernels-*") if p != folder]
import pipeline.surfaces.dispatch as dispatch
print(Path(dispatch.gradient.stats.cache_path).parent == folder, len(others) > 0)
"""
    )
    assert told.split() == ["True", "True"]


def block(edge: float) -> tuple[Floats, NDArray[np.int32], Floats]:
    """A block with an elliptic bore through it: vertices (n, 3), faces (m, 3), and outward normals (n, 3).

    A grid round the bore: up its wall, out over the top, down the sides and back over the bottom.
    """
    sides = [int(np.ceil(2.0 * h / edge)) for h in HALF[:2]]
    x, y = (np.linspace(-h, h, n, endpoint=False) for h, n in zip(HALF[:2], sides, strict=True))
    rim = np.concatenate(
        [
            np.column_stack([np.full(len(y), HALF[0]), y]),
            np.column_stack([-x, np.full(len(x), HALF[1])]),
            np.column_stack([np.full(len(y), -HALF[0]), -y]),
            np.column_stack([x, np.full(len(x), -HALF[1])]),
        ]
    )
    turn = np.arctan2(rim[:, 1], rim[:, 0]) - TURN
    scale = 1.0 / np.hypot(np.cos(turn) / LARGE, np.sin(turn) / SMALL)
    bore = scale[:, None] * np.column_stack([np.cos(turn + TURN), np.sin(turn + TURN)])
    up = np.linspace(-HALF[2], HALF[2], int(np.ceil(2.0 * HALF[2] / edge)), endpoint=False)
    out = np.linspace(0.0, 1.0, int(np.ceil(18.0 / edge)), endpoint=False)
    walk = [
        *[(0.0, z) for z in up], *[(s, HALF[2]) for s in out],
        *[(1.0, -z) for z in up], *[(1.0 - s, -HALF[2]) for s in out],
    ]  # fmt: skip
    share, height = np.array(walk).T
    places = (1.0 - share)[:, None, None] * bore + share[:, None, None] * rim
    n, m = len(walk), len(rim)
    vertices = np.dstack([places, np.broadcast_to(height[:, None], (n, m))]).reshape(-1, 3)
    i, j = (a.ravel() for a in np.meshgrid(np.arange(n), np.arange(m), indexing="ij"))
    corner = [((i + a) % n) * m + (j + b) % m for a, b in ((0, 0), (0, 1), (1, 1), (1, 0))]
    faces = np.concatenate([np.column_stack([corner[k] for k in t]) for t in ((0, 2, 1), (0, 3, 2))]).astype(np.int32)
    cross = np.cross(vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]])
    normals = np.zeros_like(vertices)
    for k in range(3):
        np.add.at(normals, faces[:, k], cross)
    volume = np.einsum("ij,ij->i", vertices[faces[:, 0]], cross).sum() / 6.0
    if volume < 0.0:
        faces, normals = faces[:, ::-1].copy(), -normals
    return vertices, faces, normals / np.linalg.norm(normals, axis=1, keepdims=True)


def test_the_block_is_what_it_is_said_to_be() -> None:
    """Its volume by the divergence theorem, against that of the block less the ellipse's."""
    vertices, faces, _ = block(1.0)
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    volume = np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0
    assert volume == pytest.approx(8.0 * np.prod(HALF) - 2.0 * HALF[2] * np.pi * LARGE * SMALL, rel=1e-3)


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The output folder of the whole job on a scan of the block, with noise, in which the kind is registered."""
    from sample_meshes.make_scan import Noise, noise_along_normal

    folder = tmp_path_factory.mktemp("ellipse")
    vertices, faces, normals = block(0.45)
    noise = noise_along_normal(vertices, Noise(0.008, ((0.003, 2.5),)), np.random.default_rng(7))
    points = (vertices + noise[:, None] * normals) @ Rotation.from_rotvec(LEAN).as_matrix().T + SHIFT
    trimesh.Trimesh(points, faces, process=False).export(folder / "block.stl")
    in_its_own_process(
        f"""
from pipeline.cli.main import main
import sys
sys.exit(main(["run", {str(folder / "block.stl")!r}, "--quiet", "--out", {str(folder / "out")!r}]))
"""
    )
    return folder / "out"


def found_in(job: Path) -> dict[str, Any]:
    """The one elliptic cylinder of the datum file."""
    (found,) = [f for f in json.loads((job / "datums.json").read_text())["features"] if f["kind"] == KIND.name]
    return dict(found)


@pytest.mark.slow
def test_the_job_finds_and_fits_it(job: Path) -> None:
    """As it was made, within three times the uncertainties given; of the pairs across the axis that is 99 %."""
    found = found_in(job)
    known = found["uncertainty"]
    turn = Rotation.from_rotvec(LEAN).as_matrix()
    axis, along = turn[:, 2], turn @ [np.cos(TURN), np.sin(TURN), 0.0]
    assert (found["side"], found["confidence"]) == ("bore", "good")
    assert 0.0 < known["radius"] < 0.01
    assert abs(found["radius"] - SMALL) < 3.0 * known["radius"]
    assert abs(found["major_radius"] - LARGE) < 3.0 * known["radius"]
    away = np.array(found["point"]) - SHIFT
    assert np.linalg.norm(away - (away @ axis) * axis) < 3.0 * known["position"]
    assert np.degrees(np.arccos(min(abs(np.dot(found["direction"], axis)), 1.0))) < 3.0 * known["direction"]
    # A turn by one rad moves the ends of the ellipse by more than L - S against it.
    off = np.arccos(min(abs(np.dot(found["orientation"], along)), 1.0))
    assert off < 3.0 * known["radius"] / (LARGE - SMALL) + 3.0 * np.radians(known["direction"])
    assert found["extent"]["arc"] == pytest.approx(360.0, abs=1.0)


@pytest.mark.slow
def test_what_the_job_writes_of_it(job: Path) -> None:
    """A datum file that its schema takes, an audit, the report, and a face of its own in STEP (ISO 10303-42)."""
    told, found = json.loads((job / "datums.json").read_text()), found_in(job)
    jsonschema.validate(told, json.loads((job / "datums.schema.json").read_text()))
    assert found["audit"]["verdict"] == "ok"
    assert abs(found["audit"]["radius_change"]) < 0.01
    assert found["id"] in (job / "report.html").read_text()
    assert f"{found['id']} | {KIND.name}" in (job / "summary.md").read_text()
    step = (job / "datums.step").read_text()
    assert f"'{found['id']} face'" in step
    assert "SURFACE_OF_LINEAR_EXTRUSION" in step
    assert "ELLIPSE" in step
    assert not [text for text in told["cautions"] if found["id"] in text]
