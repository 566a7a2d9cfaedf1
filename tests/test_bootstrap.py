"""Set-up before anything is installed: wrong usage, and what an extra asks for."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from pipeline import bootstrap

SCRIPT = Path(bootstrap.__file__)


@pytest.mark.parametrize("words", [[], ["dance"]])
def test_wrong_usage_is_told_in_two_lines_of_what_to_write(words: list[str]) -> None:
    done = subprocess.run([sys.executable, str(SCRIPT), *words], capture_output=True, text=True)
    assert done.returncode == 2
    assert done.stderr.startswith("usage: python3 pipeline/bootstrap.py")


def test_it_needs_nothing_that_is_not_in_the_standard_library() -> None:
    done = subprocess.run(
        [sys.executable, "-I", "-S", "-c", f"import runpy; runpy.run_path({str(SCRIPT)!r}, run_name='looked-at')"],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr


def test_an_extra_brings_those_that_it_names() -> None:
    project = {"name": "part", "optional-dependencies": {"test": ["pytest>=8"], "dev": ["part[test]", "ruff>=0.6"]}}
    assert bootstrap._of_extra(project, "dev") == ["pytest>=8", "ruff>=0.6"]
    assert bootstrap._of_extra(project, "") == []


@pytest.mark.parametrize(
    ("line", "name"), [("numpy>=1.26", "numpy"), ("open3d-cpu>=0.19; sys_platform == 'linux'", "open3d-cpu")]
)
def test_the_name_of_a_requirement(line: str, name: str) -> None:
    assert bootstrap._name(line) == name
