"""Layouts, lists of a batch, and folders of runs: sound ones made here, and mutators that know what is in them."""

# ruff: noqa: E501
from __future__ import annotations

import json
import re
import tomllib

from tests.campaign.mutators import Random, pick

_ROD = "[part.rod]\nturned = [[0, 20], [40, 20], [40, 30], [60, 30]]\nuncertainty = 0.01\n"
_RING = """\
[part.ring]
plate = { diameter = 90, thickness = 8, holes = [{ at = [0, 0], diameter = 20.1 }, { pitch_circle = 44, count = 4, diameter = 6.6 }] }
uncertainty = 0.002
[[part.ring.place]]
axis = "bore nearest [0, 0, 4]"
on = "rod: axis"
[[part.ring.place]]
face = "face nearest [25, 0, 0]"
on = "rod: start"
gap = -15
gap_uncertainty = 0.05
"""
_DRUM = """\
[part.drum]
run = "drum"
at = [[1, 0, 0, 100], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]
"""
_SCAN = '[part.lump]\nfile = "scan.stl"\nunits = "mm"\nuncertainty = 0.05\nat = [[1, 0, 0, 0], [0, 1, 0, 80], [0, 0, 1, 5], [0, 0, 0, 1]]\n'

LAYOUTS = (
    _ROD + _RING + '[[clearance]]\nbetween = ["rod", "ring"]\nleast = 0.01\n[export]\nunits = "in"\n',
    _ROD + _RING + _SCAN + """\
[[travel]]
move = "ring"
along = "rod: axis"
up_to = 30
way = "both"
least = 0.2
[[envelope]]
turn = "ring"
about = "rod: axis"
against = ["lump"]
least = 1
""",
    _ROD + _RING + """\
[[travel]]
move = "ring"
along = [0, 0, 1]
up_to = 12
second = { about = "rod: axis", over = [-5, 5], steps = 3 }
""",
    _ROD + """\
[[cut]]
part = "rod"
bore = { axis = "axis", diameter = 8, face = "start", depth = 25 }
wall = 3
density = 7.2
[[cut]]
part = "rod"
facing = { face = "end", take = 2 }
[[cut]]
part = "rod"
turning = { axis = "axis", diameter = 18, face = "start", depth = "0.5 in" }
[[wall]]
part = "rod"
least = "2 mm"
""",
    _RING.partition("[[part.ring.place]]")[0] + """\
[[cut]]
part = "ring"
holes = { face = "face nearest [25, 0, 8]", diameter = 3, at = [[15, 0, 8]], depth = 4 }
[[cut]]
part = "ring"
slot = { face = "face nearest [25, 0, 8]", start = [12, 8, 8], end = [12, 12, 8], width = 2, depth = 1 }
""",
    _DRUM + _ROD + '[[part.rod.place]]\naxis = "axis"\non = "drum: S1"\n[[clearance]]\nbetween = ["rod", "drum"]\nleast = 0.5\n',
    _DRUM + '[[cut]]\npart = "drum"\nname = "eye"\nbore = { axis = "S1", diameter = 6, through = true }\nwall = 2\n[[wall]]\npart = "drum"\nleast = 1\nbehind = ["S1"]\n',
    _RING.partition("[[part.ring.place]]")[0] + """\
[[make]]
name = "plug"
uncertainty = 0.01
[make.spigot]
on = "ring: bore nearest [0, 0, 4]"
fit = "H7/f7"
length = 5
face = "ring: face nearest [25, 0, 8]"
bore = 8
head = { diameter = 34, thickness = 4 }
""",
    _RING.partition("[[part.ring.place]]")[0] + """\
[[make]]
name = "jig"
uncertainty = 0.02
[make.template]
seat = "ring: face nearest [25, 0, 8]"
text = "x"
[[make.template.locate]]
pin = "ring: hole nearest [22, 0, 4]"
[[make.template.locate]]
pin = "ring: hole nearest [-22, 0, 4]"
flat = true
[[make.template.guide]]
axis = "ring: bore nearest [0, 0, 4]"
face = "ring: face nearest [25, 0, 8]"
drill = 5
depth = 8
""",
)  # fmt: skip

