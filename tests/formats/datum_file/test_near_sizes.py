"""Rows of suggestions: nothing is left out without a word.

Covers: pipeline.formats.datum_file.records.near_sizes
"""

from __future__ import annotations

from html import escape

from pipeline.formats.datum_file import build, near_sizes
from pipeline.formats.datum_file.records import SuggestionRecord
from pipeline.formats.tables import summary_md
from pipeline.lengths import in_unit, mm
from pipeline.report.feature_tables import relation_tables
from pipeline.report.figures import Figures
from pipeline.report.words import Words
from tests.outcomes import outcome


def test_what_a_row_leaves_out_is_counted_and_notes_reach_the_page() -> None:
    made = outcome()
    notes = ("can't be told apart: a, b", f"{mm(0.09)} over 72 H7: the ring would creep")
    found = [
        SuggestionRecord(feature="cylinder-1", what="bearing seat", name=f"bearing {k}", size=72.0, off=0.12, source=s)
        for k, s in enumerate(("ISO 15", "ISO 15", "ISO 355", "ISO 15", "ISO 15", "ISO 15"))
    ]
    found[0] = found[0].model_copy(update={"note": notes[0]})
    found[5] = found[5].model_copy(update={"note": notes[1]})
    other = found[0].model_copy(update={"size": 73.0, "note": ""})
    data = build(made).model_copy(update={"suggestions": (*found, other)})
    first, second = near_sizes(data)
    assert (first.names, first.more) == (("bearing 0", "bearing 1", "bearing 2", "bearing 3"), 2)
    assert first.told.endswith("bearing 3; and 2 more")
    assert first.sources == ("ISO 15", "ISO 355")
    assert first.note == "; ".join(notes)
    assert (second.first, second.told, second.more, second.note) == (6, "bearing 0", 0, "")
    # 0.09 mm are 0.0035 in (1 in = 25.4 mm, by definition).
    assert "0.0035 in over 72 H7" in summary_md(data, (), "in")
    text = summary_md(data, ())
    assert first.told in text
    assert all(in_unit(note, "mm") in text for note in notes)
    page = relation_tables(Figures(data, Words("mm")))
    assert escape(first.told) in page
    assert all(escape(note) in page for note in notes)
