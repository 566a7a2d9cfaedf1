"""Which figures are null, and why."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.formats.datum_file.figures import plain


class Missing:
    """Collects which figures are null and why, so that `cautions` tells each reason once."""

    def __init__(self) -> None:
        self._found: dict[tuple[str, str], list[str]] = {}

    def figure(
        self, value: float | None, what: str, why: str, of: str | None = None, degrees: bool = False
    ) -> float | None:
        """The figure for the file; where there is none, `what` is noted as missing for the reason `why`."""
        figure = plain(value, degrees)
        if figure is None:
            self.note(what, why, of)
        return figure

    def note(self, what: str, why: str, of: str | None = None) -> None:
        """Note that `what` is missing; `of`: the feature or features that it is missing for."""
        self._found.setdefault((of or "", why.strip().rstrip(".")), []).append(what)

    def sentences(self, told: Sequence[str]) -> list[str]:
        """One sentence a reason and what lacks figures for it, less those of which `told` speaks already."""
        grouped: dict[tuple[str, str], list[str]] = {}
        for (of, why), what in self._found.items():
            if not (of and any(of in text and why in text for text in told)):
                grouped.setdefault((", ".join(dict.fromkeys(what)), why), []).append(of)
        return [
            f"No {what}{' for ' + ', '.join(filter(None, ofs)) if any(ofs) else ''}: {why}."
            for (what, why), ofs in grouped.items()
        ]