_NUMBERS = (
    "0", "-1", "1e-9", "1e9", "1e38", "1e300", "nan", "inf", "1", "30", "360.5", '"1 in"', '"0.5 furlong"', '"nan in"', "true", '""', "[]",
)  # fmt: skip
_LINES = (
    'axis = "axis"', 'face = "start"', 'point = "middle of start and end"', 'point = [0, 0, 0]', "turn = 30", 'way = "same"', "gap = 1e9",
)  # fmt: skip
_FEATURES = (
    '"axis"', '"start"', '"end"', '"rod: axis"', '"ring: S1"', '"drum: F1"', '"ring: face nearest [0, 0, 0]"', '"nobody: axis"', '"rod:"', '":"', '"rod: rod: axis"',
    '"ring: bore nearest [1e9, 0, 0]"', '"ring: common axis of H1 and H1"', '"ring: crossing of S1 and F1"', '"rod: axis nearest [nan, 0, 0]"', '"ring: \\u0000"',
    '"drum: hole nearest scan: [0, 0, 0]"', '"X1"', '"H9999999999"', '"rod: end of end of end"', '"rod: axis\\n"', "3", '"ring: hole nearest [22, 0, 4]"',
)  # fmt: skip
_MATRICES = (
    "[[1,0,0,1e30],[0,1,0,0],[0,0,1,0],[0,0,0,1]]", "[[1,0,0,0],[0,1,0,0],[0,0,-1,0],[0,0,0,1]]", "[[1,0,0,0],[0,1,0,0],[0,0,1,0]]",
    "[[0,0,0,0],[0,0,0,0],[0,0,0,0],[0,0,0,0]]", "[[nan,0,0,0],[0,1,0,0],[0,0,1,0],[0,0,0,1]]", "[[-1,0,0,0],[0,-1,0,0],[0,0,1,7],[0,0,0,1]]",
)  # fmt: skip
_MORE = (
    '[part."a b"]\nturned = [[0, {n}], [{n}, 20]]\nuncertainty = {n}\n', "[part.flat]\nplate = { size = [{n}, 20], thickness = {n} }\nuncertainty = 0.1\n",
    "[part.bent]\nplate = { outline = [[0, 0], [10, {n}], [10, 10], [0, {n}], [5, -5]], thickness = 2 }\nuncertainty = 0.1\n",
    '[part.gone]\nfile = "{f}"\nuncertainty = 0.1\n', '[part.gone]\nrun = "{f}"\n', '[[clearance]]\nbetween = ["rod", "{p}"]\nleast = {n}\n',
    "[[part.rod.place]]\naxis = {w}\non = {w}\n", '[[wall]]\npart = "{p}"\nleast = {n}\nbehind = [{w}]\n',
    '[[travel]]\nmove = "{p}"\nabout = {w}\nup_to = {n}\n', '[[envelope]]\nturn = "{p}"\nabout = {w}\n', '[[travel]]\nmove = "{p}"\nalong = [{n}, {n}, 0]\nup_to = {n}\n',
    '[[cut]]\npart = "{p}"\nbore = { axis = {w}, diameter = {n}, face = {w}, depth = {n} }\n', '[[cut]]\npart = "{p}"\nfacing = { face = {w}, take = {n}, all = true }\n',
    '[[cut]]\npart = "{p}"\nholes = { face = {w}, diameter = {n}, centre = {w}, pitch_circle = {n}, count = 360, depth = {n} }\n',
    '[[make]]\nname = "cup"\n[make.holder]\non = {w}\nface = {w}\nfit = "H7/h6"\nlength = {n}\nbearing = "6204"\n',
    '[[make]]\nname = "ring"\n[make.spacer]\non = {w}\nthickness = {n}\noffset = {n}\n', '[[make]]\nname = "../up"\n[make.spacer]\non = {w}\nthickness = 1\n',
    '[[make]]\nname = "jig"\ngap = {n}\n[make.printing]\nbed = [{n}, {n}]\n[make.template]\nseat = {w}\nmirror = true\n[[make.template.locate]]\npin = {w}\n'
    "[[make.template.guide]]\naxis = {w}\nface = {w}\ndrill = {n}\n",
)  # fmt: skip
_FILES = (
    "scan.stl",
    "none.stl",
    ".",
    "drum",
    "layout.toml",
    "../../../etc/passwd",
    "/dev/zero",
    "pipe",
    "a\\u0000b",
    "x" * 300,
    "wide.step",
    "loop",
)


def layout_words(data: bytes, random: Random) -> bytes:
    """A layout with other figures, other features, other tables."""
    rows = data.decode().split("\n")

    def filled(text: str) -> str:
        while any(mark in text for mark in ("{n}", "{w}", "{f}", "{p}")):
            text = text.replace("{n}", pick(random, _NUMBERS), 1).replace("{w}", pick(random, _FEATURES), 1)
            text = text.replace("{f}", pick(random, _FILES), 1).replace(
                "{p}", pick(random, ("rod", "ring", "drum", "lump", "flat", "nobody")), 1
            )
        return text

    for _ in range(int(random.integers(1, 4))):
        keyed = [k for k, row in enumerate(rows) if " = " in row]
        what = random.random()
        if what < 0.6 and keyed:
            at = pick(random, keyed)
            key, _, old = rows[at].partition(" = ")
            values = _FEATURES if old.startswith('"') else _MATRICES if key == "at" else _NUMBERS
            if "{" in old or "[[" in old:  # one figure or word of an inner table
                inner = [k for k, c in enumerate(old) if c.isdigit() and not old[k - 1].isdigit()]
                k = pick(random, inner)
                end = next((j for j in range(k, len(old)) if old[j] not in "0123456789."), len(old))
                rows[at] = (
                    f"{key} = {old[:k]}{pick(random, values if values is not _FEATURES else _NUMBERS)}{old[end:]}"
                )
            else:
                rows[at] = f"{key} = {pick(random, values)}"
        elif what < 0.7 and keyed:
            del rows[pick(random, keyed)]
        elif what < 0.8:
            rows[len(rows) :] = [pick(random, _LINES)]
        else:
            rows += filled(pick(random, _MORE)).split("\n")
    return "\n".join(rows).encode("utf-8", "replace")


