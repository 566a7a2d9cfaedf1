"""No form figure is printed that is not told from noise, and one that is there is: whole runs, as people read them.

The housings are exact in all their machined faces, so whatever a run printed as a face's form would be the scan's
noise; the demo part and three housings that nothing was adjusted to. ISO 12781-1 for the flatness of the bowed face.
"""

from __future__ import annotations

import html
import json
import re
from pathlib import Path

import numpy as np
import pytest

import pipeline
from pipeline.formats.meshes_out import write_stl
from sample_meshes.make_scan import Scan
from tests.scans import demo_scan

FORMS = r"(?:flatness|cylindricity|conicity|sphericity|form)"
UNTOLD = re.compile(rf"{FORMS}: (?:not told from the scan's noise, at most|none can be vouched for)")
# Of what was refused for its form the noise's share stands beside it.
BESIDE = r"(?! rms where the scan's noise explains \d)"
BARE = re.compile(rf"{FORMS}:? (?:of |within )?[\d.]+\s*(?:mm|um|µm){BESIDE}|(?:flat|round|straight) within [\d.]+")


def said(scan: Scan, vertices: np.ndarray, folder: Path) -> tuple[str, list[dict]]:
    """What a run tells people of a scan: summary and report as text; and its features."""
    write_stl(folder / "housing.stl", vertices, scan.faces, "mm")
    out = folder / "out"
    pipeline.run(folder / "housing.stl", out=out)
    page = re.sub(r"<(script|style)\b.*?</\1>", "", (out / "report.html").read_text(), flags=re.DOTALL)
    page = html.unescape(re.sub(r"<[^>]*>", " ", page))
    data = json.loads((out / "datums.json").read_text())
    reasons = "\n".join(data["frame"]["reasons"])
    return "\n".join([page, (out / "summary.md").read_text(), reasons]), data["features"]


@pytest.mark.slow
@pytest.mark.parametrize("design", [None, 751, 752, 753])
def test_no_form_figure_of_an_exact_part_is_printed(design: int | None, tmp_path: Path) -> None:
    scan = demo_scan(150_000, design or 1, design)
    text, features = said(scan, scan.vertices, tmp_path)
    assert len(UNTOLD.findall(text)) > len(features)  # in the report and in the summary
    assert BARE.findall(text) == []
    assert [f["id"] for f in features if f["form"]["told"] and f["confidence"] == "good"] == []


@pytest.mark.slow
def test_a_bow_of_60_um_over_150_mm_is_printed_as_such(tmp_path: Path) -> None:
    scan = demo_scan(150_000, 754, plug=False, debris=0)
    foot = scan.face("foot bottom")
    mine = np.unique(scan.faces[scan.label == foot.number])
    places = scan.to_part(scan.vertices[mine])
    across = places @ np.linalg.svd(places - places.mean(axis=0), full_matrices=False)[2][0]
    across -= 0.5 * (across.min() + across.max())
    bowed = scan.vertices.copy()
    normal = scan.to_scan[:3, :3] @ foot.direction
    bowed[mine] += np.outer(0.06 * (1.0 - (across / 75.0) ** 2), normal)
    text, features = said(scan, bowed, tmp_path)
    (face,) = [f for f in features if f["form"]["told"]]
    assert np.array(face["direction"]) @ normal > 0.9999
    length = 2.0 * np.abs(across).max()
    bow = 0.06 * (length / 150.0) ** 2
    (found,) = {float(m[1]) for m in re.finditer(r"flatness: ([\d.]+)\s+mm by means over a seventh of it", text)}
    # Means over sevenths of a parabola's width range over 36/49 of its height.
    assert found == pytest.approx(bow * 36 / 49, abs=1.5 * face["form"]["noise_of_means"])
    (bowed_by, over) = map(float, re.search(r"out of flat: bowed by (\d+)\s+[uµ]m over (\d+)\s+mm", text).groups())
    assert bowed_by == pytest.approx(60.0 * (over / 150.0) ** 2, abs=6.0)
