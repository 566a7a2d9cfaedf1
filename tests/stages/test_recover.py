"""The recover stage on demo scans and on exact tessellations.

Covers: pipeline.features.segmentation.recovery, pipeline.features.segmentation.out_of_flat
"""

import re

import numpy as np
import pytest

from pipeline.features.naming import form_in_words
from pipeline.features.uncertainty.white_noise import white_sigma
from pipeline.job import Measured, RecoverSettings, Refit
from pipeline.mesh.topology.components import compact
from pipeline.mesh.topology.measures import mean_edge
from pipeline.progress import silent
from pipeline.stages.recover import recover
from pipeline.surfaces import signed_distance
from pipeline.surfaces.shape import shape_of
from pipeline.values import CleanResult, Source
from pipeline.values.surface import Surface
from tests.features.faces import revolved
from tests.scans import demo_scan
from tests.scorer import score


def cleaned(vertices, faces, bounds=None):
    """What the stages before leave of a mesh that needs no cleaning."""
    surface = Surface.measured(vertices, faces)
    low, high = bounds or (vertices.min(axis=0), vertices.max(axis=0))
    source = Source(
        "scan.stl", "0" * 64, len(faces), len(vertices), "mm", 1.0, white_sigma(surface.vertices, surface.faces),
        mean_edge(surface.vertices, surface.faces), (tuple(low), tuple(high)),
    )  # fmt: skip
    return CleanResult(surface, (), 0.0), source


def recovered(vertices, faces, settings=RecoverSettings(), measured=(), bounds=None, **more):  # noqa: B008
    return recover(*cleaned(vertices, faces, bounds), settings, measured, silent, **more)


def as_datums(result):
    return {
        "features": [
            {
                "id": f.id, "kind": f.kind, "side": f.side, "point": f.point, "direction": f.direction,
                "radius": f.radius, "half_angle": None if f.half_angle is None else np.degrees(f.half_angle),
            }
            for f in result.features
        ]
    }  # fmt: skip


@pytest.fixture(scope="module")
def scan():
    return demo_scan(200_000, 1)


@pytest.fixture(scope="module")
def result(scan):
    return recovered(scan.vertices, scan.faces)


def test_demo_is_found_and_nothing_else(scan, result):
    found = score(scan.truth, as_datums(result))
    assert found.missed == ()
    assert found.false == ()
    assert found.hit("bearing seat A").angle < 0.03
    assert found.hit("bearing seat A").offset < 0.015
    assert abs(found.hit("bearing seat A").radius) < 0.010


def test_labels_point_at_the_facets_of_each_feature(scan, result):
    assert result.labels.shape == (len(scan.faces),)
    for index, feature in enumerate(result.features):
        facets = scan.faces[result.labels == index]
        assert len(facets) == feature.extent.facets > 0
        away = signed_distance(shape_of(feature), scan.vertices[np.unique(facets)])
        assert np.sqrt(np.mean(away**2)) < 2.0 * result.noise.sigma_form


def test_a_feature_says_what_is_known_of_it(result):
    for feature in result.features:
        assert feature.uncertainty.position is None or feature.uncertainty.position > 0
        assert feature.uncertainty.method
        assert feature.form.peak_to_valley >= feature.form.rms > 0
        assert (feature.confidence == "low") == bool(feature.reasons)
    assert all(rejected.reason for rejected in result.rejected)
    known = {feature.id for feature in result.features}
    assert len(known) == len(result.features)
    assert all(set(pattern.members) <= known for pattern in result.patterns)


def test_a_zone_taken_out_renames_nothing_that_stayed(scan, result):
    hole = next(f for f in result.features if f.kind == "cylinder" and f.radius < 6)
    centres = scan.vertices[scan.faces].mean(axis=1)
    kept = scan.faces[np.linalg.norm(centres - hole.point, axis=1) > 25.0]
    vertices, faces, _ = compact(scan.vertices, kept)
    without = recovered(
        vertices, faces, bounds=(scan.vertices.min(axis=0), scan.vertices.max(axis=0)), book=result.book
    )
    before = {f.id for f in result.features}
    gone = before - {f.id for f in without.features}
    assert hole.id in gone
    assert {f.id for f in without.features} <= before
    assert len(gone) <= 4