def layout_figures(data: bytes, random: Random) -> bytes:
    """A layout whose every setting has its type, with other figures, and other words where those of that part stand."""
    text = data.decode()
    for _ in range(int(random.integers(1, 5))):
        there = list(re.finditer(r"(?<![A-Za-z\d.])-?\d+(\.\d+)?(?![A-Za-z\d.])", text))
        one = pick(random, there)
        value = float(one[0])
        if random.random() < 0.3:
            value = pick(random, (0.0, -value, value * 10.0 ** random.uniform(-12, 12)))
        else:
            value = pick(random, (value * random.uniform(0.2, 3.0), value + random.normal()))
        text = f"{text[: one.start()]}{int(value) if one[1] is None and abs(value) < 1e6 else f'{value:.9g}'}{text[one.end() :]}"
    swaps = (
        ("start", "end"), ("end", "start"), ("axis = ", "about = "), ("H7/f7", pick(random, ("H7/s6", "H11/c11", "H7", "P7/h6", "H7/f99", "H1/a13"))), ("M6", "M64"),
        ("face nearest", "bore nearest"), ('along = "rod: axis"', 'about = "rod: axis"'), ("way = ", "#"), ("depth", "to"), ("through = true", "depth = 3"),
        ("depth = 25", "through = true"), ("on = ", "way = \"same\"\non = "), ("mm", "in"), ("bore = ", "counterbore = "), ("least", "at_least"), ("gap = ", "turn = "),
    )  # fmt: skip
    if random.random() < 0.4:
        text = text.replace(*pick(random, [swap for swap in swaps if swap[0] in text] or [("", "")]), 1)
    return text.encode()


def layout_joined(data: bytes, random: Random) -> bytes:
    """Two layouts in one: names twice, tables twice, questions of one to parts of the other."""
    other = pick(random, LAYOUTS)
    for name in ("rod", "ring", "drum"):
        if random.random() < 0.5:
            other_name = pick(random, (name.upper(), name + "s", '"«x»"', "placed", "rod-cut"))
            other = other.replace(f"part.{name}", f"part.{other_name}")
    return data + b"\n" + other.encode()


def scan_list(_: bytes, random: Random) -> bytes:
    """A list for a batch: names twice, of what is none, of what is no scan, and broken text."""
    names = [
        "scan.stl", "./scan.stl", "second.stl", "sub/scan.stl", "SCAN.STL", "# note", "", "  scan.stl  ", "broken.stl", "none.stl", ".", "sub", "..", "drum",
        "job.toml", "list.txt", "batch.json", "/dev/zero", "/dev/null", "pipe.stl", "loop.stl", "link.stl", "\x00", "\x1b[31m.stl", "x" * 300 + ".stl", "ü\udcff.stl",
        "work.stl", "names.json", "-.stl", "=1+1.stl", "<b>.stl", "scan.stl\r", "\ufeffscan.stl", "scan.stl # first", '"scan.stl"', "~", "$HOME", "*.stl", "a\tb.stl",
    ]  # fmt: skip
    rows = [names[k] for k in random.permutation(len(names))[: int(random.integers(1, 5))]]
    if random.random() < 0.02:
        rows = ["none.stl"] * 3000
    if random.random() < 0.7 and "scan.stl" not in rows:
        rows.insert(int(random.integers(len(rows) + 1)), "scan.stl")
    text = pick(random, ("\n", "\n", "\r\n", "\r", "\v", "\u2028")).join(rows)
    coding = pick(random, ("utf-8", "utf-8", "utf-8", "utf-16", "latin-1"))
    return text.encode(coding, "surrogateescape" if coding == "utf-8" else "replace")


def datum_tree(data: bytes, random: Random) -> bytes:
    """A datum file of sound JSON and other figures: a few of its numbers, no other type of value."""
    tree = json.loads(data)
    for _ in range(int(random.integers(1, 6))):
        node = tree
        for _depth in range(12):
            keys = list(node) if isinstance(node, dict) else list(range(len(node)))
            if not keys:
                break
            key = pick(random, keys)
            value = node[key]
            if isinstance(value, (dict, list)):
                node = value
                continue
            if isinstance(value, (int, float)) and not isinstance(value, bool):
                node[key] = pick(random, (0, -value, value * 1e9, value * 1e-9, 1e300, value + 1, float("nan"), 10**30))
            elif isinstance(value, str):
                node[key] = pick(random, ("", value + "x", "../x", "S1", "F1", "\x00", "[0, 0, 0]", "a" * 5000))
            break
    return json.dumps(tree).encode()


SOUND = tuple(layout.encode() for layout in LAYOUTS)
for _layout in LAYOUTS:
    tomllib.loads(_layout)  # each is sound
