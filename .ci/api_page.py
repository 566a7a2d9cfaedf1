"""Pages of what the package and each of its rooms offer, made from the docstrings: .ci/api_page.py FOLDER

pdoc shows what a module holds. So what a door would fetch when it is first asked for is put into it here, and a
compiled function as the one that was written, with its signature.
"""

from __future__ import annotations

import importlib
import sys
import warnings
from pathlib import Path
from types import ModuleType

import pdoc

ROOT = Path(__file__).resolve().parent.parent


def doors() -> list[ModuleType]:
    """The package, and below it each room that lists what it offers."""
    sys.path.insert(0, str(ROOT))
    places = (path.parent.relative_to(ROOT) for path in sorted((ROOT / "pipeline").rglob("__init__.py")))
    return [door for place in places if hasattr(door := importlib.import_module(".".join(place.parts)), "__all__")]


def write(doors: list[ModuleType], folder: Path) -> None:
    """A page a door, and one that lists them."""
    for door in doors:
        for name in door.__all__:
            offered = getattr(door, name)
            setattr(door, name, getattr(offered, "py_func", offered))
    # A named tuple's constructor has its types as text, which pdoc shows as it is.
    warnings.filterwarnings("ignore", "Error parsing type annotation", UserWarning)
    pdoc.render.configure(show_source=False, template_directory=ROOT / ".ci" / "api_page")
    pdoc.pdoc(*(door.__name__ for door in doors), output_directory=folder)


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("Give the folder that the pages go to: .ci/api_page.py api")
    write(doors(), Path(sys.argv[1]))
