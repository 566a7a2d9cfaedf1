"""What commands print: progress on a terminal or in a pipe, and the closing summary."""

from __future__ import annotations

from pipeline.cli.terminal.show import (
    budgeted,
    stage_progress,
    summary_json,
    summary_lines,
    um,
    within_budget,
)

__all__ = [
    "budgeted",
    "stage_progress",
    "summary_json",
    "summary_lines",
    "um",
    "within_budget",
]
