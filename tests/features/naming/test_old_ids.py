"""Ids of version 0.1.0 depend on a feature's own geometry."""

import numpy as np

from pipeline.features.naming import old_ids
from pipeline.surfaces.shape import Shape

LOW, HIGH = np.array([-100.0, -100.0, -100.0]), np.array([100.0, 100.0, 100.0])
Z = np.array([0.0, 0.0, 1.0])


def bore(x, y, z, radius=10.0):
    return Shape("cylinder", np.array([x, y, z]), Z, radius)


def test_an_id_does_not_depend_on_the_others():
    shapes = [bore(0.3, 0.2, 3.0), bore(50.3, 0.2, 3.0), Shape("plane", np.array([0.3, 0.2, 40.2]), Z)]
    sides = ["bore", "boss", None]
    together = old_ids(shapes, sides, LOW, HIGH)
    assert [name.split("-")[0] for name in together] == ["bore", "boss", "plane"]
    for k in range(3):
        assert old_ids([shapes[k]], [sides[k]], LOW, HIGH) == [together[k]]


def test_micrometres_change_no_id():
    assert old_ids([bore(0.3, 0.2, 3.0)], ["bore"], LOW, HIGH) == old_ids(
        [bore(0.305, 0.195, 3.5, 10.004)], ["bore"], LOW, HIGH
    )


def test_two_features_on_one_grid_place_are_told_apart():
    names = old_ids([bore(0, 0, 8.0), bore(0, 0, 2.0), bore(0, 0, 5.0)], ["bore"] * 3, LOW, HIGH)
    assert len(set(names)) == 3
    # The lowest keeps the plain id, whatever the order given.
    assert min(names, key=len) == names[1]


def test_words():
    kinds = (("cylinder", "bore"), ("cone", "bore"), ("torus", "boss"))
    shapes = [Shape(kind, np.zeros(3), Z, 5.0, 0.5 if kind == "cone" else None, 9.0) for kind, _ in kinds]
    ids = old_ids(shapes, [side for _, side in kinds], LOW, HIGH)
    assert [ident.split("-")[0] for ident in ids] == ["bore", "cone", "ring"]


def test_however_many_in_one_place():
    many = [bore(0, 0, 0.001 * k) for k in range(800)]
    names = old_ids(many, ["bore"] * 800, LOW, HIGH)
    assert len(set(names)) == 800
