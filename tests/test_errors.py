"""An error's text steers no terminal, whatever names it carries."""

from __future__ import annotations

import pytest

from pipeline.errors import InputError, printable
from pipeline.lengths import mm


@pytest.mark.parametrize("name", ["a\x1b[31mb", "a\x00b", "a\udcffb", "a\u202eb"])
def test_a_printable_line(name: str) -> None:
    told = str(InputError(f"{name} can't be read; check it."))
    assert told.isprintable()
    assert told.encode("utf-8")
    assert told.endswith("b can't be read; check it.")
    assert printable("Gehäuse 2 – Ø 40 µm") == "Gehäuse 2 – Ø 40 µm"


def test_a_length_reads_as_one() -> None:
    assert str(InputError(f"A ball of {mm(20.0)} is asked for; give another.")).startswith("A ball of 20.00 mm is")
