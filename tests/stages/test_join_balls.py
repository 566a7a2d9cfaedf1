"""Set-ups laid on each other by reference balls: found, used first, taken out; and what is wrong with them told.

Covers: pipeline.stages.join, pipeline.features.joining.reference_balls

The part is a block that looks the same after half a turn, which nothing but the balls can tell; four balls of 20 mm
stick to its sides. Truth is the exact solid (OCP) and the motion of the maker (`tests.set_ups`). That a covariance
holds is checked against chi-squared; how a centre is tied to the radius against a fit with the radius held (scipy).
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import numpy as np
import pytest
from OCP.BRepAlgoAPI import BRepAlgoAPI_Fuse
from OCP.BRepPrimAPI import BRepPrimAPI_MakeSphere
from OCP.gp import gp_Pnt
from scipy.optimize import least_squares
from scipy.stats import chi2

import pipeline
from pipeline import artefacts
from pipeline.errors import GeometryError, SettingsError
from pipeline.features.joining import BallSize, at_known_size, ball_pairs, distances_alike
from pipeline.features.joining.reference_balls import laid_by_balls
from pipeline.formats.meshes_out import write_stl
from pipeline.geometry import small_motion, transformed
from pipeline.job import Ball, RecoverSettings, load_job
from pipeline.job import SetUp as Wish
from pipeline.progress import silent
from pipeline.runner import Result
from pipeline.stages.join import Scanned, join
from pipeline.values import JoinResult
from tests.features.joining.balls import CENTRES, scan_of_balls
from tests.rescanned import block
from tests.set_ups import SetUp, brep_set_up, corner_error

AT = np.array([[53.0, -12.0, 3.0], [-53.0, 20.0, -4.0], [18.0, 43.0, 2.0], [-25.0, -43.0, -2.0]])
JOB = """scan = "side-0.stl"
out = "both"
[[set_up]]
scan = "side-1.stl"
[[ball]]
diameter = 20.0
uncertainty = 0.002
count = 4
"""


@cache
def joined() -> tuple[Result, tuple[SetUp, SetUp], tuple[Scanned, Scanned]]:
    folder = Path(mkdtemp(prefix="balls-"))
    shape = block()
    for at in AT:
        shape = BRepAlgoAPI_Fuse(shape, BRepPrimAPI_MakeSphere(gp_Pnt(*at), 10.0).Shape()).Shape()
    made = []
    for number, way in enumerate((1.0, -1.0)):
        axis = np.array([0.0, 0.0, way])
        seen = brep_set_up(shape, "balls", axis, folder, edge=1.5, tilts=(40.0, 65.0), seed=61 + number)
        write_stl(folder / f"side-{number}.stl", seen.vertices, seen.faces, "mm")
        made.append(seen)
    (folder / "both.toml").write_text(JOB)
    result = pipeline.run(folder / "both.toml", until="join")
    alone = []
    for work, file in ((folder / "both" / "work", 0), (folder / "both" / "work" / "set-up-2" / "work", 1)):
        read, cleaned, found = (artefacts.fetch(work / f"{name}.npz", None) for name in ("read", "clean", "recover"))
        alone.append(Scanned(read.source, cleaned, found, Wish(scan=folder / f"side-{file}.stl")))
    return result, (made[0], made[1]), (alone[0], alone[1])


def again(stays: Scanned, laid: Scanned, *balls: Ball) -> JoinResult:
    return join(
        stays.clean, stays.recover, stays.source, (laid,), RecoverSettings(), (), {}, silent, balls=balls or (ball(),)
    )


def ball(diameter: float = 20.0, count: int = 4) -> Ball:
    return Ball(diameter=diameter, uncertainty=0.002, count=count)  # type: ignore[arg-type]  # pydantic takes numbers


def without(scan: Scanned, made: SetUp, gone: tuple[int, ...]) -> Scanned:
    """The scan with some of its balls not recovered."""
    back = np.linalg.inv(made.to_scan)
    features = scan.recover.features
    lost = [
        k
        for k, f in enumerate(features)
        if f.kind == "sphere" and np.argmin(np.linalg.norm(AT - transformed(back, f.point), axis=1)) in gone
    ]
    stay = [k for k in range(len(features)) if k not in lost]
    number = np.full(len(features) + 1, -1, dtype=np.int32)
    number[stay] = np.arange(len(stay))
    recover = replace(scan.recover, features=tuple(features[k] for k in stay), labels=number[scan.recover.labels])
    return replace(scan, recover=recover)


def test_balls_tell_what_the_part_does_not() -> None:
    """Without them there are two places: tests/features/joining/test_set_up_pose.py joins the block alone."""
    result, made, _ = joined()
    (laid,) = result.join.set_ups
    off = small_motion(laid.motion @ np.linalg.inv(made[0].to_scan @ np.linalg.inv(made[1].to_scan)))
    assert off @ np.linalg.solve(laid.covariance, off) < chi2.ppf(0.999, 6)
    assert corner_error(laid.motion, *made) < laid.corner < 0.05


def test_they_are_no_part_of_what_comes_out() -> None:
    result, made, _ = joined()
    assert not [f for f in result.features if f.kind == "sphere"]
    assert sorted(round(f.radius) for f in result.features if f.kind == "cylinder" and f.radius > 6) == [16]
    back = np.linalg.inv(made[0].to_scan)
    points = transformed(back, result.clean.surface.vertices[np.unique(result.clean.surface.faces)])
    assert np.linalg.norm(points[:, None] - AT, axis=2).min() > 10.5
    assert (abs(points) < [45.2, 35.2, 30.2]).all()
    (gone,) = [r for r in result.clean.removals if r.what == "reference balls"]
    # Of each some three quarters stand out, and the second scan takes out its own.
    assert 2 * 4 * 400.0 < gone.area < 2 * 4 * 4.0 * np.pi * 13.0**2
    assert not [text for text in result.join.cautions if "ball" in text]


def test_each_of_them_is_told_by_itself() -> None:
    """Where it stands by the maker, as large as it is, and its two centres one within noise."""
    result, made, alone = joined()
    (laid,) = result.join.set_ups
    assert len(laid.balls) == 4
    back = np.linalg.inv(made[0].to_scan)
    away = np.linalg.norm(transformed(back, np.array([b.place for b in laid.balls]))[:, None] - AT, axis=2)
    assert sorted(np.argmin(away, axis=1)) == [0, 1, 2, 3]
    assert away.min(axis=1).max() < 0.05
    # One of four may well be beyond its 95 %, none beyond 99.9 % (chi of three degrees of freedom).
    beyond = float(np.sqrt(chi2.ppf(0.999, 3) / chi2.ppf(0.95, 3)))
    for ball in laid.balls:
        assert 0.0 <= ball.off < beyond * ball.expanded < 0.1
        assert not ball.apart
    # By itself: as the fits of each scan have it, not as it was held.
    shown = [sorted(2.0 * f.radius for f in s.recover.features if f.kind == "sphere") for s in alone]
    assert [sorted(b.diameters[k] for b in laid.balls) for k in (0, 1)] == shown
    assert all(abs(d - 20.0) > 1e-6 for b in laid.balls for d in b.diameters)


def test_three_are_enough_and_it_is_told_that_nothing_checks_them() -> None:
    _, made, alone = joined()
    found = again(alone[0], without(alone[1], made[1], (3,)))
    assert corner_error(found.set_ups[0].motion, *made) < 0.05
    assert any("side-1.stl shows 3 of the 4 reference balls" in text for text in found.cautions)


def test_two_are_too_few() -> None:
    _, made, alone = joined()
    with pytest.raises(GeometryError, match=r"side-1\.stl shows 2 of the 4 reference balls of 20\.000.mm, and three"):
        again(alone[0], without(alone[1], made[1], (0, 3)))


def test_a_wrong_diameter_is_told_with_those_that_are_there() -> None:
    _, _, alone = joined()
    with pytest.raises(GeometryError, match=r"none of the 4 reference balls of 25\.000.mm.*\(other balls there: B\d"):
        again(*alone, ball(25.0))


def test_one_that_was_moved_has_no_part_in_it_and_is_told() -> None:
    _, made, alone = joined()
    features = list(alone[1].recover.features)
    k = next(k for k, f in enumerate(features) if f.kind == "sphere")
    features[k] = replace(features[k], point=np.add(features[k].point, [0.0, 0.9, 0.0]))
    found = again(alone[0], replace(alone[1], recover=replace(alone[1].recover, features=tuple(features))))
    assert corner_error(found.set_ups[0].motion, *made) < 0.05
    assert any("3 lie to each other alike; the others were moved" in text for text in found.cautions)


def test_all_moved_is_told() -> None:
    _, _, alone = joined()
    features = tuple(
        replace(f, point=np.add(f.point, [0.0, 3.0 * k, 0.0])) if f.kind == "sphere" else f
        for k, f in enumerate(alone[1].recover.features)
    )
    with pytest.raises(GeometryError, match=r"No three reference balls of side-1\.stl lie to each other"):
        again(alone[0], replace(alone[1], recover=replace(alone[1].recover, features=features)))


def test_distances_that_are_alike_leave_several_ways() -> None:
    """Two sides of 80 and 80.08 mm: swapped, the balls still fit; and the mirrored way does not count."""
    centres = np.array([[0.0, 0.0, 0.0], [80.0, 0.0, 0.0], [0.0, 80.08, 0.0]])
    one = scan_of_balls(centres=centres)
    assert distances_alike(one, [0, 1, 2])
    assert len(ball_pairs(one, [0, 1, 2], one, [0, 1, 2])) == 2
    assert not distances_alike(scan_of_balls(), [0, 1, 2])
    assert len(ball_pairs(scan_of_balls(), [0, 1, 2], scan_of_balls(), [0, 1, 2])) == 1
    four = np.vstack([CENTRES, [[30.0, 20.0, 40.0]]])
    mirrored = scan_of_balls((0, 1, 2, 3), centres=four * [1.0, 1.0, -1.0])
    ways = ball_pairs(scan_of_balls((0, 1, 2, 3), centres=four), range(4), mirrored, range(4))
    assert all(len(way) == 3 for way in ways)


def test_balls_on_a_line_lay_nothing() -> None:
    line = scan_of_balls(centres=np.array([[0.0, 0.0, 0.0], [50.0, 0.0, 0.0], [130.0, 0.0, 0.0]]))
    assert laid_by_balls(line, line, [(0, 0), (1, 1), (2, 2)]) is None


def test_a_centre_goes_with_its_radius_as_in_a_fit_with_the_radius_held() -> None:
    """Points of a cap: the fit with a free radius, then given 10 mm, is the fit at 10 mm."""
    rng = np.random.default_rng(5)
    ways = rng.normal(size=(400, 3))
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    ways = ways[ways[:, 2] > 0.5]
    points = 10.0 * ways + 0.01 * rng.normal(size=ways.shape)

    def off(p: np.ndarray) -> np.ndarray:
        return np.linalg.norm(points - p[:3], axis=1) - (p[3] if len(p) == 4 else 10.0)

    free, held = least_squares(off, [0, 0, 0, 10.0]), least_squares(off, [0, 0, 0])
    sigma2 = 2 * free.cost / (len(points) - 4)
    made = scan_of_balls()
    f = made.features[0]
    known = replace(f.uncertainty, covariance=sigma2 * np.linalg.inv(free.jac.T @ free.jac))
    made = replace(made, features=(replace(f, point=free.x[:3], radius=float(free.x[3]), uncertainty=known),))
    (found,) = at_known_size(made, [0], [BallSize(20.0, 1e-6, 3)]).features
    assert np.allclose(found.point, held.x, atol=2e-5)
    spread = found.uncertainty.covariance[:3, :3]
    assert np.allclose(spread, sigma2 * np.linalg.inv(held.jac.T @ held.jac), rtol=0.02, atol=1e-9)


def test_the_job_says_what_is_wrong_with_it(tmp_path: Path) -> None:
    for text, told in (
        ('scan = "a.stl"\n[[ball]]\ndiameter = 20\nuncertainty = 0.002\ncount = 4\n', "several scans"),
        (JOB.replace("count = 4", "count = 2"), "three reference balls are needed"),
        (JOB.replace("0.002", "3.0"), "below a tenth of it"),
    ):
        (tmp_path / "job.toml").write_text(text)
        with pytest.raises(SettingsError, match=told):
            load_job(tmp_path / "job.toml")
