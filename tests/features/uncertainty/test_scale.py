"""The scanner's scale in sizes and distances, by the law of propagation for a correlated input (JCGM 100:2008, 5.2.2):
a length of d is off by s d, and all lengths of a scan by the same s.

Covers: pipeline.features.uncertainty.scale
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.errors import SettingsError
from pipeline.features.gauging import check_measured, worth_measuring
from pipeline.features.relations import find_patterns, ideas, relations
from pipeline.features.uncertainty import with_scale, without_scale
from pipeline.formats.datum_file import build
from pipeline.formats.tables import holds, summary_md
from pipeline.job import Measured, make_job
from pipeline.progress import silent
from pipeline.report.groups import groups_of
from pipeline.stages.frame import frame
from pipeline.stages.recover import recover
from pipeline.standards import suggest
from pipeline.values import FillResult
from tests.features.made import bore, plane
from tests.outcomes import outcome
from tests.scans import demo_scan
from tests.stages.test_recover import cleaned

SCALE = 1e-4  # 0.1 mm per m


def scaled(features):
    """As the recover stage leaves them."""
    return [
        replace(
            f,
            uncertainty=replace(
                f.uncertainty, radius=with_scale(f.uncertainty.radius, f.radius or 0.0, SCALE), scale=SCALE
            ),
        )
        for f in features
    ]


def test_two_sizes_of_one_scan_against_draws_of_the_scale() -> None:
    # JCGM 101:2008: the law's result against the spread of what is drawn.
    rng = np.random.default_rng(4)
    count, sizes, own = 400_000, np.array([90.0, 62.0]), np.array([0.004, 0.003])
    drawn = sizes * (1.0 + SCALE * rng.normal(size=(count, 1))) + own * rng.normal(size=(count, 2))
    alone = [with_scale(u, d, SCALE) for u, d in zip(own, sizes, strict=True)]
    assert drawn.std(axis=0) == pytest.approx(alone, rel=0.01)
    back = [without_scale(u, d, SCALE) for u, d in zip(alone, sizes, strict=True)]
    assert back == pytest.approx(own, rel=1e-9)
    difference = with_scale(float(np.hypot(*back)), sizes[0] - sizes[1], SCALE)
    assert np.diff(drawn).std() == pytest.approx(difference, rel=0.01)


@pytest.fixture(scope="module")
def both():
    """Recover and frame stage on the demo's scan, without a scale and with one."""
    scan = demo_scan(60_000, 1)
    clean, without = cleaned(scan.vertices, scan.faces)
    out = []
    for source in (without, replace(without, scale_uncertainty=SCALE)):
        job = make_job({"scan": "demo.stl"})
        recovered = recover(clean, source, job.recover, (), silent)
        filled = FillResult(clean.surface, recovered.labels, ())
        out.append((recovered, frame(recovered, filled, job.frame, {})))
    return out


def test_every_size_and_distance_of_a_scan_has_it_and_no_angle_or_form(both) -> None:
    (plain, framed), (again, reframed) = both
    sized = 0
    for one, two in zip(plain.features, again.features, strict=True):
        assert two.form == one.form
        assert two.uncertainty.direction == one.uncertainty.direction
        assert two.uncertainty.position == one.uncertainty.position
        if one.radius is not None and one.uncertainty.radius is not None:
            expected = np.sqrt(one.uncertainty.radius**2 + (SCALE * one.radius) ** 2)
            assert two.uncertainty.radius == pytest.approx(expected, rel=1e-9)
            sized += 1
    assert sized > 15
    distances = 0
    for one, two in zip(framed.relations, reframed.relations, strict=True):
        assert (one.kind, one.between, one.value) == (two.kind, two.between, two.value)
        wider = SCALE * one.value if one.kind == "distance" else 0.0
        assert two.uncertainty == pytest.approx(np.hypot(one.uncertainty, wider), rel=1e-9)
        distances += one.kind == "distance"
    assert distances > 3
    circles = [(a, b) for a, b in zip(plain.patterns, again.patterns, strict=True) if a.diameter is not None]
    assert circles
    for a, b in circles:
        assert b.size_sigma == pytest.approx(np.hypot(a.size_sigma, SCALE * a.diameter), rel=1e-9)
    for one, two in zip(framed.in_part, reframed.in_part, strict=True):
        assert two.direction_uncertainty == one.direction_uncertainty
        if one.position is None:
            continue
        # Along a plane's normal, across an axis; a plane through the origin stays where it is.
        assert one.position <= two.position <= np.hypot(one.position, SCALE * np.linalg.norm(one.point)) * (1 + 1e-9)
    by_id = {f.id: f for f in plain.features}
    first = framed.frame.datums[0].feature
    for one, two in zip(framed.in_part, reframed.in_part, strict=True):
        if one.direction is not None and by_id[one.feature].kind == "plane" and one.position is not None:
            away = abs(one.point @ one.direction)
            assert two.position == pytest.approx(np.hypot(one.position, SCALE * away), rel=1e-6, abs=1e-12)
            assert one.feature != first or two.position < 1e-6
    for one, two in zip(framed.flanges, reframed.flanges, strict=True):
        for a, b in zip(one.holes, two.holes, strict=True):
            if a.place_uncertainty is not None:
                away = np.linalg.norm(a.place)
                assert b.place_uncertainty == pytest.approx(np.hypot(a.place_uncertainty, SCALE * away), rel=1e-9)
        for a, b in zip(one.patterns, two.patterns, strict=True):
            if a.diameter is not None and a.size_sigma is not None:
                assert b.size_sigma == pytest.approx(np.hypot(a.size_sigma, SCALE * a.diameter), rel=1e-9)
                assert b.phase_sigma == pytest.approx(a.phase_sigma, rel=1e-9)


