"""names.json: the numbers that features and gaps of a part go by, for the next scan of it."""

from __future__ import annotations

from pipeline.formats.names_file.names_file import NAMES_FILE, names_text, read_names

__all__ = [
    "NAMES_FILE",
    "names_text",
    "read_names",
]
