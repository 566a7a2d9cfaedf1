"""Constrained refits: the fit against an independent solver, what is stated of it against many scans of one bore."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares

from pipeline.errors import SettingsError
from pipeline.features.fitting.constrained_fit import refitted, targets
from pipeline.features.fitting.least_squares import fit
from pipeline.features.fitting.piece import Piece
from pipeline.features.uncertainty.propagation import assess, block, weighed
from pipeline.job import Refit
from pipeline.lengths import in_unit
from pipeline.surfaces.shape import Shape
from pipeline.values import Extent, NoiseModel
from tests.features.faces import points_on, scanned, waves
from tests.features.made import bore, feature, plane

Z = np.array([0.0, 0.0, 1.0])
PARTS = [(0.005, 3.0), (0.004, 20.0)]
NOISE = NoiseModel(0.012, 0.014, np.array([[0.012, 0.0], *PARTS]), "known")
BORE = Shape("cylinder", np.zeros(3), Z, 12.0)
TURN = 4e-4


def piece_of(points, start=BORE):
    found = fit("cylinder", points, start)
    return Piece(found.shape, "bore", found, points, Extent(1000.0, 1000, 12.0, 2.0, (-6.0, 6.0)))


def feature_of(piece):
    s = piece.shape
    known = assess(s, piece.points, piece.fit.weights, NOISE)
    return bore("bore-1", s.point, s.direction, s.radius, uncertainty=known)


def face(normal=Z, turn=TURN):
    made = plane("plane-1", [0, 0, 20.0], normal)
    covariance = np.diag([1e-6, turn**2, turn**2])
    return replace(made, uncertainty=replace(made.uncertainty, covariance=covariance, names=("w", "a", "b")))


def third_of_a_bore(rng):
    points = points_on(rng, BORE, (np.radians(120.0), 12.0), 0.6)
    along = waves(rng, PARTS, 80)(points) + rng.normal(0, 0.012, len(points))
    return scanned(BORE, points, along)


def test_square_to_a_face_with_a_given_radius_is_what_an_independent_solver_finds():
    points = third_of_a_bore(np.random.default_rng(1))
    piece = piece_of(points)
    tilt = np.array([2e-3, -1e-3, 1.0])
    tilt /= np.linalg.norm(tilt)
    again = refitted(Refit(feature="bore-1", square_to="plane-1", radius=12.05), 1, piece, feature_of(piece),
                     face(tilt), 0.0)  # fmt: skip
    shape = again.piece.shape
    assert shape.radius == 12.05
    assert np.abs(np.cross(shape.direction, tilt)).max() < 1e-12
    weights = np.sqrt(again.piece.fit.weights)
    across = np.linalg.svd(tilt[None])[2][1:]
    flat = points @ across.T
    solved = least_squares(
        lambda c: weights * (np.linalg.norm(flat - c, axis=1) - 12.05), across @ BORE.point, xtol=1e-14, ftol=1e-14
    )
    assert across @ shape.point == pytest.approx(solved.x, abs=1e-6)


def test_stated_uncertainty_is_the_spread_over_many_scans_and_many_references():
    rng = np.random.default_rng(2)
    squares, free, held = [], [], []
    for _ in range(120):
        piece = piece_of(third_of_a_bore(rng))
        normal = Z + TURN * np.array([*rng.normal(size=2), 0.0])
        again = refitted(
            Refit(feature="bore-1", square_to="plane-1"), 1, piece, feature_of(piece),
            face(normal / np.linalg.norm(normal)), 0.0,
        )  # fmt: skip
        shape = again.piece.shape
        known, _ = weighed(shape, again.piece.points, again.piece.fit.weights, NOISE, held=again.held)
        # The truth is the z axis: compare where it pierces the plane through the found point.
        off = known.basis @ (shape.point - shape.point[2] * Z)
        turned = known.basis @ (shape.direction - Z)
        squares.append([
            off @ np.linalg.solve(block(known, ("u", "v")), off) / 2,
            turned @ np.linalg.solve(block(known, ("a", "b")), turned) / 2,
            (shape.radius - 12.0) ** 2 / block(known, ("r",))[0, 0],
        ])  # fmt: skip
        free.append(feature_of(piece).uncertainty.direction)
        held.append(known.direction)
    # The mean of 120 squares scatters by some 10 to 13 %.
    assert np.mean(squares, axis=0) == pytest.approx([1.0, 1.0, 1.0], abs=0.35)
    assert np.mean(held) < np.mean(free)


def test_a_bore_parallel_to_a_face_keeps_one_turn_free():
    piece = piece_of(third_of_a_bore(np.random.default_rng(3)))
    side = np.array([1.0, 3e-4, 2e-4])
    side /= np.linalg.norm(side)
    free = feature_of(piece)
    again = refitted(Refit(feature="bore-1", parallel_to="plane-1"), 1, piece, free, face(side), 0.0)
    shape = again.piece.shape
    assert abs(shape.direction @ side) < 1e-9
    assert again.held.names == ("b",)
    known, _ = weighed(shape, piece.points, again.piece.fit.weights, NOISE, held=again.held)
    spread = known.basis.T @ block(known, ("a", "b")) @ known.basis
    assert np.sqrt(side @ spread @ side) == pytest.approx(TURN, rel=1e-6)


def test_a_given_radius_is_not_said_to_be_measured():
    piece = piece_of(third_of_a_bore(np.random.default_rng(4)))
    free = feature_of(piece)
    again = refitted(Refit(feature="bore-1", radius=12.0), 1, piece, free, None, 0.0)
    known, _ = weighed(again.piece.shape, piece.points, again.piece.fit.weights, NOISE, held=again.held)
    assert known.radius is None
    assert "to a given radius of 12 mm" in in_unit(known.method, "mm")
    assert known.position < 0.5 * free.uncertainty.position
    # Under a coating the scan shows the bore smaller than it is.
    coated = refitted(Refit(feature="bore-1", radius=12.0), 1, piece, free, None, 0.02)
    assert coated.piece.shape.radius == pytest.approx(11.98)


def test_what_the_scan_contradicts_is_said():
    piece = piece_of(third_of_a_bore(np.random.default_rng(5)))
    free = feature_of(piece)
    fine = refitted(Refit(feature="bore-1", square_to="plane-1"), 1, piece, free, face(), 0.0)
    assert fine.doubt is None
    leaning = np.array([np.sin(0.02), 0.0, np.cos(0.02)])
    wrong = refitted(Refit(feature="bore-1", square_to="plane-1", radius=13.0), 1, piece, free, face(leaning), 0.0)
    assert "degrees off" in wrong.doubt
    assert "mm off" in in_unit(wrong.doubt, "mm")
    unknown = face()
    unknown = replace(unknown, uncertainty=replace(unknown.uncertainty, covariance=None))
    again = refitted(Refit(feature="bore-1", square_to="plane-1"), 1, piece, free, unknown, 0.0)
    known, _ = weighed(again.piece.shape, piece.points, None, NOISE, held=again.held)
    assert known.position is None
    assert "not vouched for" in known.method


BALL = feature("sphere-1", "sphere", [0, 0, 0], None, 5.0, "bore")


@pytest.mark.parametrize(
    ("refits", "text"),
    [
        ([Refit(feature="seat", radius=3.0)], "no feature 'seat'; those found are bore-1, plane-1, sphere-1"),
        ([Refit(feature="bore-1", square_to="lid")], "no feature 'lid'"),
        ([Refit(feature="bore-1", square_to="bore-1")], "can't be held to itself"),
        ([Refit(feature="bore-1", square_to="sphere-1")], "'sphere-1' is a sphere"),
        ([Refit(feature="plane-1", radius=3.0)], "'plane-1' is a plane, which has no one radius"),
        ([Refit(feature="bore-1", radius=3.0), Refit(feature="bore-1", square_to="plane-1")], "has a refit already"),
    ],
)
def test_a_refit_that_cannot_be(refits, text):
    features = [bore("bore-1", [0, 0, 0], Z, 12.0), plane("plane-1", [0, 0, 20.0], Z), BALL]
    with pytest.raises(SettingsError, match=text):
        targets(tuple(refits), features)


def test_a_direction_far_off_is_refused():
    piece = piece_of(third_of_a_bore(np.random.default_rng(6)))
    with pytest.raises(SettingsError, match="more than 10 degrees"):
        refitted(Refit(feature="bore-1", square_to="plane-1"), 1, piece, feature_of(piece), face(np.eye(3)[0]), 0.0)


def test_a_refit_takes_the_coating_off_as_a_fit_does():
    from pipeline.stages.recover import _held

    piece = piece_of(third_of_a_bore(np.random.default_rng(5)))
    free = feature_of(piece)
    again = refitted(Refit(feature="bore-1", square_to="plane-1"), 1, piece, free, face(), 0.02)
    coated, bare = (_held(again, free, NOISE, thickness) for thickness in (0.0, 0.02))
    # The spray lies on the bore's wall all round.
    assert bare.radius - coated.radius == pytest.approx(0.02, abs=1e-12)