def test_a_measured_size_and_distance_are_held_against_it() -> None:
    seat = bore("seat", (0, 0, 0), (0, 0, 1), 50.0)
    faces = [plane("top", (0, 0, 200), (0, 0, 1)), plane("foot", (0, 0, 0), (0, 0, -1))]
    sizes = [
        Measured(what="diameter", features=["seat"], value=100.014, uncertainty=0.001),
        Measured(what="distance", features=["top", "foot"], value=200.03, uncertainty=0.001),
    ]
    plain, proposal, _ = check_measured(sizes, [seat, *faces])
    checks, again, _ = check_measured(sizes, scaled([seat, *faces]))
    assert [c.agrees for c in plain] == [False, False]
    assert [c.agrees for c in checks] == [True, True]
    for before, after, size in zip(plain, checks, (100.0, 200.0), strict=True):
        assert after.scanned_uncertainty == pytest.approx(np.hypot(before.scanned_uncertainty, SCALE * size))
    # What they say of the scale itself hangs on nothing that was believed of it.
    assert again == proposal


def test_by_hand_and_suggestions_have_it() -> None:
    seat = bore("seat", (0, 0, 0), (0, 0, 1), 36.0, 17.0)
    faces = [plane("top", (0, 0, 200), (0, 0, 1)), plane("step", (0, 0, 0), (0, 0, 1))]
    plain = worth_measuring([seat, *faces], suggest([seat]), {"seat": "A"})
    wide = worth_measuring(scaled([seat, *faces]), suggest(scaled([seat])), {"seat": "A"})
    for before, after in zip(plain, wide, strict=True):
        assert after.sigma == pytest.approx(np.hypot(before.sigma, SCALE * before.size))
    # 72.06 lies 30 um beyond the loosest zone of a 72 mm seat: worn for sure, unless the scale may be off by 0.5 mm/m.
    worn = bore("seat", (0, 0, 0), (0, 0, 1), 36.03, 17.0)
    known = replace(worn.uncertainty, radius=with_scale(worn.uncertainty.radius, worn.radius, 5e-4), scale=5e-4)
    assert any("worn" in s.what for s in suggest([worn]))
    assert not any("worn" in s.what for s in suggest([replace(worn, uncertainty=known)]))


def test_equal_holes_stay_equal_and_others_apart() -> None:
    # Their difference has no share in a scale of which all have the same: rows of a table, holes of a pattern.
    made = outcome()
    bores = [f for f in made.recover.features if f.kind == "cylinder"]
    assert len(bores) > 3
    wide = 0.01
    radii = {bores[1].id: 4.5, bores[2].id: 4.5 + 0.02}
    features = tuple(
        replace(
            f,
            radius=(r := radii.get(f.id, f.radius)),
            uncertainty=replace(f.uncertainty, radius=with_scale(f.uncertainty.radius, r or 0.0, wide), scale=wide),
        )
        for f in made.recover.features
    )
    source = replace(made.source, scale_uncertainty=wide)
    data = build(replace(made, source=source, recover=replace(made.recover, features=features)))
    where = {data.features[i].id: n for n, g in enumerate(groups_of(data)) for i in g.members}
    assert where[bores[1].id] != where[bores[2].id]
    assert where[bores[1].id] == where[bores[3].id]
    ring = [bore(f"h{k}", (30 * np.cos(k), 30 * np.sin(k), 0), (0, 0, 1), 4.5) for k in np.arange(6) * np.pi / 3]
    (circle,) = [p for p in find_patterns(scaled(ring)) if p.kind == "pitch_circle"]
    assert circle.size_sigma == pytest.approx(np.hypot(2 * 0.003 / np.sqrt(6), SCALE * 60.0), rel=0.02)
    chances = ideas(scaled(ring))
    assert {r.kind for r in relations(scaled(ring), chances)} == {r.kind for r in relations(ring, ideas(ring))}


def test_the_outputs_say_once_whether_it_is_in() -> None:
    made = outcome()
    for scale, said in ((0.0, holds()), (5e-5, holds(0.05))):
        data = build(replace(made, source=replace(made.source, scale_uncertainty=scale)))
        assert summary_md(data, ()).count(said) == 1
        assert data.source.scale_uncertainty == (None if scale == 0.0 else pytest.approx(0.05))
    assert "scale_uncertainty under [read]" in holds()
    assert "scale_uncertainty" not in holds(0.05)


@pytest.mark.parametrize("value", [0.0, -0.1, 200.0, float("nan")])
def test_a_scale_that_can_not_be(value: float) -> None:
    with pytest.raises(SettingsError, match="scale_uncertainty"):
        make_job({"scan": "demo.stl", "read": {"scale_uncertainty": value}})
