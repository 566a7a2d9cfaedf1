"""The pictures: drawn with no screen and no graphics driver, and what they show is there.

Covers: pipeline.report.charts, pipeline.report.maps
Covers: pipeline.report.raster, pipeline.report.views
"""

from __future__ import annotations

import subprocess
import sys
import time

import numpy as np
import pytest
import trimesh

from pipeline.palette import diverging, feature_looks, lined, look_colour, look_hatch
from pipeline.report import raster
from pipeline.report.charts import bars_of, in_words, round_up
from pipeline.report.maps import map_limit, residual_maps
from pipeline.report.views import DIRECTIONS, Mark, Part, draw_all, draw_closeups
from pipeline.report.words import Words
from pipeline.values.surface import Surface
from tests.outcomes import BORE, HEIGHT, HOLE, HOLES, LENGTH, WIDTH, features, part_mesh

LOOKS = (*feature_looks(), "filled", "none")


def lightness(colours: np.ndarray) -> np.ndarray:
    """CIE L* of sRGB colours, by IEC 61966-2-1 and CIE 15."""
    part = np.asarray(colours, float) / 255
    linear = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
    y = linear @ [0.2126, 0.7152, 0.0722]
    return np.where(y > 0.008856, 116 * np.cbrt(y) - 16, 903.3 * y)


def test_the_map_of_deviations_is_even_neutral_and_symmetric() -> None:
    """Lightness is what survives in grey and for all colour vision: equal steps to both sides, the same on both."""
    steps = lightness(diverging(np.linspace(-1, 1, 41), 1.0))
    assert np.abs(steps - steps[::-1]).max() < 3.0
    falls = -np.diff(steps[20:])
    assert falls.min() > 0.6 * falls.mean()
    assert falls.max() < 1.6 * falls.mean()
    middle = diverging(np.array([0.0]), 1.0)[0].astype(int)
    assert np.ptp(middle) <= 3
    below, above = diverging(np.array([-1.0, 1.0]), 1.0).astype(int)
    assert below[2] - below[0] > 60
    assert above[0] - above[2] > 60


def test_the_map_stays_inside_the_colours_of_a_screen() -> None:
    """Neighbouring colours never stand still: nothing is cut off."""
    ramp = diverging(np.linspace(-1, 1, 255), 1.0).astype(int)
    assert (np.abs(np.diff(ramp, axis=0)).sum(axis=1) > 0).all()


def test_the_key_has_a_word_for_every_look() -> None:
    assert feature_looks() == ("plane", "bore", "boss", "cone", "sphere", "torus")


def test_kinds_differ_by_hatch_where_they_differ_little_in_grey() -> None:
    for i, one in enumerate(LOOKS):
        for other in LOOKS[i + 1 :]:
            grey = abs(float(np.diff(lightness(np.array([look_colour(one), look_colour(other)])))[0]))
            assert look_hatch(one) != look_hatch(other) or grey > 1.0, (one, other)


def view(right: tuple[float, ...], up: tuple[float, ...], scale: float = 4.0, size: int = 600) -> raster.View:
    return raster.View(np.array(right, float), np.array(up, float), np.array([0.0, 0, HEIGHT / 2]), scale, size, size)


def test_a_view_has_the_outline_and_the_holes_of_the_part() -> None:
    """Pixels of the silhouette times their size is the area of the plate less that of the holes: plain geometry."""
    vertices, faces, labels = part_mesh()
    plate = faces[labels < 8]
    image = raster.render(vertices, plate, view((1, 0, 0), (0, 1, 0)))
    seen = (image.owner >= 0).sum() / 4.0**2
    assert seen == pytest.approx(LENGTH * WIDTH - np.pi * BORE**2 - HOLES * np.pi * HOLE**2, rel=0.002)
    assert image.owner[300, 300] == -1
    column = 300 + 4 * 50
    assert labels[labels < 8][image.owner[300, column]] == 0
    assert image.depth[300, column] == pytest.approx(HEIGHT / 2)


def test_the_nearest_facet_is_seen() -> None:
    vertices, faces, labels = part_mesh()
    from_below = raster.render(vertices, faces, view((-1, 0, 0), (0, 1, 0)))
    shown = set(labels[np.unique(from_below.owner[from_below.owner >= 0])].tolist())
    assert 1 in shown
    assert 0 not in shown


def test_letters_stand_in_the_views_that_show_their_feature() -> None:
    vertices, faces, labels = part_mesh()
    part = Part(vertices, faces, np.full(len(faces), "plane"), labels)
    top = Mark("A", 0, np.array([1.0, 0.5, HEIGHT]), np.array([0.0, 0, 1]), None, None)
    marked, plain = draw_all(part, [top], "mm", 450, 350), draw_all(part, [], "mm", 450, 350)
    changed = {name: bool((np.asarray(marked[name]) != np.asarray(plain[name])).any()) for name in marked}
    assert changed == {
        "from +Z": True, "from -Z": False, "from +X": True, "from -X": True, "from +Y": True, "from -Y": True,
        "from a corner": True,
    }  # fmt: skip
    assert set(DIRECTIONS) == set(changed) - {"from a corner"}


