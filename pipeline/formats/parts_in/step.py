"""A STEP file as a part: its faces as facets, and planes, cylinders, cones and spheres among them as features."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from pipeline.errors import InputError
from pipeline.files import refuse_special
from pipeline.fitup import Body
from pipeline.formats.solid import NamedBody, body_of_shape, faces_of, read_body


def body_of_step(name: str, path: Path, uncertainty: float) -> Body:
    """The part that a STEP file holds, its faces within 0.01 mm of it.

    uncertainty  standard, mm, of every place of it; a diameter's is twice that

    Raises InputError when it can't be read, or has no faces.
    """
    if not path.exists():
        raise InputError(f"There is no file {path}; check the name of {name}'s file in the layout.")
    try:
        refuse_special(path)
        shape = read_body(path)
    except OSError as error:
        raise InputError(
            f"{path} can't be read as STEP ({error.strerror}); export it anew, as AP214 or AP242."
        ) from None
    if shape.IsNull() or not faces_of(shape):
        raise InputError(f"{path} has no faces; export the part as a solid, not as wires or an empty assembly.")
    return replace(body_of_shape(name, NamedBody(shape, ()), uncertainty), solid=path)
