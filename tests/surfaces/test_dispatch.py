"""The if-chains over all kinds, starts turned from another kind, and points moved onto several surfaces.

Covers: pipeline.surfaces
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.surfaces import (
    AXIAL,
    COUNT,
    FLAT,
    KINDS,
    PACKED,
    SLOTS,
    WIDTHS,
    Shape,
    chord_steps,
    gradient,
    move_onto,
    pack,
    row_distances,
    row_of,
    sane,
    signed_distance,
    start_of,
    surface_normal,
    unpack,
)
from pipeline.surfaces.dispatch import apply_step, begin, evaluate, fill_rows
from pipeline.surfaces.kind import SLOTS as NUMBERS
from tests.surfaces.test_registry import made


def test_codes_are_places_in_the_registry() -> None:
    assert [kind.code for kind in KINDS.values()] == list(range(COUNT))
    for kind in KINDS.values():
        assert FLAT[kind.code] == kind.flat
        assert AXIAL[kind.code] == kind.axial
        assert list(SLOTS[kind.code][: WIDTHS[kind.code]]) == [NUMBERS[name] for name in kind.parameters]


@pytest.mark.parametrize("code", [-1, COUNT, 99])
def test_an_unknown_code_is_an_error_in_every_chain(code: int) -> None:
    s, points, rows = pack(made("cylinder")[0]), np.zeros((2, 3)), np.zeros((8, 2))
    asks = (
        lambda: gradient(code, s, 0.0, 0.0, 0.0),
        lambda: evaluate(code, s, 0.0, 0.0, 0.0, np.empty(8)),
        lambda: begin(code, points, points, s),
        lambda: fill_rows(code, s, points, 0, 2, rows, np.empty(2)),
        lambda: sane(code, s, 100.0),
        lambda: start_of(code, 0, s, points, points, s.copy()),
    )
    for ask in asks:
        with pytest.raises(ValueError, match="no kind of surface has this code"):
            ask()


@pytest.mark.parametrize("kind", KINDS)
def test_a_row_of_a_table_tells_the_same_distance(kind: str) -> None:
    shape, points = made(kind)
    points = points + 0.5
    np.testing.assert_allclose(row_distances(row_of(shape), points), signed_distance(shape, points), atol=1e-12)
    assert chord_steps(row_of(shape)) == KINDS[kind].chord_steps


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_packed_comes_back(kind: str) -> None:
    shape, _ = made(kind)
    back = unpack(kind, pack(shape))
    for name in ("point", "direction", "radius", "half_angle", "major_radius"):
        was, now = getattr(shape, name), getattr(back, name)
        assert (was is None) == (now is None), name
        if was is not None:
            np.testing.assert_allclose(now, was, atol=1e-12)
    assert back.orientation is None


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_degenerate_is_not_sane(kind: str) -> None:
    shape, _ = made(kind)
    packed, code = pack(shape), KINDS[kind].code
    assert sane(code, packed, 100.0)
    broken = packed.copy()
    broken[4] = np.nan
    assert not sane(code, broken, 100.0)
    if "r" in KINDS[kind].parameters:
        packed[12] = -1.0
        assert not sane(code, packed, 100.0)


def test_a_slice_of_a_cone_starts_from_the_cylinder_it_passes_for() -> None:
    shape, points = made("cylinder")
    held, s = pack(shape), np.zeros(PACKED)
    assert start_of(KINDS["cone"].code, KINDS["cylinder"].code, held, points, points, s)
    assert 0.0 < unpack("cone", s).half_angle < 0.01  # type: ignore[operator]
    back = np.zeros(PACKED)
    assert start_of(KINDS["cylinder"].code, KINDS["cone"].code, s, points, points, back)
    assert np.abs(signed_distance(unpack("cylinder", back), points)).max() < 1e-9


def test_a_stretch_of_a_torus_starts_from_the_cylinder_it_passes_for() -> None:
    """10 degrees of a ring of 100 mm and tube of 5 mm: the middle is off its tangent by 100 (1 - cos 5) = 0.38 mm."""
    rng = np.random.default_rng(5)
    along, round_it = np.radians(rng.uniform(-5.0, 5.0, 500)), rng.uniform(0.0, 2.0 * np.pi, 500)
    reach = 100.0 + 5.0 * np.cos(round_it)
    points = np.column_stack([reach * np.cos(along), reach * np.sin(along), 5.0 * np.sin(round_it)])
    tube = Shape("cylinder", np.array([100.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]), 5.0)
    s = np.zeros(PACKED)
    assert start_of(KINDS["torus"].code, KINDS["cylinder"].code, pack(tube), points, points, s)
    found = unpack("torus", s)
    assert found.major_radius == pytest.approx(100.0, rel=0.05)
    assert np.abs(signed_distance(found, points)).max() < 0.05


def test_with_no_relative_held_the_closed_form_starts() -> None:
    shape, points = made("sphere")
    s = np.zeros(PACKED)
    normals = surface_normal(shape, points)
    assert start_of(KINDS["sphere"].code, KINDS["plane"].code, pack(made("plane")[0]), points, normals, s)
    assert np.abs(signed_distance(unpack("sphere", s), points)).max() < 1e-5


def test_an_orientation_stays_square_and_turns_about_the_axis() -> None:
    """As a rotation matrix turns it: first with the direction, then by "t" about it."""
    d, o = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])
    s = pack(Shape("cylinder", np.zeros(3), d, 1.0, orientation=o))
    apply_step(s, np.array([NUMBERS["t"]]), np.array([0.3]))
    np.testing.assert_allclose(s[16:19], [np.cos(0.3), np.sin(0.3), 0.0], atol=1e-12)
    apply_step(s, np.array([NUMBERS["a"], NUMBERS["b"]]), np.array([0.1, -0.2]))
    assert s[16:19] @ s[3:6] == pytest.approx(0.0, abs=1e-12)
    assert np.linalg.norm(s[16:19]) == pytest.approx(1.0)


def test_a_step_of_no_parameter_is_an_error() -> None:
    with pytest.raises(ValueError, match="local parameter"):
        apply_step(pack(made("cylinder")[0]), np.array([77]), np.array([0.1]))


UP = np.array([0.0, 0.0, 1.0])
TABLE = np.array(
    [
        row_of(shape)
        for shape in (
            Shape("plane", np.array([0.0, 0.0, 4.0]), UP),
            Shape("cylinder", np.zeros(3), UP, 5.0),
            Shape("plane", np.zeros(3), np.array([0.0, 1.0, 0.0])),
            Shape("plane", np.array([0.0, 0.0, 9.0]), UP),
            Shape("sphere", np.zeros(3), None, 5.0),
        )
    ]
)


@pytest.mark.parametrize(
    ("members", "known"),
    [
        ((-1, -1, -1), (5.2, 0.1, 3.8)),
        ((4, -1, -1), np.array([5.2, 0.1, 3.8]) * 5.0 / np.linalg.norm([5.2, 0.1, 3.8])),
        ((0, 1, -1), np.append(np.array([5.2, 0.1]) * 5.0 / np.hypot(5.2, 0.1), 4.0)),
        ((0, 1, 2), (5.0, 0.0, 4.0)),
        ((0, 4, 2), (3.0, 0.0, 4.0)),
    ],
)
def test_a_point_is_moved_onto_what_surfaces_have_in_common(members: tuple[int, int, int], known: np.ndarray) -> None:
    point = np.array([5.2, 0.1, 3.8])
    assert move_onto(TABLE, *members, point)
    np.testing.assert_allclose(point, known, atol=1e-8)


def test_surfaces_along_each_other_have_nothing_in_common() -> None:
    point = np.array([1.0, 2.0, 6.0])
    assert not move_onto(TABLE, 0, 3, -1, point)
    np.testing.assert_array_equal(point, [1.0, 2.0, 6.0])
