"""What is kept at the top of the repository: nothing that a tool left there gets in by the way."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
TOP = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "pipeline", "tests", "sample_meshes", "configs"}
LARGEST = 4e6  # bytes; the sample scan has 3.8 million


def tracked() -> list[Path]:
    asked = subprocess.run(["git", "-C", str(ROOT), "ls-files", "-z"], capture_output=True, check=False)
    if asked.returncode:
        pytest.skip("not a clone: git does not say what is tracked")
    return [Path(name) for name in asked.stdout.decode().split("\0") if name]


def test_only_what_belongs_there_is_at_the_top() -> None:
    top = {path.parts[0] for path in tracked()}
    assert {name for name in top if not name.startswith(".")} <= TOP


def test_no_file_is_larger_than_the_sample_scan() -> None:
    sizes = {str(path): (ROOT / path).stat().st_size for path in tracked() if (ROOT / path).is_file()}
    assert [name for name, size in sizes.items() if size > LARGEST] == []
