"""The house's plan, held: which room may import which, and only what a room offers at its door."""

from __future__ import annotations

import ast
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent / "pipeline"

# Top floor first: a room may import from floors below its own, and from its own floor only itself.
FLOORS = (
    ("cli",),
    ("batch",),
    ("runner", "questions"),
    ("stages",),
    ("report",),
    ("formats",),
    ("fitup",),
    ("features",),
    ("standards",),
    ("mesh",),
    ("surfaces",),
    ("geometry",),
)
KNOWN_TO_ALL = {
    "artefacts",
    "coverage",
    "errors",
    "files",
    "interruption",
    "jit",
    "job",
    "kernel_cache",
    "layout",
    "lengths",
    "making",
    "meter",
    "output_folder",
    "palette",
    "part_frame",
    "places",
    "progress",
    "settings_file",
    "values",
    "versions",
}
# What is known to all may itself know only this; the job file speaks of kinds of surface by name.
BELOW_ALL = KNOWN_TO_ALL | {"geometry", "surfaces"}
MOST_FILES = 12


def modules() -> list[Path]:
    return sorted(p for p in ROOT.rglob("*.py") if p.name != "bootstrap.py")


def name_of(path: Path) -> str:
    parts = ("pipeline", *path.relative_to(ROOT).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def rooms() -> frozenset[str]:
    """All packages below the root by their full names."""
    return frozenset(name_of(p) for p in modules() if p.name == "__init__.py" and p.parent != ROOT)


@cache
def imports(path: Path) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """(module, names) of all that a file imports of ours, also inside its functions; `import x` has no names."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [(alias.name, ()) for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and (node.module or node.level):
            assert node.level == 0, f"{path}: write imports in full"
            found.append((str(node.module), tuple(alias.name for alias in node.names)))
    return tuple((m, names) for m, names in found if m == "pipeline" or m.startswith("pipeline."))


@cache
def offered(room: str) -> frozenset[str]:
    """What a room's `__init__` lists in `__all__`."""
    tree = ast.parse((ROOT.parent / room.replace(".", "/") / "__init__.py").read_text(encoding="utf-8"))
    for node in tree.body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return frozenset(ast.literal_eval(node.value))
    return frozenset()


def part_of(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


def floor_of(module: str) -> int | None:
    return next((i for i, floor in enumerate(FLOORS) if part_of(module) in floor), None)


def ids(path: Path) -> str:
    return str(path.relative_to(ROOT))


@pytest.mark.parametrize("path", modules(), ids=ids)
def test_imports_run_down_only(path: Path) -> None:
    here = name_of(path)
    floor = floor_of(here)
    for other, _ in imports(path):
        if floor is None:
            if part_of(here) in KNOWN_TO_ALL and part_of(other):
                assert part_of(other) in BELOW_ALL, f"{here} is known to all and must not import {other}"
            continue
        if part_of(other) in KNOWN_TO_ALL or not part_of(other):
            continue
        there = floor_of(other)
        assert there is not None, f"{other} stands on no floor"
        same = part_of(other) == part_of(here)
        assert there > floor or same, f"{here} must not import {other}"
        assert not (same and part_of(here) == "stages"), f"{here} imports {other}: a stage never imports a stage"


@pytest.mark.parametrize("path", modules(), ids=ids)
def test_only_what_a_door_offers_is_imported_from_outside(path: Path) -> None:
    here = name_of(path)
    room = here if here in rooms() else here.rpartition(".")[0]
    for other, names in imports(path):
        if other in rooms():
            if other == room:
                continue  # a room's own files by name
            kept = set(names) - offered(other)
            assert not kept, f"{here}: {other} does not offer {', '.join(sorted(kept))}"
            assert names, f"{here}: write `from {other} import ...`"
        elif (owner := other.rpartition(".")[0]) in rooms() and owner != room:
            # Stages and commands are found by name, one file each; they have no door.
            assert part_of(owner) in ("stages", "cli"), f"{here}: import from {owner}, not from {other}"


@pytest.mark.parametrize("room", sorted(rooms()))
def test_a_door_offers_only_what_there_is(room: str) -> None:
    folder = ROOT.parent / room.replace(".", "/")
    text = (folder / "__init__.py").read_text(encoding="utf-8")
    tree = ast.parse(text)
    assert ast.get_docstring(tree), f"{room} does not say what it is for"
    # Also what is brought on first use only, and stands in a block for type checkers.
    brought = {
        alias.asname or alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith(room + ".")
        for alias in node.names
    }
    assert offered(room) == brought
    assert not {name for name in offered(room) if name.startswith("_")}


def test_what_a_door_offers_is_used_elsewhere() -> None:
    used = {(m, name) for path in modules() for m, names in imports(path) for name in names if m in rooms()}
    public = {"pipeline.values"}  # also the types of the public interface
    idle = {f"{room}.{name}" for room in rooms() - public for name in offered(room) if (room, name) not in used}
    idle.discard("pipeline.surfaces.register")  # for kinds from outside the package
    assert not idle, f"offered, but nobody comes for it: {', '.join(sorted(idle))}"


@pytest.mark.parametrize("room", sorted(rooms()))
def test_a_room_has_a_dozen_files_at_most(room: str) -> None:
    files = [
        p for p in (ROOT.parent / room.replace(".", "/")).glob("*.py") if p.name not in ("__init__.py", "__main__.py")
    ]
    assert len(files) <= MOST_FILES


def test_no_imports_in_a_circle() -> None:
    """Rooms among each other, and files among each other; what a function imports counts too."""
    by_room: dict[str, set[str]] = {}
    by_file: dict[str, set[str]] = {}
    known = {name_of(p) for p in modules()}
    for path in modules():
        here = name_of(path)
        if path.name == "__init__.py":
            continue
        home = here.rpartition(".")[0] if here.rpartition(".")[0] in rooms() else here
        for other, names in imports(path):
            targets = {f"{other}.{n}" for n in names if f"{other}.{n}" in known} or {other}
            for target in targets:
                by_file.setdefault(here, set()).add(target)
                there = (
                    target
                    if target in rooms() or target.rpartition(".")[0] not in rooms()
                    else target.rpartition(".")[0]
                )
                if there != home:
                    by_room.setdefault(home, set()).add(there)
    for graph in (by_room, by_file):
        circle = _circle(graph)
        assert circle is None, " -> ".join(circle or ())


def _circle(graph: dict[str, set[str]]) -> list[str] | None:
    done: set[str] = set()

    def walk(node: str, path: list[str]) -> list[str] | None:
        if node in path:
            return [*path[path.index(node) :], node]
        if node in done:
            return None
        for other in sorted(graph.get(node, ())):
            found = walk(other, [*path, node])
            if found:
                return found
        done.add(node)
        return None

    return next((found for node in sorted(graph) if (found := walk(node, []))), None)


def test_a_circle_is_seen() -> None:
    assert _circle({"a": {"b"}, "b": {"c"}, "c": {"a"}}) == ["a", "b", "c", "a"]
    assert _circle({"a": {"b", "c"}, "b": {"c"}}) is None


@pytest.mark.parametrize("path", modules(), ids=ids)
def test_kernels_are_compiled_by_our_own(path: Path) -> None:
    if path.name != "jit.py":
        assert "from numba import" not in path.read_text(encoding="utf-8")


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys, pipeline.cli.main as m\n"
        "try:\n    m.main(['--help'])\nexcept SystemExit: pass\n"
        "heavy = {'numpy', 'scipy', 'numba', 'open3d', 'trimesh', 'pymeshlab', 'OCP', 'ezdxf', 'pydantic', 'rich',\n"
        "         'distributed'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip().splitlines()[-1] == "[]"
