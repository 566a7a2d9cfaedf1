"""What the project declares it uses, and it uses nothing that it does not declare."""

from __future__ import annotations

import ast
import importlib.metadata
import re
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
# Not imported by the package, but by a library that is: what it is needed for.
THROUGH = {
    "lxml": ("trimesh", "3MF scans are XML"),
    "networkx": ("trimesh", "the scene graph of 3MF and glTF scans"),
}
OURS = {"pipeline", "sample_meshes", "tests"}


def _names(requirements: list[str]) -> set[str]:
    """Distribution names in the spelling of PEP 503; an extra that names another of this project has all of it."""
    found = set()
    for line in requirements:
        own = re.fullmatch(rf"{PROJECT['name']}\[(\w+)\]", line)
        if own:
            found |= _names(PROJECT["optional-dependencies"][own[1]])
        else:
            found.add(_plain(re.split(r"[^\w.-]", line, maxsplit=1)[0]))
    return found


def _plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def _imported(*folders: Path) -> dict[str, str]:
    """Each third-party top module that is imported below the folders, and a file that does."""
    found: dict[str, str] = {}
    for path in (p for folder in folders for p in sorted(folder.rglob("*.py"))):
        for node in ast.walk(ast.parse(path.read_bytes())):
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                names = [node.module]
            elif isinstance(node, ast.Call) and ast.unparse(node.func) == "importlib.import_module":
                names = [arg.value for arg in node.args if isinstance(arg, ast.Constant)]
            else:
                continue
            for top in {name.partition(".")[0] for name in names} - OURS - sys.stdlib_module_names:
                found.setdefault(top, str(path.relative_to(ROOT)))
    return found


def _distributions(module: str) -> set[str]:
    found = {_plain(name) for name in importlib.metadata.packages_distributions().get(module, ())}
    # Python 3.11 doesn't tell the home of a module that is one compiled file.
    return found or _for_this_machine({_plain(module)})


def _for_this_machine(declared: set[str]) -> set[str]:
    """Without those that a marker keeps from this machine."""
    installed = {_plain(d.name) for d in importlib.metadata.distributions()}
    return declared & installed


def test_each_dependency_is_used_by_the_package() -> None:
    declared = _for_this_machine(_names(PROJECT["dependencies"]))
    assert "numba" in declared
    used = {name for module in _imported(ROOT / "pipeline") for name in _distributions(module)}
    idle = declared - used - THROUGH.keys()
    assert not idle, f"declared, but nothing in pipeline/ imports: {sorted(idle)}"


@pytest.mark.parametrize("name", THROUGH)
def test_what_is_used_through_a_library_is_asked_for_by_it(name: str) -> None:
    library, _ = THROUGH[name]
    asked = {_plain(re.split(r"[^\w.-]", line, maxsplit=1)[0]) for line in importlib.metadata.requires(library) or ()}
    assert name in asked
    assert library in {home for module in _imported(ROOT / "pipeline") for home in _distributions(module)}


@pytest.mark.parametrize(
    ("folders", "extra"), [(("pipeline", "sample_meshes"), None), (("tests",), "bench")], ids=["package", "tests"]
)
def test_nothing_else_is_imported(folders: tuple[str, ...], extra: str | None) -> None:
    declared = _names(PROJECT["dependencies"]) | _names(PROJECT["optional-dependencies"].get(extra, []))
    # cgal of the extra `bench` may not be installed, and is then told by its module's name.
    for module, path in _imported(*(ROOT / folder for folder in folders)).items():
        homes = _distributions(module) or {_plain(module)}
        assert homes & declared, f"{path} imports {module}, which pyproject.toml does not declare"
