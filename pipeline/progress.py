"""How a stage tells how far it is: it calls `progress(fraction, text)`; what is shown is the caller's matter."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    def __call__(self, fraction: float, text: str = "") -> None:
        """fraction 0..1 of the stage that is done; `text` a few words on what comes next."""


def silent(fraction: float, text: str = "") -> None:
    """A progress that shows nothing."""
