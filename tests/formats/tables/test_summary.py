"""The summary says what the datum file says."""

from __future__ import annotations

from pipeline.formats.datum_file import build
from pipeline.formats.tables import summary_md
from tests.outcomes import outcome

DATA = build(outcome())


def test_the_summary_warns_and_names_every_feature() -> None:
    text = summary_md(DATA, ("datums.json", "light.stl"))
    assert "local codes and licensed practice come first" in text
    assert "no substitute for measuring the part" in text
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
    assert "caliper check failed" in "\n".join(summary_md(wrong, ()).splitlines()[:4])
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
    assert row.endswith("| M8 medium; another of that size |")
    assert "Suggestions only" in text


def test_the_square_up_sheet() -> None:
    (row,) = [line for line in summary_md(DATA, ()).splitlines() if line.startswith("| cylinder-1 | A |")]
    cells = [cell.strip() for cell in row.strip("|").split("|")]
    assert cells == ["cylinder-1", "A", "square", "0.0011", "0.0017", "0.6", "28.0", "-", "no"]
