"""The report read back: every figure in it is the datum file's, with no more digits than it supports.

Covers: pipeline.report.build, pipeline.report.feature_tables, pipeline.report.figures, pipeline.report.tables
Covers: pipeline.report.words
"""

from __future__ import annotations

import dataclasses
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.formats.datum_file import build, plain_data
from pipeline.geometry import transformed
from pipeline.job import dump_job
from pipeline.report.build import Shown, write_report
from pipeline.report.maps import residual_maps
from pipeline.values import Outcome
from tests.outcomes import outcome


class Page(HTMLParser):
    """Collects marked figures, cells that hold digits and no mark, elements and all text outside of scripts."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.figures: list[tuple[str, float, str]] = []
        self.bare: list[str] = []
        self.text: list[str] = []
        self.tags: list[str] = []
        self.addresses: list[str] = []
        self._open: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.addresses += [value or "" for name, value in attrs if name in ("src", "href", "srcset", "action")]
        if tag not in ("img", "meta", "link", "br", "input"):
            self._open.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop()[0] != tag:
            pass

    def handle_data(self, data: str) -> None:
        if not self._open or self._open[-1][0] in ("script", "style"):
            return
        self.text.append(data)
        attributes = self._open[-1][1]
        if "data-at" in attributes:
            self.figures.append((str(attributes["data-at"]), float(attributes.get("data-times") or 1.0), data))
        elif any(kept.get("class") == "n" and tag == "td" for tag, kept in self._open) and re.search(r"\d", data):
            self.bare.append(data)


def at(data: dict[str, Any], place: str) -> float | None:
    """What stands at a place, worked out where it is a difference or a share."""
    if " / " in place:
        part, whole = place.split(" / ")
        return at(data, part) / sum(at(data, one) for one in whole.split(" + "))  # type: ignore[operator]
    if " - " in place:
        high, low = place.split(" - ")
        return at(data, high) - at(data, low)  # type: ignore[operator]
    found: Any = data
    for step in place.split("."):
        if found is None:
            return None
        found = found[int(step)] if isinstance(found, list) else found.get(step)
    return found


def report_of(made: Outcome, folder: Path) -> tuple[dict[str, Any], str]:
    data = build(made)
    light = made.lighten.surface
    in_part = transformed(made.frame.frame.matrix, light.vertices)
    shown = Shown(in_part, light.faces, made.lighten.labels, light.origin, made.audit.vertex_deviation)
    maps = residual_maps(light, made.recover.labels, made.recover.features)
    write_report(data, shown, maps, dump_job(made.job), folder, made.job.export.units)
    return plain_data(data), (folder / "report.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module", params=["mm", "in"])
def read_back(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], Page]:
    made = outcome(export={"units": request.param}, names={"cylinder-2": "first <bolt>"})
    data, text = report_of(made, tmp_path_factory.mktemp("report"))
    return data, Page(text)


def test_every_figure_is_that_of_the_datum_file(read_back: tuple[dict[str, Any], Page]) -> None:
    data, page = read_back
    assert len(page.figures) > 300
    for place, times, text in page.figures:
        value = at(data, place)
        if text == "–":
            assert value is None, place
            continue
        assert value is not None, place
        figure = float(text.replace("−", "-").replace(",", ""))
        places = len(text.split(".")[1]) if "." in text else 0
        # Figures of a thousand and more of the small unit are given with two digits.
        step = 10.0**-places
        if text.endswith("00") and "." not in text and abs(figure) >= 1000 and times in (1000.0, 2000.0):
            step = 10.0 ** (np.floor(np.log10(abs(figure))) - 1)
        assert abs(figure - value * times) <= 0.5000001 * step, (place, text, value, times)


def test_no_figure_stands_in_a_table_without_its_place(read_back: tuple[dict[str, Any], Page]) -> None:
    _, page = read_back
    # Units of the other system behind a size are words in brackets.
    assert [text for text in page.bare if text.strip("() ") not in ("mm", "in")] == []


def test_all_that_has_a_figure_is_told(read_back: tuple[dict[str, Any], Page]) -> None:
    data, page = read_back
    told = {place for place, _, _ in page.figures}
    for i in range(len(data["features"])):
        wanted = [
            f"features.{i}.{what}" for what in ("radius", "uncertainty.radius", "form.peak_to_valley", "extent.area")
        ]
        wanted += [f"features.{i}.in_part_frame.point.{a}" for a in range(3)]
        wanted += [f"features.{i}.audit.{what}" for what in ("shift", "tilt", "radius_change")]
        assert set(wanted) <= told
    for name in ("relations", "gaps", "calipers", "patterns", "square_up"):
        assert len({place.split(".")[1] for place in told if place.startswith(f"{name}.")}) == len(data[name])
    everything = " ".join(" ".join(page.text).split())
    for suggestion in data["suggestions"]:
        assert suggestion["name"] in everything
    for feature in data["features"]:
        assert feature["id"] in everything
    assert "first <bolt>" in everything


def test_it_carries_all_that_it_shows(read_back: tuple[dict[str, Any], Page]) -> None:
    _, page = read_back
    assert all(address.startswith(("data:", "#")) for address in page.addresses)
    assert not {"iframe", "object", "embed", "audio", "video"} & set(page.tags)


def test_digits_follow_the_uncertainty(tmp_path: Path) -> None:
    """A diameter known to 0.01 mm is not given in micrometres (JCGM 100:2008, 7.2.6: two digits of the uncertainty at
    most, and the value to the same place)."""
    made = outcome()
    features = list(made.recover.features)
    rough = dataclasses.replace(features[6].uncertainty, radius=0.005)
    features[6] = dataclasses.replace(features[6], radius=20.0012345, uncertainty=rough)
    made = dataclasses.replace(made, recover=dataclasses.replace(made.recover, features=tuple(features)))
    _, text = report_of(made, tmp_path)
    # The first place that tells it is the table; further on both units stand.
    shown = {place: figure for place, _, figure in reversed(Page(text).figures)}
    assert shown["features.6.radius"] == "40.002"
    assert shown["features.6.uncertainty.radius"] == "10"


def test_what_did_not_hold_comes_first(tmp_path: Path) -> None:
    made = outcome()
    line = dataclasses.replace(made.audit.audit.budget[0], value=0.2, held=False)
    audit = dataclasses.replace(made.audit.audit, budget=(line,), within_budget=False)
    made = dataclasses.replace(made, audit=dataclasses.replace(made.audit, audit=audit))
    _, text = report_of(made, tmp_path)
    assert 0 < text.index("Not within budget.") < text.index("<h2")
    calipers = (dataclasses.replace(made.recover.measured[0], agrees=False),)
    made = dataclasses.replace(made, recover=dataclasses.replace(made.recover, measured=calipers))
    _, text = report_of(made, tmp_path)
    assert 0 < text.index("The scan and the part disagree.") < text.index("<h2")


def test_pictures_stand_beside(tmp_path: Path) -> None:
    made = outcome()
    report_of(made, tmp_path)
    maps = residual_maps(made.lighten.surface, made.recover.labels, made.recover.features)
    assert len(maps) > 8
    names = {path.name for path in (tmp_path / "pictures").iterdir()}
    views = {f"{sign}-{axis}.png" for sign in ("plus", "minus") for axis in "xyz"}
    assert names == views | {"corner.png", "deviation.png"} | {f"residuals-{cells.feature}.png" for cells in maps}


def test_refused_surfaces_are_numbered_in_tables_and_pictures(tmp_path: Path) -> None:
    made = outcome()
    light = made.lighten.surface
    refused = np.zeros(light.facets, dtype=np.int32)
    for patch in made.recover.rejected:
        if patch.number is not None:
            refused[patch.facets] = patch.number
    in_part = transformed(made.frame.frame.matrix, light.vertices)
    bare = np.full(light.facets, -1, dtype=np.int32)
    shown = Shown(in_part, light.faces, bare, light.origin, made.audit.vertex_deviation, refused=refused)
    write_report(build(made), shown, (), dump_job(made.job), tmp_path, "mm")
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    section = text.split('id="refused"')[1].split("</section>")[0]
    fits, rough = section.split("<details>")
    assert "only 40 degrees of arc seen" in fits
    assert "X1" in fits
    assert "bowed by 400 µm" in rough
    assert "X2" in rough
    assert "0.9 mm wide" not in section  # too small to be listed
    assert "[[recover.accept]]" in fits
    drawn = sorted(path.name for path in (tmp_path / "pictures").glob("refused-*.png"))
    assert "refused-corner.png" in drawn
    assert len(drawn) == section.count("data:image/png") == 7


def test_a_run_that_found_nothing_has_a_report_too(tmp_path: Path) -> None:
    made = outcome()
    frame = dataclasses.replace(made.frame.frame, datums=(), complete=False, covariance=None)
    made = dataclasses.replace(
        made,
        recover=dataclasses.replace(
            made.recover,
            features=(),
            labels=np.full_like(made.recover.labels, -1),
            patterns=(),
            measured=(),
        ),
        frame=dataclasses.replace(
            made.frame, frame=frame, flanges=(), suggestions=(), square_up=(), in_part=(), relations=()
        ),
        lighten=dataclasses.replace(made.lighten, labels=np.full_like(made.lighten.labels, -1)),
        gaps=(),
    )
    _, text = report_of(made, tmp_path)
    assert "No feature was recovered." in text
    assert "nothing was invented" in text
    assert "The frame is incomplete" in text


def test_the_link_to_the_cautions_says_where_it_leads(tmp_path: Path) -> None:
    # Of a link's text, WCAG 2.2, 2.4.4 asks that its purpose be clear; "3" is no purpose.
    data, text = report_of(outcome(), tmp_path)
    count = len(data["cautions"])
    words = "read the one caution" if count == 1 else f"read all {count} cautions"
    assert count > 0
    assert f'<a href="#cautions">{words}</a>' in text
