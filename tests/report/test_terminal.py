"""The closing summary on the terminal: twenty lines at most, and the report's own verdict.

Covers: pipeline.cli.show
"""

from __future__ import annotations

import dataclasses
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from pipeline.cli import show
from pipeline.values import Outcome
from tests.outcomes import outcome


class Result:
    """What the runner hands over, made from a made-up outcome."""

    def __init__(self, made: Outcome) -> None:
        self.out, self.job, self.source = Path("out"), made.job, made.source
        self.features, self.frame, self.audit = made.recover.features, made.frame.frame, made.audit.audit
        self.cautions = made.cautions
        parts = {("fill", "gaps"): made.gaps, ("recover", "calipers"): made.recover.calipers}
        self._shelf = SimpleNamespace(get=lambda name, part: parts[name, part])


def lines_of(made: Outcome) -> list[str]:
    result: Any = Result(made)
    return show.summary_lines(result)


def test_it_answers_in_the_order_of_the_report() -> None:
    lines = lines_of(outcome())
    words = [line.split()[0] for line in lines]
    order = ["Done,", "scan", "light", "budget", "datum", "features", "invented", "by", "caution", "outputs"]
    assert [word for i, word in enumerate(words) if word not in words[:i]] == order
    assert "gauge B D40.00; features of low confidence: 1" in " ".join(lines)
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