def test_numbers_stand_where_their_features_are_seen() -> None:
    """A face from its front, a bore from both its ends, where its wall itself shows no pixel."""
    vertices, faces, labels = part_mesh()
    part, up = Part(vertices, faces, np.full(len(faces), "plane"), labels), np.array([0.0, 0, 1])
    plain = draw_all(part, [], "mm", 450, 350)
    shown = {}
    for mark in (
        Mark("F1", 0, np.array([0.0, 0, HEIGHT]), up, None, None),
        Mark("H1", 6, np.array([0.0, 0, 14.0]), up, 20.0, (-14.0, 14.0)),
    ):
        drawn = draw_all(part, [], "mm", 450, 350, numbers=[mark])
        shown[mark.letter] = {n for n in drawn if (np.asarray(drawn[n]) != np.asarray(plain[n])).any()}
    assert shown == {"F1": {"from +Z", "from a corner"}, "H1": {"from +Z", "from -Z", "from a corner"}}


def test_numbers_of_one_place_stand_beside_each_other() -> None:
    vertices, faces, labels = part_mesh()
    part, up = Part(vertices, faces, np.full(len(faces), "plane"), labels), np.array([0.0, 0, 1])
    marks = [Mark(f"F{n}", 0, np.array([0.0, 0, HEIGHT]), up, None, None) for n in (1, 2, 3)]
    plain = np.asarray(draw_all(part, [], "mm", 450, 350)["from +Z"]).astype(int)
    changed = []
    for count in (1, 2, 3):
        drawn = np.asarray(draw_all(part, [], "mm", 450, 350, numbers=marks[:count])["from +Z"]).astype(int)
        changed.append(int((abs(drawn - plain).sum(axis=2) > 0).sum()))
    assert changed[1] > 1.5 * changed[0]
    assert changed[2] > 2.2 * changed[0]


def test_no_letter_covers_another() -> None:
    """Three letters on one face: three white boxes with their frames, none cut."""
    vertices, faces, labels = part_mesh()
    part = Part(vertices, faces, np.full(len(faces), "plane"), labels)
    up = np.array([0.0, 0, 1])
    marks = [Mark(letter, 0, np.array([0.0, 0, HEIGHT]), up, None, None) for letter in "ABC"]
    none = np.asarray(draw_all(part, [], "mm", 450, 350)["from +Z"]).astype(int)
    changed = [
        (
            np.abs(np.asarray(draw_all(part, marks[:n], "mm", 450, 350)["from +Z"]).astype(int) - none).sum(axis=2) > 0
        ).sum()
        for n in (1, 2, 3)
    ]
    assert changed[1] > 1.5 * changed[0]
    assert changed[2] > 2.2 * changed[0]


def test_a_map_shows_what_was_done_to_the_surface() -> None:
    """A bore made oval by 0.02 mm and a face with a dent of 0.1 mm: the maps have them, in place and in size."""
    vertices, faces, labels = part_mesh()
    found = features(np.eye(4))
    moved = vertices.copy()
    bore = np.unique(faces[labels == 6])
    angle = np.arctan2(moved[bore, 1], moved[bore, 0])
    moved[bore, :2] *= (1 + 0.02 * np.cos(2 * angle) / BORE)[:, None]
    inner = np.setdiff1d(np.unique(faces[labels == 0]), np.unique(faces[labels != 0]))
    dent = inner[moved[inner, 0] > 40]
    assert len(dent) > 5
    moved[dent, 2] -= 0.1
    maps = {cells.feature: cells for cells in residual_maps(Surface.measured(moved, faces), labels, found)}
    wall = maps["cylinder-1"]
    assert wall.down[1] == pytest.approx(10.0)  # of 28 mm, the vertices that lie on the wall alone
    waves = np.nanmean(wall.cells, axis=0)
    # The sign is that of the material's outside, so a bore that is too wide is negative.
    turn = 2 * np.pi * (np.arange(len(waves)) + 0.5) / len(waves)
    known = np.isfinite(waves)
    assert np.corrcoef(waves[known], np.cos(2 * turn[known]))[0, 1] < -0.9
    assert np.abs(waves[known]).max() == pytest.approx(0.02, rel=0.1)
    face = maps["plane-1"].cells
    assert np.nanmin(face) == pytest.approx(-0.1, abs=1e-6)
    # Only a third of the face was dented; the side that the dent lies on depends on nothing but the face's own axes.
    assert 0.05 < np.nanmean(face < -0.05) < 0.5


def test_ends_of_scales_are_round() -> None:
    assert [round_up(x) for x in (0.0, 0.0121, 0.0301, 0.1, 0.26)] == pytest.approx([0.001, 0.015, 0.04, 0.1, 0.3])
    assert map_limit([]) == 0.001


