"""The cautions and what the uncertainties hold: one text wherever they stand; the factors against scipy.stats."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from scipy.stats import chi

from pipeline.features.uncertainty.propagation import METHOD
from pipeline.formats.datum_file import build
from pipeline.formats.tables import SAFETY, holds, summary_md
from tests.outcomes import outcome

README = Path(__file__).resolve().parents[3] / "README.md"


def plain(text: str) -> str:
    return " ".join(text.replace("*", "").replace("\n- ", " ").split())


def said() -> list[str]:
    return [plain(f"{about}{'' if text[0].islower() else '.'} {text}") for about, text in SAFETY]


def test_readme_and_summary_have_the_list_as_it_stands_in_the_code() -> None:
    section = README.read_text(encoding="utf-8").split("\n## Cautions\n")[1].split("\n## ")[0]
    items = [plain(item) for item in section.split("\n- ")[1:]]
    assert items == said()
    summary = plain(summary_md(build(outcome()), ()))
    assert not [line for line in said() if line not in summary]
    for text in (README.read_text(encoding="utf-8"), summary):
        assert plain(holds()) in plain(text)


@pytest.mark.parametrize(
    "word",
    [
        "core", "wall thickness", "ultrasonic", "section", "dye penetrant", "pressure test", "unclamp, let",
        "Welding", "balance", "gaskets", "paint", "solvents burn", "Magnesium", "runs away", "water hammer", "lock out",
    ],
)  # fmt: skip
def test_nothing_that_hurts_is_left_out(word: str) -> None:
    assert any(word in line for line in said())


def test_the_factors_for_95_percent_are_those_of_the_chi_distribution() -> None:
    for components in (1, 2, 3):
        factor = f"{chi.ppf(0.95, components):.2f}"
        assert re.search(rf"\b{re.escape(factor)} times", holds())
        assert factor in METHOD
