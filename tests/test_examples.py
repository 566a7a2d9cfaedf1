"""The examples in docstrings: each `>>>` of the package runs and gives what it says, and what is offered has one."""

from __future__ import annotations

import dataclasses
import doctest
import importlib
import io
import re
from functools import cached_property
from types import FunctionType, ModuleType
from typing import Any

import numpy as np
import pytest

import pipeline.geometry
from tests.test_imports import modules, name_of

MODULES = [name_of(path) for path in modules() if ">>>" in path.read_text(encoding="utf-8")]


def examples(module: ModuleType) -> list[doctest.DocTest]:
    finder = doctest.DocTestFinder(exclude_empty=True)
    return [test for test in finder.find(module, extraglobs={"np": np}) if test.examples]


@pytest.mark.parametrize("name", MODULES)
def test_examples_give_what_they_say(name: str) -> None:
    told = io.StringIO()
    runner = doctest.DocTestRunner()
    found = examples(importlib.import_module(name))
    for test in found:
        runner.run(test, out=told.write)
    assert found, f"no example of {name} was found"
    assert not runner.summarize(verbose=False).failed, told.getvalue()


@pytest.mark.parametrize("name", sorted(set(pipeline.geometry.__all__)))
def test_plain_geometry_has_a_worked_example(name: str) -> None:
    made = getattr(pipeline.geometry, name)
    if callable(made) and not hasattr(made, "__origin__"):
        assert ">>>" in (made.__doc__ or ""), f"{name} has no worked example"


# Rooms whose doors are documented throughout.
DONE = (
    "pipeline",
    "pipeline.features.exclusion",
    "pipeline.features.gaps",
    "pipeline.features.simplification",
    "pipeline.features.sketches",
    "pipeline.formats.datum_file",
    "pipeline.formats.datum_file.records",
    "pipeline.formats.drawings",
    "pipeline.formats.meshes_in",
    "pipeline.formats.meshes_out",
    "pipeline.formats.solid",
    "pipeline.formats.step",
    "pipeline.formats.tables",
    "pipeline.mesh.fill",
    "pipeline.mesh.query",
    "pipeline.mesh.repair",
    "pipeline.mesh.simplify",
    "pipeline.mesh.topology",
    "pipeline.report",
    "pipeline.surfaces",
    "pipeline.values",
)
OFFERED = [(room, name) for room in DONE for name in sorted(importlib.import_module(room).__all__)]


def own_methods(made: type) -> dict[str, Any]:
    """Methods and properties that a class defines for its users: not inherited, nor what a decorator made for it."""
    kinds = (FunctionType, property, cached_property, staticmethod, classmethod)
    return {name: m for name, m in vars(made).items() if not name.startswith("_") and isinstance(m, kinds)}


def fields_of(made: type) -> tuple[str, ...]:
    if dataclasses.is_dataclass(made):
        return tuple(field.name for field in dataclasses.fields(made) if not field.name.startswith("_"))
    return getattr(made, "_fields", tuple(getattr(made, "model_fields", ())))


def described(made: Any) -> list[str]:
    """The fields of a record of the datum file that have a description of their own."""
    return [name for name, field in getattr(made, "model_fields", {}).items() if field.description]


def run_by_the_tests(made: Any) -> bool:
    """Whether an example of it, or of one of its methods, is among those that the first test of this file runs."""
    name = f"{made.__module__}.{made.__qualname__}"
    found = (test.name for test in examples(importlib.import_module(made.__module__)))
    return any(test == name or test.startswith(f"{name}.") for test in found)


@pytest.mark.parametrize(("room", "name"), OFFERED)
def test_what_a_room_offers_is_documented(room: str, name: str) -> None:
    made = getattr(importlib.import_module(room), name)
    if not callable(made) or hasattr(made, "__origin__"):
        return  # a constant or an alias
    told = vars(made).get("__doc__") if isinstance(made, type) else made.__doc__
    assert told, f"{name} of {room} has no docstring"
    methods, fields = (own_methods(made), fields_of(made)) if isinstance(made, type) else ({}, ())
    said = " ".join((told, *described(made)))
    unsaid = [field for field in fields if not re.search(rf"\b{re.escape(field)}\b", said)]
    assert not unsaid, f"fields of {name} that its docstring says nothing about: {unsaid}"
    silent = [method for method, code in methods.items() if not code.__doc__]
    assert not silent, f"methods of {name} without a docstring: {silent}"
    if not fields or methods:
        assert run_by_the_tests(made), f"{name} of {room} has no example that runs"


def test_a_room_without_examples_is_found_out() -> None:
    """The test above can fail: a record's field left out, a method that nobody describes, an example out of reach."""

    @dataclasses.dataclass(frozen=True)
    class Bare:
        """first  mm"""

        first: float
        second: float

        def both(self) -> float:
            return self.first + self.second

    assert fields_of(Bare) == ("first", "second")
    assert set(own_methods(Bare)) == {"both"}
    assert not run_by_the_tests(Bare)
    assert run_by_the_tests(pipeline.geometry.unit)
