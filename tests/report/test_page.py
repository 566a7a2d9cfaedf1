"""The report read back: every figure in it is the datum file's, with no more digits than it supports.

Covers: pipeline.report.build, pipeline.report.feature_tables, pipeline.report.figures, pipeline.report.tables
Covers: pipeline.report.words, pipeline.report.first_screen, pipeline.report.groups
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
from pipeline.report.groups import Group, groups_of, ids_of
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
    """What stands at a place, worked out where it is a difference, a share, a sum or a mean."""
    if " & " in place:
        found = [at(data, one) for one in place.split(" & ")]
        return sum(found) / len(found)  # type: ignore[arg-type]
    if " / " in place:
        part, whole = place.split(" / ")
        return at(data, part) / sum(at(data, one) for one in whole.split(" + "))  # type: ignore[operator]
    if " - " in place:
        high, low = place.split(" - ")
        return at(data, high) - at(data, low)  # type: ignore[operator]
    if " + " in place:
        return sum(at(data, one) or 0.0 for one in place.split(" + "))
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
        wanted = [f"features.{i}.{what}" for what in ("radius", "uncertainty.radius", "form.rms", "extent.area")]
        wanted += [f"features.{i}.in_part_frame.point.{a}" for a in range(3)]
        wanted += [f"features.{i}.audit.{what}" for what in ("shift", "tilt", "radius_change")]
        assert set(wanted) <= told
    ways = [way + key for way in ("", "second_opinion.") for key in ("scan_to_light", "light_to_scan")]
    assert {f"audit.{way}.{what}" for way in ways for what in ("rms", "max")} <= told
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
    # On the first screen 95 % either way, in the tables of each feature one standard uncertainty.
    shown = {(place, times): figure for place, times, figure in reversed(Page(text).figures)}
    assert shown["features.6.radius", 2.0] == "40.002"
    assert shown["features.6.uncertainty.radius", 3.92] == "0.020"
    assert shown["features.6.uncertainty.radius", 2000.0] == "10"


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
    fits, rough = section.split("<details>")[-2:]
    assert "only 40 degrees of arc seen" in fits
    assert "X1" in fits
    assert "bowed by 400 µm" in rough
    assert "X2" in rough
    assert "0.9 mm wide" not in section  # too small to be listed
    assert "[[recover.accept]]" in section
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


def first_screen_of(text: str) -> str:
    return text.split('<div class="first">')[1].split("<nav ")[0]


def test_the_first_screen_says_what_matters_in_words(tmp_path: Path) -> None:
    data, text = report_of(outcome(), tmp_path)
    first = first_screen_of(text)
    words = " ".join("".join(Page(first).text).split())
    for datum in data["frame"]["datums"]:
        assert datum["letter"] in words
        assert datum["feature"] in words
    for caution in data["cautions"]:
        assert caution in words
    assert "gap-1 at plane-2" in words
    assert "cylinder-1 (main bore)" in words
    # 95 % of a diameter are within 1.96 standard uncertainties (JCGM 100:2008, Table G.1), twice those of the radius.
    told = {place: (times, figure) for place, times, figure in Page(first).figures}
    radius = "features.6.uncertainty.radius"
    assert told[radius][0] == pytest.approx(2 * 1.96)
    assert told[radius][1] == "0.0031"
    assert 'href="#cautions"' in first


def test_equal_features_stand_in_one_row(tmp_path: Path) -> None:
    """ISO 129-1 has "6 x" before the dimension of repeated features; five bolt holes are one row, the bore another."""
    _, text = report_of(outcome(), tmp_path)
    rows = text.split('<div class="rows">')[1].split("</table>")[0].split("<tr")[2:]
    said = [" ".join("".join(Page(f"<tr{row}").text).split()) for row in rows]
    assert sum("5 × hole \u23009.0000, of 6 on PCD 62.00" in row for row in said) == 1
    assert sum("bore \u230040.0000" in row for row in said) == 1
    told = re.findall(r'data-feature="([^"]*)"', "".join(rows))
    assert sorted(int(i) for one in told for i in one.split()) == list(range(16))


def test_features_that_differ_by_more_than_their_uncertainty_stand_apart() -> None:
    made = outcome()
    found = list(made.recover.features)
    # 9 um more on the radius, against 0.8 um (k = 1) each.
    found[9] = dataclasses.replace(found[9], radius=found[9].radius + 0.009)
    made = dataclasses.replace(made, recover=dataclasses.replace(made.recover, features=tuple(found)))
    groups = groups_of(build(made))
    assert Group((9,)) in groups
    assert Group((8, 10, 11, 12), 0) in groups


def test_numbers_that_follow_each_other_are_told_as_a_stretch() -> None:
    data = build(outcome())
    ids = ["H2", "H12", "H11", "H13", "S1", *(f"F{i}" for i in range(11))]
    names: list[str | None] = [None] * 16
    names[3] = "dowel"
    renamed = [
        feature.model_copy(update={"id": ident, "name": name})
        for feature, ident, name in zip(data.features, ids, names, strict=True)
    ]
    data = data.model_copy(update={"features": tuple(renamed)})
    assert ids_of(data, Group((0, 1, 2))) == "H2, H11, H12"
    assert ids_of(data, Group((0, 1, 2, 3))) == "H2, H11, H12, H13 (dowel)"
    assert ids_of(data, Group((5, 6, 7, 8))) == "F0 to F3"


def test_gaps_of_one_sort_stand_in_one_row(tmp_path: Path) -> None:
    made = outcome()
    ends = tuple(
        dataclasses.replace(made.gaps[0], id=f"gap-{k}", kind="blind", done="left open", area_filled=0.0, note="unseen")
        for k in range(2, 6)
    )
    _, text = report_of(dataclasses.replace(made, gaps=(*made.gaps, *ends)), tmp_path)
    table = text.split('id="invented"')[1].split("</table>")[0]
    assert table.count("<tr") == 3
    assert "gap-2" in table
    assert "gap-5" in table
