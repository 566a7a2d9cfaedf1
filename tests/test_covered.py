"""Each module with logic has a test file of its own, or another one says that it covers it.

`pipeline/a/b.py` is tested by `tests/a/test_b.py`, or by any test file whose docstring has a line

    Covers: pipeline.a.b, pipeline.a.c
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SIGN = "Covers:"


def _has_logic(tree: ast.Module) -> bool:
    """Whether a function of the module does more than hold a docstring, as those of a protocol do."""
    return any(
        _does_something(node) for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    )


def _does_something(function: ast.FunctionDef | ast.AsyncFunctionDef) -> bool:
    return any(
        not isinstance(step, ast.Pass | ast.Raise)
        and not (isinstance(step, ast.Expr) and isinstance(step.value, ast.Constant))
        for step in function.body
    )


def _module(path: Path, root: Path) -> str:
    return ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__")


def _claims(root: Path) -> dict[str, list[str]]:
    """For each module that a test's docstring names the tests that name it."""
    found: dict[str, list[str]] = {}
    for path in sorted((root / "tests").rglob("test_*.py")):
        text = ast.get_docstring(ast.parse(path.read_bytes())) or ""
        for line in text.splitlines():
            if line.startswith(SIGN):
                for name in line.removeprefix(SIGN).split(","):
                    found.setdefault(name.strip(), []).append(str(path.relative_to(root)))
    return found


def uncovered(root: Path) -> list[str]:
    """Modules with logic that have no test file of their own and are claimed by none."""
    claimed = _claims(root)
    out = []
    for path in sorted((root / "pipeline").rglob("*.py")):
        name = _module(path, root)
        inner = path.relative_to(root / "pipeline")
        # The code of an `__init__` is the package's: tests/a/test_init.py.
        own = root / "tests" / inner.parent / f"test_{inner.stem.strip('_')}.py"
        if not own.exists() and name not in claimed and _has_logic(ast.parse(path.read_bytes())):
            out.append(name)
    return out


def test_each_module_with_logic_is_covered() -> None:
    missing = uncovered(ROOT)
    assert not missing, f"no test file of their own, and none that says `{SIGN} ...`: {', '.join(missing)}"


def test_what_is_claimed_exists() -> None:
    modules = {_module(path, ROOT) for path in (ROOT / "pipeline").rglob("*.py")}
    gone = {name: by for name, by in _claims(ROOT).items() if name not in modules}
    assert not gone


@pytest.fixture
def scratch(tmp_path: Path) -> Path:
    (tmp_path / "pipeline" / "room").mkdir(parents=True)
    (tmp_path / "tests" / "room").mkdir(parents=True)
    (tmp_path / "pipeline" / "room" / "__init__.py").write_text("from pipeline.room.work import f")
    (tmp_path / "pipeline" / "room" / "plain.py").write_text(
        'A = 1\nclass P:\n    x: int\n    def f(self) -> int:\n        """Says what."""\n        ...\n'
    )
    return tmp_path


@pytest.mark.parametrize(
    ("test", "text", "missing"),
    [
        ("room/test_other.py", '"""Of another."""', ["pipeline.room.work"]),
        ("room/test_work.py", "", []),
        ("test_all.py", '"""All.\n\nCovers: pipeline.other, pipeline.room.work\n"""', []),
        ("test_all.py", '"""All.\n\nCovers: pipeline.room\n"""', ["pipeline.room.work"]),
        ("test_all.py", "# Covers: pipeline.room.work", ["pipeline.room.work"]),
    ],
)
def test_the_rule(scratch: Path, test: str, text: str, missing: list[str]) -> None:
    (scratch / "pipeline" / "room" / "work.py").write_text("class K:\n    def f(self):\n        return 1\n")
    (scratch / "tests" / test).write_text(text)
    assert uncovered(scratch) == missing
