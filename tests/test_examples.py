"""The examples in docstrings: each `>>>` of the package runs and gives what it says."""

from __future__ import annotations

import doctest
import importlib
import io
from types import ModuleType

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
