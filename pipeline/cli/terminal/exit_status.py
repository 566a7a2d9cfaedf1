"""What the program ends with, as README tells it."""

from __future__ import annotations

EXIT_FAULT = 1
EXIT_UNUSABLE = 2
EXIT_BUDGET = 3
EXIT_MEMORY = 4
EXIT_INTERRUPTED = 130
EXIT_STOPPED = 143
