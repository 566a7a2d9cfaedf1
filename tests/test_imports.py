"""The house's plan, held: which room may import which."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent / "pipeline"

# A room may import the rooms to its right, never one to its left.
CORRIDOR = ["cli", "runner", "stages", "formats|report|fitup|features|standards", "mesh"]
KNOWN_TO_ALL = {
    "pipeline", "pipeline.errors", "pipeline.files", "pipeline.job", "pipeline.progress", "pipeline.values",
    "pipeline.versions", "pipeline.jit",
}  # fmt: skip
MESH_MAY = {"pipeline.errors", "pipeline.jit", "pipeline.progress"}


def _modules() -> list[Path]:
    return sorted(p for p in ROOT.rglob("*.py") if p.name != "bootstrap.py")


def _name(path: Path) -> str:
    parts = ("pipeline", *path.relative_to(ROOT).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def _imported(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, f"{path}: write imports in full"
            found.add(node.module)
            found |= {
                f"{node.module}.{a.name}"
                for a in node.names
                if (ROOT.parent / node.module.replace(".", "/") / f"{a.name}.py").exists()
            }
    return {name for name in found if name == "pipeline" or name.startswith("pipeline.")}


def _room(name: str) -> int | None:
    part = name.split(".")[1] if "." in name else ""
    for place, rooms in enumerate(CORRIDOR):
        if part in rooms.split("|"):
            return place
    return None


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_run_one_way(path: Path) -> None:
    here = _name(path)
    room = _room(here)
    if room is None:
        return
    for other in _imported(path):
        if other in KNOWN_TO_ALL:
            continue
        there = _room(other)
        if there is None:
            continue
        assert there >= room, f"{here} must not import {other}"
        if here.startswith("pipeline.stages.") and other.startswith("pipeline.stages."):
            pytest.fail(f"{here} imports {other}: a stage never imports a stage")


@pytest.mark.parametrize("path", sorted((ROOT / "mesh").rglob("*.py")), ids=lambda p: p.name)
def test_mesh_knows_nothing_of_ours(path: Path) -> None:
    ours = {name for name in _imported(path) if not name.startswith("pipeline.mesh")}
    assert ours <= MESH_MAY | {"pipeline"}


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(ROOT)))
def test_kernels_are_compiled_by_our_own(path: Path) -> None:
    if path.name != "jit.py":
        assert "from numba import" not in path.read_text(encoding="utf-8")


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys, pipeline.cli.main as m\n"
        "try:\n    m.main(['--help'])\nexcept SystemExit: pass\n"
        "heavy = {'numpy', 'scipy', 'numba', 'open3d', 'trimesh', 'pymeshlab', 'OCP', 'ezdxf', 'pydantic', 'rich'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip().splitlines()[-1] == "[]"