def test_again_with_coating_and_a_measured_size(scan, result):
    bore = max((f for f in result.features if f.side == "bore"), key=lambda f: f.radius)
    again = recovered(
        scan.vertices, scan.faces, RecoverSettings(coating_thickness=0.05),
        (Measured(what="diameter", features=[bore.id], value=2 * bore.radius + 0.5, uncertainty=0.01),),
    )  # fmt: skip
    assert [f.id for f in again.features] == [f.id for f in result.features]
    assert np.array_equal(again.labels, result.labels)
    for thick, bare in zip(result.features, again.features, strict=True):
        if bare.kind == "cylinder":
            grown = 0.05 if bare.side == "bore" else -0.05
            assert bare.radius == pytest.approx(thick.radius + grown, abs=1e-9)
    assert again.measured[0].feature == bore.id
    assert again.measured[0].agrees is False


def test_a_scale_that_explains_measured_sizes_is_proposed_and_not_applied(scan, result):
    bores = sorted((f for f in result.features if f.kind == "cylinder" and f.side == "bore"), key=lambda f: -f.radius)
    sizes = tuple(
        Measured(what="diameter", features=[f.id], value=2.002 * f.radius, uncertainty=0.005)
        for f in (*bores[:3], bores[-1])
    )
    again = recovered(scan.vertices, scan.faces, measured=sizes)
    assert [f.radius for f in again.features] == [f.radius for f in result.features]
    assert len(again.cautions) == len(result.cautions) + 1
    assert "scale" in again.cautions[-1]


def test_patterns_of_the_part_come_along(result):
    assert {p.kind for p in result.patterns} >= {"coaxial", "pitch_circle"}


def test_skin_alone_gives_no_feature():
    rng = np.random.default_rng(0)
    grid = np.stack(np.meshgrid(np.arange(120.0), np.arange(120.0), indexing="ij"), axis=-1).reshape(-1, 2)
    height = 2.0 * np.sin(grid[:, 0] / 9.0) + 1.5 * np.cos(grid[:, 1] / 7.0) + 0.012 * rng.normal(size=len(grid))
    quads = np.arange(119)[:, None] * 120 + np.arange(119)
    a, b, c, d = (q.ravel() for q in (quads, quads + 120, quads + 121, quads + 1))
    faces = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    nothing = recovered(np.column_stack([grid, height]), faces)
    assert nothing.features == ()
    assert nothing.cautions


def drum(turns=48, radius=20.0, height=30.0):
    """A closed cylinder as CAD tessellates it: strips from end to end, fans for the ends."""
    angle = 2 * np.pi * np.arange(turns) / turns
    ring = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    low, high = (np.column_stack([ring, np.full(turns, z)]) for z in (0.0, height))
    vertices = np.concatenate([low, high, [[0, 0, 0], [0, 0, height]]])
    i, j = np.arange(turns), (np.arange(turns) + 1) % turns
    bottom, top = np.full(turns, 2 * turns), np.full(turns, 2 * turns + 1)
    faces = np.concatenate(
        [
            np.stack([i, j, j + turns], 1), np.stack([i, j + turns, i + turns], 1),
            np.stack([j, i, bottom], 1), np.stack([i + turns, j + turns, top], 1),
        ]
    )  # fmt: skip
    return vertices, faces


def test_exact_tessellation_with_long_facets():
    vertices, faces = drum()
    found = recovered(vertices, faces)
    kinds = sorted((f.kind, f.side) for f in found.features if f.kind == "cylinder")
    assert kinds == [("cylinder", "boss")]
    planes = [f for f in found.features if f.kind == "plane"]
    assert sorted(round(float(f.direction[2])) for f in planes) == [-1, 1]
    (boss,) = (f for f in found.features if f.kind == "cylinder")
    assert boss.radius == pytest.approx(20.0, abs=1e-6)
    assert boss.extent.length == pytest.approx(30.0, abs=1e-6)
    assert np.degrees(boss.extent.arc) == pytest.approx(360.0)
    assert np.all(found.labels >= 0)


def test_what_is_called_cast_lies_on_cast_skin(scan, result):
    cast = [r for r in result.rejected if r.cast and r.kind == "plane" and r.area > 150.0]
    assert cast
    assert all(scan.face_of(r.point[None])[0] == 0 for r in cast)


