"""What commands print: progress on a terminal or in a pipe, and the closing summary; and what they end with."""

from __future__ import annotations

from pipeline.cli.terminal.exit_status import (
    EXIT_BUDGET,
    EXIT_FAULT,
    EXIT_INTERRUPTED,
    EXIT_MEMORY,
    EXIT_STOPPED,
    EXIT_UNUSABLE,
)
from pipeline.cli.terminal.figure import Figure
from pipeline.cli.terminal.place import Place
from pipeline.cli.terminal.show import (
    budgeted,
    stage_progress,
    summary_json,
    summary_lines,
    um,
    within_budget,
)

__all__ = [
    "EXIT_BUDGET",
    "EXIT_FAULT",
    "EXIT_INTERRUPTED",
    "EXIT_MEMORY",
    "EXIT_STOPPED",
    "EXIT_UNUSABLE",
    "Figure",
    "Place",
    "budgeted",
    "stage_progress",
    "summary_json",
    "summary_lines",
    "um",
    "within_budget",
]
