"""Closed walks over vertices that come through one of them more than once."""

from __future__ import annotations


def cut_at_pinches(loop: list[int]) -> list[list[int]]:
    """A closed loop of vertex ids cut where it comes through a vertex again, into loops that don't.

    A part may be as short as two vertices, a walk there and back, or one.

    >>> cut_at_pinches([0, 1, 2, 3, 1, 4])
    [[1, 2, 3], [0, 1, 4]]
    """
    done: list[list[int]] = []
    path: list[int] = []
    place: dict[int, int] = {}
    for vertex in loop:
        if vertex in place:
            start = place[vertex]
            done.append(path[start:])
            for passed in path[start + 1 :]:
                del place[passed]
            del path[start + 1 :]
        else:
            place[vertex] = len(path)
            path.append(vertex)
    return [*done, path]
