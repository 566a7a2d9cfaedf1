"""The closing summary on the terminal: twenty lines at most, and the report's own verdict.

Covers: pipeline.cli.terminal.place, pipeline.cli.terminal.show
"""

from __future__ import annotations

import contextlib
import dataclasses
import io
import re
import sys
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import click
import pytest

from pipeline.cli.terminal import Place, show
from pipeline.job import LightenSettings
from pipeline.values import Outcome
from tests.outcomes import outcome


class Result:
    """What the runner hands over, made from a made-up outcome."""

    def __init__(self, made: Outcome) -> None:
        self.out, self.job, self.source = Path("out"), made.job, made.source
        self.features, self.frame, self.audit = made.recover.features, made.frame.frame, made.audit.audit
        self.cautions = made.cautions
        parts = {
            ("fill", "gaps"): made.gaps,
            ("recover", "measured"): made.recover.measured,
            ("frame", "to_measure"): made.frame.to_measure,
        }
        parts |= {("recover", "taken"): (), ("frame", "taken"): ()}
        self._shelf = SimpleNamespace(get=lambda name, part: parts[name, part])


def lines_of(made: Outcome, then: str = "") -> list[str]:
    result: Any = Result(made)
    return show.summary_lines(result, then)


def test_it_answers_in_the_order_of_the_report() -> None:
    lines = lines_of(outcome())
    assert lines[3].startswith("         by pymeshlab: rms")  # the second opinion goes on from the light mesh's line
    words = [line.split()[0] for line in lines if not line.startswith(" ")]
    order = ["Done,", "scan", "light", "budget", "datum", "features", "invented", "by", "caution", "outputs"]
    assert [word for i, word in enumerate(words) if word not in words[:i]] == order
    assert "gauge cylinder-1 D40.00 mm; features of low confidence: 1" in " ".join(lines)
    assert "gaps closed: 1, left open: 0" in " ".join(lines)
    assert lines[-1].endswith("open report.html")


def test_twenty_lines_at_most_and_none_of_the_cautions_forgotten() -> None:
    made = dataclasses.replace(outcome(), cautions=tuple(f"Caution number {n}." for n in range(60)))
    line = made.audit.audit.budget[0]
    broken = dataclasses.replace(line, what="axis shift", held=False)
    audit = dataclasses.replace(made.audit.audit, budget=(line,) * 6 + (broken,), within_budget=False)
    made = dataclasses.replace(made, audit=dataclasses.replace(made.audit, audit=audit))
    lines = lines_of(made)
    assert len(lines) == show.MOST_LINES == 20
    shown = sum(line.startswith("caution  Caution number") for line in lines)
    assert f"caution  {60 - shown} more, see summary.md" in lines
    assert any("axis shift" in line and "NOT HELD" in line for line in lines)
    assert lines[0].startswith("DONE, BUT NOT WITHIN BUDGET")


def test_what_comes_next_is_the_last_line() -> None:
    made = dataclasses.replace(outcome(), cautions=tuple(f"Caution number {n}." for n in range(60)))
    lines = lines_of(made, "datumlift new plate.stl")
    assert len(lines) == show.MOST_LINES
    assert lines[-2].endswith("open report.html")
    assert lines[-1] == "next     datumlift new plate.stl"


def test_a_tessellation_is_said_to_be_no_scan_and_gives_no_uncertainties() -> None:
    made = outcome()
    exact = dataclasses.replace(made, source=dataclasses.replace(made.source, noise_sigma=0.0))
    assert "(k=1)" in "\n".join(lines_of(made))
    text = "\n".join(lines_of(exact))
    assert "no noise: a tessellation, no scan" in text
    assert "(k=1)" not in text


def test_a_caution_that_names_very_much_is_cut_between_words() -> None:
    long = "No uncertainty for " + ", ".join(f"plane-{n:03d}" for n in range(100)) + "."
    (line,) = [text for text in lines_of(dataclasses.replace(outcome(), cautions=(long,))) if "caution" in text]
    assert len(line) <= show.MOST_LETTERS + 30
    assert line.endswith(" ... (summary.md)")


def test_a_scan_that_is_no_larger_than_the_goal_is_said_not_to_be_lightened() -> None:
    made = outcome()
    asked = made.job.model_copy(update={"lighten": LightenSettings(facets=made.source.facets)})
    assert any("as many as there were" in line for line in lines_of(dataclasses.replace(made, job=asked)))
    fewer = made.job.model_copy(update={"lighten": LightenSettings(facets=made.source.facets - 1)})
    assert not any("as many as there were" in line for line in lines_of(dataclasses.replace(made, job=fewer)))


@pytest.mark.parametrize("width", range(40, 140))
@pytest.mark.parametrize("stage", ["read", "recover", "1,000,000"])
def test_the_progress_line_fits_and_says_what_is_done(width: int, stage: str) -> None:
    for text in ("putting vertices on their features", "closing gaps, 12 of 345", ""):
        line = show.progress_line(stage, 0.5, 75.0, text, width)
        assert len(line) <= width
        assert line.startswith(stage)
        assert "50 %   1:15" in line
        assert text in line if width >= 72 else text.split(" ")[0] in line


def test_progress_on_a_terminal_of_forty_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.setenv("TTY_COMPATIBLE", "1")
    told = io.StringIO()
    with contextlib.redirect_stderr(told):
        told.isatty = lambda: True  # type: ignore[method-assign]
        with show.stage_progress(False)("lighten") as progress:
            progress(0.5, "collapsing the cheapest edges first")
            time.sleep(0.4)
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", told.getvalue())
    lines = [line for line in re.split(r"[\r\n]+", plain) if line.strip()]
    assert any("50 %" in line and "collapsing" in line for line in lines)
    assert max(map(len, lines)) <= 40


@pytest.mark.parametrize("name", ["", "  "])
def test_an_empty_name_is_not_the_current_folder(name: str) -> None:
    with pytest.raises(click.BadParameter, match="empty name"):
        Place().convert(name, None, None)


@pytest.mark.parametrize("root", ["/", "//", "/./"])
def test_the_root_has_no_name_to_name_outputs_after(root: str) -> None:
    with pytest.raises(click.BadParameter, match="root of the file system"):
        Place().convert(root, None, None)


def test_every_other_name_is_a_path_as_it_stands() -> None:
    for name in (".", "..", "a b", "none.stl", "-", "~/x", "/a"):
        assert Place().convert(name, None, None) == Path(name)
