"""The summary says what the datum file says."""

from __future__ import annotations

import tomllib

from pipeline.formats.datum_file import build
from pipeline.formats.tables import summary_md
from pipeline.job import make_job
from tests.outcomes import outcome

DATA = build(outcome())


def test_the_summary_warns_and_names_every_feature() -> None:
    text = summary_md(DATA, ("datums.json", "light.stl"))
    assert "Local codes and licensed practice come first" in text
    assert "no substitute for a micrometer" in text
    for item in DATA.features:
        assert f"| {item.id} " in text or item.id == "cylinder-7"
    for caution in DATA.cautions:
        assert caution in text
    assert "40.000" in text
    assert "| 2.5 |" in text  # um, of places against the part frame
    assert "-0.000" not in text
    assert "1.5748" in summary_md(DATA, (), "in")  # 40 / 25.4


def test_the_summary_says_so_at_the_top_when_something_failed() -> None:
    lost = DATA.model_copy(update={"audit": DATA.audit.model_copy(update={"within_budget": False})})
    assert "Not within budget" in "\n".join(summary_md(lost, ()).splitlines()[:4])
    wrong = DATA.model_copy(update={"calipers": (DATA.calipers[0].model_copy(update={"agrees": False}),)})
    assert "disagrees with the scan's" in "\n".join(summary_md(wrong, ()).splitlines()[:4])
    silent = DATA.model_copy(update={"audit": DATA.audit.model_copy(update={"budget": ()})})
    assert "No budget was set" in summary_md(silent, ())


def test_what_is_not_to_be_relied_on_shows_no_size() -> None:
    text = summary_md(DATA, ())
    assert "| cylinder-7 " not in text
    (line,) = [row for row in text.splitlines() if row.startswith("- cylinder-7:")]
    assert "only 2 mm of it were seen" in line
    assert "9.000" not in line


def test_standard_sizes_that_are_one_size_share_a_row() -> None:
    suggestion = DATA.suggestions[1]
    twin = suggestion.model_copy(update={"name": "another of that size"})
    text = summary_md(DATA.model_copy(update={"suggestions": (*DATA.suggestions, twin)}), ())
    (row,) = [line for line in text.splitlines() if "M8 medium" in line]
    assert row.endswith("| M8 medium; another of that size |  |")
    assert "Suggestions only" in text


def test_the_square_up_sheet() -> None:
    (row,) = [line for line in summary_md(DATA, ()).splitlines() if line.startswith("| cylinder-1 | A |")]
    cells = [cell.strip() for cell in row.strip("|").split("|")]
    assert cells == ["cylinder-1", "A", "perpendicularity", "0.0011", "0.0017", "0.0040", "0.6", "28.0", "-", "no"]


def test_a_second_opinion_stands_beside_our_own() -> None:
    rows = [line for line in summary_md(DATA, ()).splitlines() if line.startswith("| scan to light mesh")]
    assert [row.split(" | ")[:2] for row in rows] == [
        ["| scan to light mesh, as measured", "9.0"],
        ["| scan to light mesh, as measured by pymeshlab", "9.1"],
    ]


def test_refused_surfaces_are_listed_with_place_reason_and_how_to_accept_one() -> None:
    data = build(outcome())
    text = summary_md(data, ("pictures/refused-corner.png",))
    part = text.split("## Refused surfaces (2)")[1].split("\n## ")[0]
    (bore,) = (r for r in data.rejected if r.number == 1)
    x, y, z = bore.in_part_frame.point
    assert f"| X1 | hole | 18.000 | 64 mm2, 40 deg | {x:z.2f}, {y:z.2f}, {z:z.2f} |" in part
    assert "only 40 degrees of arc seen" in part
    assert "pictures/refused-*.png" in part
    # What is rougher than the noise explains is counted here and stands in the report.
    assert "X2" not in part
    assert "1 more is rougher than the scan's noise explains" in part
    wish = tomllib.loads(part.split("```toml")[1].split("```")[0])["recover"]["accept"][0]
    assert wish == {"near": [round(v, 2) for v in (x, y, z)], "kind": "cylinder"}
    assert make_job({"scan": "a.stl", "recover": {"accept": [wish]}}).recover.accept[0].kind == "cylinder"


def test_a_place_copied_from_a_summary_in_inches_says_its_unit() -> None:
    text = summary_md(build(outcome()), (), "in")
    wish = tomllib.loads(text.split("```toml")[1].split("```")[0])["recover"]["accept"][0]
    assert wish["near"].startswith("mm: [")


def test_nothing_is_said_of_refused_surfaces_where_none_is_listed() -> None:
    data = build(outcome())
    bare = tuple(r.model_copy(update={"number": None}) for r in data.rejected)
    assert "Refused" not in summary_md(data.model_copy(update={"rejected": bare}), ())