def test_the_histogram_counts_area_and_tells_what_lies_beyond() -> None:
    bars = bars_of(np.array([0.0, 0.01, -0.2, np.nan]), np.array([5.0, 3.0, 2.0, 90.0]), 0.05, 0.05)
    assert bars.share.sum() == pytest.approx(100)
    assert bars.beyond == pytest.approx(20)
    assert bars.share[0] == pytest.approx(20)
    assert bars.share[30] == pytest.approx(50)


def test_what_lies_beyond_is_never_rounded_away() -> None:
    """1e-5 of the area, 0.001 %, lies at 0.2 mm: neither 100 % within nor 0.00 % beyond may be said of it."""
    words = Words()
    few = bars_of(np.array([0.0, 0.2]), np.array([1.0, 1e-5]), None, 0.05, 0.2)
    assert "more than 99.99 % lie within 50 µm, less than 0.01 % beyond; the largest distance is 200 µm" in in_words(
        few, words
    )
    # None of the vertices is far, but a point of the scan is.
    none = bars_of(np.array([0.0, 0.01]), np.array([1.0, 1.0]), None, 0.06, 0.177)
    assert "more than 99.99 %" in in_words(none, words)
    assert "177 µm" in in_words(none, words)
    some = bars_of(np.array([0.0, 0.2]), np.array([999.6, 0.4]), None, 0.05, 0.2)
    assert "99.96 % lie within 50 µm, 0.04 % beyond" in in_words(some, words)
    all_of_it = bars_of(np.array([0.0, 0.01]), np.array([1.0, 1.0]), 0.05, 0.05, 0.012)
    assert in_words(all_of_it, words).endswith("all of it lies within the budget of 50 µm.")


def test_pictures_need_no_graphics_driver_and_little_time() -> None:
    """Six views and the one from a corner of 100,000 facets, in seconds of processor time; nothing of GL is loaded."""
    side = 224
    x, y = np.meshgrid(np.linspace(0, 200, side), np.linspace(0, 150, side), indexing="ij")
    vertices = np.stack([x, y, 20 * np.sin(x / 20) * np.cos(y / 25)], axis=-1).reshape(-1, 3)
    corner = (np.arange(side - 1)[:, None] * side + np.arange(side - 1)).ravel()
    quads = np.concatenate(
        [np.stack([corner, corner + side, corner + 1], 1), np.stack([corner + 1, corner + side, corner + side + 1], 1)]
    )
    faces = quads.astype(np.int32)
    part = Part(vertices, faces, np.full(len(faces), "bore"), np.zeros(len(faces), np.int32))
    draw_all(part, [], "mm", 90, 70)  # compiles
    start = time.process_time()
    draw_all(part, [])
    assert time.process_time() - start < 10
    code = (
        "import sys, pipeline.report.build; "
        "bad = [m for m in sys.modules if m.split('.')[0] in "
        "('open3d', 'OpenGL', 'pyglet', 'moderngl', 'vtk', 'vtkmodules', 'matplotlib', 'pymeshlab')]; "
        "assert not bad, bad"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_inside_and_outside_differ_in_grey_too() -> None:
    ramp = np.repeat(np.linspace(-1, 1, 101)[None], 20, axis=0)
    grey = lightness(lined(ramp, 1.0))
    assert np.ptp(grey[:, 10]) > 8
    assert np.ptp(grey[:, 90]) == 0
    assert np.ptp(grey[:, 50]) == 0


def test_a_close_up_looks_from_where_the_thing_is_seen() -> None:
    """A stub under a plate: from above it is hidden, so the picture is taken from below."""
    plate, stub = trimesh.creation.box((80, 60, 4)), trimesh.creation.cylinder(4, 12)
    stub.apply_translation((10, 5, -8))
    both = trimesh.util.concatenate(plate, stub)
    mine = np.arange(len(both.faces)) >= len(plate.faces)
    none = np.full(len(mine), -1, np.int32)
    part = Part(both.vertices, both.faces.astype(np.int32), np.full(len(mine), "plane"), none)
    picture, nothing = draw_closeups(part, [mine, np.zeros(len(mine), bool)])
    assert nothing is None
    shown = np.asarray(picture).astype(int)
    red, green, blue = np.moveaxis(shown, -1, 0)
    # The stub is a fourth of the frame or so wide; its colour is red, all else of the picture is grey.
    assert 0.04 < np.mean((red > green + 25) & (red > blue + 25)) < 0.6


def test_a_close_up_of_what_metal_hides_is_cut_open() -> None:
    """A plug in a closed box can be seen from nowhere, so what lies before it is left out of its picture."""
    box, plug = trimesh.creation.box((40, 40, 40)), trimesh.creation.cylinder(4, 12)
    both = trimesh.util.concatenate(box, plug)
    mine = np.arange(len(both.faces)) >= len(box.faces)
    part = Part(both.vertices, both.faces.astype(np.int32), np.full(len(mine), "plane"), np.full(len(mine), -1, "i4"))
    (picture,) = draw_closeups(part, [mine])
    red, green, blue = np.moveaxis(np.asarray(picture).astype(int), -1, 0)
    assert 0.04 < np.mean((red > green + 25) & (red > blue + 25)) < 0.6