def test_refits_and_names(scan, result):
    """A short bore held square to the face that its maker milled it from, and a bore of known size, both by name."""
    found = score(scan.truth, as_datums(result))
    seal, face, seat = (found.hit(name).found for name in ("seal bore", "flange face", "bearing seat A"))
    radius = scan.face("bearing seat A").radius
    measured = Measured(
        what="diameter", features=["front bore"], value=2 * scan.face("seal bore").radius, uncertainty=0.01
    )
    again = recovered(
        scan.vertices, scan.faces, measured=(measured,),
        names={"front bore": seal, face: "mounting face"},
        refits=(Refit(feature="front bore", square_to="mounting face"), Refit(feature=seat, radius=radius)),
    )  # fmt: skip
    before, after = ({f.id: f for f in r.features} for r in (result, again))
    assert set(before) == set(after)
    assert (after[seal].name, after[face].name) == ("front bore", "mounting face")
    assert after[seal].constraint == f"square to {face}"
    assert np.abs(np.cross(after[seal].direction, after[face].direction)).max() < 1e-9
    assert after[seal].uncertainty.direction < before[seal].uncertainty.direction
    assert after[seat].radius == pytest.approx(radius)
    assert after[seat].uncertainty.radius is None
    assert [check.feature for check in again.measured] == [seal]
    others = set(before) - {seal, seat}
    assert all(np.array_equal(before[i].point, after[i].point) for i in others)
    assert all(f.constraint is None for i, f in after.items() if i in others)


def test_a_journal_between_fillets_slit_by_ribs_is_one_boss():
    # R 60, 20 long, fillets R 8 at both ends, five ribs 5 high: each stretch runs smoothly into the fillets.
    rng = np.random.default_rng(7)

    def radius(angle, z):
        over = np.clip(np.abs(z) - 10.0, 0.0, 7.0)
        rib = np.cos(5 * angle) > 0.3
        return 68.0 - np.sqrt(64.0 - over**2) + 5.0 * rib + rng.normal(0, 0.012, angle.shape)

    vertices, faces = revolved(radius, np.arange(-16.0, 16.01, 0.7), 540)
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    turn *= np.linalg.det(turn)
    found = recovered(vertices @ turn.T, faces).features
    journal = min(found, key=lambda f: abs((f.radius or 0.0) - 60.0))
    assert (journal.kind, journal.side) == ("cylinder", "boss")
    assert abs(journal.radius - 60.0) < 3.0 * journal.uncertainty.radius
    # Less an edge at each end of each stretch.
    whole = 360.0 * (1.0 - np.arccos(0.3) / np.pi)
    assert whole - 15.0 < np.degrees(journal.extent.arc) < whole + 1.0
    # Nothing else but the ribs' tops, and of the fillets of both, exact here, what goes round far enough.
    for f in found:
        if f.kind == "torus":
            assert abs(f.radius - 8.0) < 3.0 * f.uncertainty.radius
            assert min(abs(f.major_radius - 68.0), abs(f.major_radius - 73.0)) < 0.1
        else:
            assert min(abs(f.radius - 60.0), abs(f.radius - 65.0)) < 0.05


def test_a_bowed_face_is_told_as_such_and_no_other_form_is() -> None:
    """The foot bowed by 60 um over its 150 mm, at the usual noise of 12 um and its waves; the other faces are exact."""
    scan = demo_scan(6e4, 1, plug=False, debris=0)
    foot = next(face for face in scan.part.faces if face.name == "foot bottom")
    mine = np.unique(scan.faces[scan.label == foot.number])
    places = scan.to_part(scan.vertices[mine])
    across = places @ np.linalg.svd(places - places.mean(axis=0), full_matrices=False)[2][0]
    across -= 0.5 * (across.min() + across.max())
    vertices = scan.vertices.copy()
    normal = scan.to_scan[:3, :3] @ np.asarray(foot.direction)
    vertices[mine] += (0.06 * (1.0 - (across / 75.0) ** 2))[:, None] * normal
    found = recovered(vertices, scan.faces)
    told = [feature for feature in found.features if feature.form.told]
    assert [f.kind for f in told] == ["plane"]
    assert told[0].extent.area > 15_000.0
    # It stands unasked, and is not to be relied on as one whose form hides in the noise.
    assert told[0].confidence == "low"
    (reason,) = told[0].reasons
    said = re.fullmatch(r"out of flat: bowed by (\d+).um over (\d+).mm", reason)
    assert said
    assert float(said[1]) == pytest.approx(60.0 * (float(said[2]) / (2.0 * np.abs(across).max())) ** 2, abs=6.0)
    # Of a parabola the means over sevenths of its width range over 36/49 of its height.
    bow = 0.06 * ((np.abs(across).max() / 75.0) ** 2)
    assert told[0].form.of_means == pytest.approx(bow * 36 / 49, abs=1.5 * told[0].form.noise_of_means)
    assert form_in_words(told[0].form).startswith("flatness: 0.0")
    others = [form_in_words(f.form) for f in found.features if not f.form.told]
    assert len(others) > 15
    assert all("not told from the scan's noise, at most" in text for text in others)
