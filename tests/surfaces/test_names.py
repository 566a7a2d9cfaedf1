"""Kinds of surface are asked what they are; hardly a file outside their room calls one by its name."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from pipeline.surfaces import KINDS

ROOT = Path(__file__).resolve().parents[2] / "pipeline"
MOST_FILES = 6
CONSTANTS = {name.upper() for name in KINDS}


def places(text: str) -> list[str]:
    """Where a module names a kind: a text that is its name, or a constant called after it; docstrings apart.

    A situation feature (ISO 5459) is no kind of surface, though one of them is a plane.
    """
    tree = ast.parse(text)
    docstrings = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and node.body
        if isinstance(node.body[0], ast.Expr)
    }
    situations = {
        id(node)
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and ast.unparse(node.value).endswith("SituationFeature")
    }
    found = []
    for node in ast.walk(tree):
        named = (
            (isinstance(node, ast.Constant) and node.value in KINDS and id(node) not in docstrings)
            or (isinstance(node, ast.Name) and node.id in CONSTANTS)
            or (isinstance(node, ast.Attribute) and node.attr in CONSTANTS and id(node) not in situations)
        )
        if named:
            found.append(f"{node.lineno}: {ast.unparse(node)}")  # type: ignore[attr-defined]
        if isinstance(node, ast.ImportFrom):
            found += [f"{node.lineno}: {alias.name}" for alias in node.names if alias.name in CONSTANTS]
    return found


@pytest.mark.parametrize(
    ("text", "count"),
    [
        ('if f.kind == "plane": pass', 1),
        ('SIZED = ("cylinder", "sphere")', 2),
        ("from pipeline.surfaces import CONE\nif code == CONE: pass", 2),
        ("if code == search.TORUS: pass", 1),
        ('def f():\n    "plane"\n    return 1', 0),
        ('if kind_of(f).flat: print("the plane is flat")', 0),
        ("if d.kind == SituationFeature.PLANE: pass", 0),
    ],
)
def test_a_named_kind_is_seen(text: str, count: int) -> None:
    assert len(places(text)) == count


def test_hardly_a_file_outside_their_room_names_a_kind() -> None:
    found = {}
    for path in sorted(ROOT.rglob("*.py")):
        if path.relative_to(ROOT).parts[0] != "surfaces" and (named := places(path.read_text(encoding="utf-8"))):
            found[str(path.relative_to(ROOT))] = named
    told = "\n".join(f"{file}: {'; '.join(named)}" for file, named in found.items())
    assert len(found) <= MOST_FILES, f"{len(found)} files name a kind of surface:\n{told}"


def test_no_script_of_the_report_compares_a_kind() -> None:
    for path in (ROOT / "report").glob("*.js"):
        assert not re.search(rf"kind\s*[!=]==?\s*[\"']({'|'.join(KINDS)})", path.read_text(encoding="utf-8")), path
