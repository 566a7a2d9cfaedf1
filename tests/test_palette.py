"""The palette: told apart by every kind of colour vision, read easily, and nothing in colour that is not of it.

Colour blindness is simulated by the matrices of Machado, Oliveira and Fernandes 2009 ("A physiologically-based model
for simulation of color vision deficiency", IEEE TVCG 15(6), 1291-1298; severity 1.0, for linear RGB), and differences
are CIEDE2000 (CIE 142-2001) as scikit-image computes them. Contrast is that of WCAG 2.2, 1.4.3 and 1.4.11.
"""

from __future__ import annotations

import re
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

from pipeline.cli.ladder import Rung, as_svg
from pipeline.palette import (
    PALE,
    PALETTE,
    TINTED,
    Paint,
    colour,
    css,
    diverging,
    feature_looks,
    linear,
    look_colour,
    style_sheet,
)
from pipeline.report.charts import bars_of, histogram_svg
from pipeline.report.words import Words

ROOM = Path(__file__).resolve().parent.parent / "pipeline"
VISIONS = {
    "all cones": np.eye(3),
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
# CIEDE2000: of neighbouring areas. About 1 is just to be seen side by side; 15 is told at a glance, apart from each
# other too (common practice, no source).
APART = 15.0

Rgb = tuple[float, float, float]


def seen(rgb: np.ndarray, vision: str) -> np.ndarray:
    """(n, 3) sRGB 0..255 as an eye sees it, 0..1."""
    part = rgb / 255
    light = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
    light = np.clip(light @ np.array(VISIONS[vision]).T, 0, 1)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def least_apart(colours: dict[str, Rgb], vision: str) -> tuple[float, tuple[str, str]]:
    names = list(colours)
    lab = rgb2lab(seen(np.array(list(colours.values()), float), vision)[None])[0]
    pairs = list(combinations(range(len(names)), 2))
    off = deltaE_ciede2000(lab[[i for i, _ in pairs]], lab[[j for _, j in pairs]])
    least = int(np.argmin(off))
    return float(off[least]), (names[pairs[least][0]], names[pairs[least][1]])


def contrast(one: Rgb, other: Rgb) -> float:
    def luminance(rgb: Rgb) -> float:
        part = np.array(rgb) / 255
        light = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
        return float(light @ [0.2126, 0.7152, 0.0722])

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def mixed(one: Rgb, other: Rgb, share: float) -> Rgb:
    r, g, b = (1 - share) * np.array(one) + share * np.array(other)
    return float(r), float(g), float(b)


@pytest.mark.parametrize("vision", VISIONS)
def test_areas_side_by_side_stay_apart(vision: str) -> None:
    on_part = {name: look_colour(name) for name in feature_looks()}
    on_part |= {name: colour(name) for name in ("filled", "no feature", "suspect", "unsure", "cut")}
    off, pair = least_apart(on_part, vision)
    assert off >= APART, pair
    curves = {name: colour(name) for name in PALETTE if name.startswith("curve")} | {"paper": colour("paper")}
    off, pair = least_apart(curves, vision)
    assert off >= APART, pair


@pytest.mark.parametrize("vision", VISIONS)
def test_a_chosen_feature_stands_out_of_all_others(vision: str) -> None:
    """As the 3D view mixes them, whatever is painted."""
    ends = {f"off {t:+.1f}": tuple(map(float, diverging(np.array(t), 1.0))) for t in (-1.0, -0.5, 0.0, 0.5, 1.0)}
    under = {name: look_colour(name) for name in feature_looks()} | {"no feature": colour("no feature")} | ends
    for name, rgb in under.items():
        chosen = mixed(rgb, colour("chosen"), TINTED)
        for other, beside in under.items():
            off, _ = least_apart({"chosen": chosen, "faded": mixed(beside, colour("faded"), PALE)}, vision)
            assert off >= APART, (name, other)


@pytest.mark.parametrize("vision", VISIONS)
def test_the_two_sides_of_a_deviation_stay_apart(vision: str) -> None:
    for size in (0.5, 1.0):
        below, above = (tuple(map(float, diverging(np.array(sign * size), 1.0))) for sign in (-1, 1))
        assert least_apart({"below": below, "above": above}, vision)[0] >= APART


def test_what_is_written_can_be_read() -> None:
    """4.5:1 for text, 3:1 for what is drawn (WCAG 2.2, 1.4.3 and 1.4.11)."""
    for behind in ("paper", "tint", "chosen row"):
        for ink in ("ink", "soft", "good", "bad", "mark"):
            assert contrast(colour(ink), colour(behind)) >= 4.5, (ink, behind)
    for name in PALETTE:
        if name.startswith("curve"):
            assert contrast(colour(name), colour("paper")) >= 3.0, name


def test_a_screen_can_show_every_colour() -> None:
    """Nothing is cut off, so that each is the colour that it is said to be."""
    for name, paint in PALETTE.items():
        rgb = linear(np.array(paint.lightness), np.array(paint.chroma), np.radians(paint.hue))
        assert rgb.min() > -1e-3, name
        assert rgb.max() < 1.001, name


def test_oklch_is_computed_as_published() -> None:
    """Ottosson 2020 gives of CIE XYZ (1, 0, 0) the OKLab (0.450, 1.236, -0.019), of (0, 1, 0) (0.922, -0.671, 0.263),
    to three digits; XYZ to linear sRGB by IEC 61966-2-1."""
    to_rgb = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
    for xyz, lab in (((1, 0, 0), (0.450, 1.236, -0.019)), ((0, 1, 0), (0.922, -0.671, 0.263))):
        paint = Paint(lab[0], float(np.hypot(*lab[1:])), float(np.degrees(np.arctan2(lab[2], lab[1]))))
        rgb = linear(np.array(paint.lightness), np.array(paint.chroma), np.radians(paint.hue))
        assert rgb == pytest.approx(to_rgb @ xyz, abs=0.02)


# Words that CSS, SVG and Pillow take for colours, those that our texts may need for other things left out.
NAMED = "white black red green blue yellow orange brown purple violet pink gray grey silver gold navy teal cyan magenta"
LITERAL = re.compile(
    r"#(?:[0-9a-fA-F]{3,4}|[0-9a-fA-F]{6}|[0-9a-fA-F]{8})\b|\b(?:rgba?|hsla?|hwb|lab|lch|oklab|oklch|color)\("
    rf"|[\"':>]\s*(?:{'|'.join(NAMED.split())})(?=[\"';<]|\s*\}})"
)


@pytest.mark.parametrize("path", ["report/style.css", "report/viewer.js"])
def test_style_sheet_and_viewer_take_all_from_the_palette(path: str) -> None:
    text = (ROOM / path).read_text("utf-8")
    assert LITERAL.findall(re.sub(r"/\*.*?\*/", "", text, flags=re.DOTALL)) == []
    given = set(re.findall(r"--([a-z-]+):", style_sheet()))
    assert set(re.findall(r"var\(--([a-z-]+)\)", text)) <= given
    # Colours of the graphics language are three numbers.
    assert re.findall(r"\bvec[34]\(\s*[\d.]+", text) == []
    assert re.findall(r"uniform3f\"[^)]*\d\.\d|clearColor\((?!0, 0, 0, 0\)|\.\.\.scene)", text) == []


def test_a_colour_from_elsewhere_is_seen() -> None:
    for text in ("color: #8a4b08;", "fill: rgb(1, 2, 3)", "background: white; ", 'stroke="grey"', "{ color: red }"):
        assert LITERAL.search(text), text
    assert not LITERAL.search('href="#features" class="views"')


@pytest.mark.parametrize("folder", ["report", "formats/solid", "cli"])
def test_no_source_has_a_colour_of_its_own(folder: str) -> None:
    for path in sorted((ROOM / folder).rglob("*.py")):
        found = LITERAL.findall(path.read_text("utf-8"))
        assert found == [], path.name


def test_charts_are_drawn_in_the_palette() -> None:
    bars = bars_of(np.linspace(-0.1, 0.1, 400), np.ones(400), 0.08, 0.05)
    middles = (bars.edges[:-1] + bars.edges[1:]) / 2
    ramp = {"#{:02x}{:02x}{:02x}".format(*rgb) for rgb in diverging(middles, bars.limit)}
    named = {css(name) for name in PALETTE}
    rungs = [Rung(n, 0.01, 0.02, 0.05, 0.001, 0.001, 0.002, True) for n in (1000, 10_000)]
    for drawn, allowed in ((histogram_svg(bars, Words()), named | ramp), (as_svg(rungs, 0.04), named)):
        found = set(LITERAL.findall(drawn))
        assert found, "nothing is drawn in colour"
        assert found <= allowed
