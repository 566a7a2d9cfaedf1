"""Mutators: a seed's bytes and a random generator to a mutant's bytes, some blind, most knowing the form's structure."""

# ruff: noqa: E501
from __future__ import annotations

import io
import json
import re
import struct
import zipfile
from collections.abc import Callable

import numpy as np

from tests.campaign.seeds import JOB, files, part, stl, zip_of

Random = np.random.Generator
Mutator = Callable[[bytes, Random], bytes]

HUGE = (-1, 0, 1, 2, 255, 256, 2**15, 2**31 - 1, 2**31, 2**32 - 1, 2**53, 2**62, 2**63, 2**64, -(2**31), -(2**63))
WORDS = (
    "nan", "-nan", "inf", "-inf", "1e999", "-1e999", "1e-999", "1e38", "1e-42", "0x1p3", "1,5", "--1", "", "1e", ".",
    "+", "abc", "1e+", "٣", "1.7976931348623157e308", "\x00", "\x1b[31m", "9" * 400, "0." + "0" * 400 + "1", "//", "1//1",
)  # fmt: skip


def pick(random: Random, items):  # type: ignore[no-untyped-def]
    return items[int(random.integers(len(items)))]


def blind(data: bytes, random: Random) -> bytes:
    """Bits flipped, bytes set, pieces cut, doubled, moved, or put in from elsewhere."""
    made = bytearray(data)
    for _ in range(int(random.integers(1, 5))):
        at = int(random.integers(len(made) + 1))
        # Heads are where the structure is.
        at = at if random.random() < 0.5 else min(at, int(random.integers(1, 400)))
        length = int(2 ** random.uniform(0, 10))
        what = int(random.integers(7))
        if what == 0 and at < len(made):
            made[at] ^= 1 << int(random.integers(8))
        elif what == 1:
            made[at : at + length] = bytes([pick(random, (0, 255, 127, 10, 32))]) * min(length, 64)
        elif what == 2:
            del made[at:]
        elif what == 3:
            del made[at : at + length]
        elif what == 4:
            made[at:at] = made[at : at + length]
        elif what == 5:
            made[at:at] = random.bytes(min(length, 64))
        else:
            other = pick(random, list(files().values()))
            start = int(random.integers(len(other)))
            made[at : at + length] = other[start : start + length]
    return bytes(made)


def another_form(_: bytes, random: Random) -> bytes:
    """A sound file of another form under this one's name."""
    return pick(random, [*files().values(), b"", b"\0" * 500, JOB.encode(), "\ufeffOFF\n".encode("utf-16")])


def tokens(data: bytes, random: Random) -> bytes:
    """Words of a text file replaced by what a careless reader trips over."""
    parts = re.split(rb"(\s+)", data)
    for _ in range(int(random.integers(1, 4))):
        at = int(random.integers(len(parts)))
        at = at if random.random() < 0.5 else min(at, int(random.integers(1, 40)))
        parts[at] = pick(random, [*WORDS, *map(str, HUGE)]).encode()
    return b"".join(parts)


def lines(data: bytes, random: Random) -> bytes:
    """Lines left out, doubled, swapped, joined, or ended in another way."""
    rows = data.split(b"\n")
    for _ in range(int(random.integers(1, 4))):
        at = int(random.integers(max(len(rows), 1)))
        at = at if random.random() < 0.5 else min(at, int(random.integers(1, 20)))
        what = int(random.integers(5))
        if what == 0:
            del rows[at : at + 1]
        elif what == 1:
            rows[at:at] = rows[at : at + 3]
        elif what == 2:
            rows[at : at + 2] = [b" ".join(rows[at : at + 2])]
        elif what == 3:
            rows[at:at] = [random.bytes(20).replace(b"\n", b" ")]
        else:
            rows[at : at + 1] = [b"x" * int(10 ** random.uniform(1, 5))]
    return pick(random, (b"\n", b"\n", b"\r\n", b"\r")).join(rows)


def shapes(_: bytes, random: Random) -> bytes:
    """An STL whose numbers are sound and whose shape is not: spikes, wild facets, scales, soups, flat things."""
    vertices, faces = part()
    corners = vertices[faces].astype(np.float64)
    what = int(random.integers(13))
    far = float(10.0 ** random.uniform(2, 38))
    few = random.integers(len(corners), size=int(random.integers(1, 6)))
    ways = random.normal(size=3)
    ways /= np.linalg.norm(ways)
    if what == 0:  # one vertex, in all its facets
        moved = vertices.copy()
        moved[int(random.integers(len(moved)))] = far * ways
        corners = moved[faces]
    elif what == 1:  # wild facets beside the part
        corners = np.concatenate([corners, far * random.normal(size=(len(few), 3, 3))])
    elif what == 2:  # torn corners
        corners[few, int(random.integers(3))] = far * ways
    elif what == 3:
        corners = corners * 10.0 ** random.uniform(-45, 38)
    elif what == 4:
        corners = corners * np.array([1.0, 1.0, pick(random, (0.0, 1e-30, 1e-9, 1e9, 1e30))])
    elif what == 5:
        corners = random.normal(size=(int(random.integers(1, 3000)), 3, 3)) * 10.0 ** random.uniform(-3, 3)
    elif what == 6:
        corners = np.repeat(corners, int(random.integers(2, 5)), axis=0)
    elif what == 7:
        wrong = random.random(len(corners)) < random.random()
        corners[wrong] = corners[wrong][:, ::-1]
    elif what == 8:
        corners = corners[random.random(len(corners)) < random.random()]
    elif what == 9:
        corners = corners + far * ways
    elif what == 10:
        corners = np.round(corners / (step := 10.0 ** random.uniform(-2, 2))) * step
    elif what == 11:
        corners = np.concatenate([corners, corners * 1.0001, corners + 0.003])
    else:  # a second piece very far off
        corners = np.concatenate([corners, corners + far * ways])
    return stl(corners)


def counts(data: bytes, random: Random) -> bytes:
    """A binary STL whose count lies."""
    made = bytearray(data)
    made[80:84] = struct.pack("<I", pick(random, (0, 1, 767, 769, 2**31, 2**32 - 1)))
    return bytes(made[: pick(random, (len(made), 84, 83, 134, len(made) - 1))])


def bad_numbers(data: bytes, random: Random) -> bytes:
    """A binary STL with a few corners that are no numbers, or hardly."""
    made = bytearray(data)
    for _ in range(int(random.integers(1, 4))):
        at = 84 + 50 * int(random.integers((len(made) - 84) // 50)) + 4 * int(random.integers(12))
        made[at : at + 4] = struct.pack(
            "<I", pick(random, (0x7FC00000, 0x7F800000, 0xFF800000, 1, 0x7F7FFFFF, 0x80000000))
        )
    return bytes(made)


def ply_header(data: bytes, random: Random) -> bytes:
    """A PLY whose header declares other things than the body holds."""
    head, mark, body = data.partition(b"end_header")
    rows = head.split(b"\n")
    more = (
        "element vertex {n}", "element face {n}", "element edge {n}", "property list uchar int vertex_indices",
        "property list double int vertex_indices", "property list int double vertex_indices", "property float x",
        "property list list uchar int a", "property uchar origin", "format ascii 1.0", "format binary_big_endian 1.0",
        "format binary_little_endian 9.9", "comment \x00\x1b[31m <script>", "property int", "property", "element",
        "property list uint8 uint8 vertex_index", "element {n} 3", "obj_info x", "property long x", "element face -{n}",
    )  # fmt: skip
    for _ in range(int(random.integers(1, 3))):
        at = int(random.integers(1, len(rows)))
        text = pick(random, more).format(n=pick(random, HUGE)).encode()
        rows[at : at + int(random.integers(2))] = [text]
        if random.random() < 0.5:
            at = int(random.integers(1, len(rows)))
            rows[at] = re.sub(rb"\d+$", str(pick(random, HUGE)).encode(), rows[at])
    return b"\n".join(rows) + mark + body


def ply_lists(data: bytes, random: Random) -> bytes:
    """A PLY with long list lengths: of other types, and with values that lead anywhere."""
    _, faces = part()
    size = pick(random, ("uchar", "char", "short", "ushort", "int", "uint"))
    vertices, _ = part()
    order = pick(random, ("<", ">"))
    code = {"uchar": "B", "char": "b", "short": "h", "ushort": "H", "int": "i", "uint": "I"}[size]
    head = (
        f"ply\nformat binary_{'little' if order == '<' else 'big'}_endian 1.0\nelement vertex {len(vertices)}\n"
        "property float x\nproperty float y\nproperty float z\n"
        f"element face {len(faces)}\nproperty list {size} int vertex_indices\nend_header\n"
    )
    body = bytearray(vertices.astype(f"{order}f4").tobytes())
    low, high = struct.calcsize(code), None
    for facet in faces:
        length = 3
        if random.random() < 0.003:
            bits = 8 * low - (code.islower())
            length = int(pick(random, (0, 1, 2, 4, 2**bits - 1, -1 if code.islower() else 5, high or 3)))
        body += struct.pack(f"{order}{code}", length) + struct.pack(f"{order}3i", *facet.tolist())
    return head.encode() + bytes(body)


def three_mf(data: bytes, random: Random) -> bytes:
    """A 3MF whose archive or model is not what it should be."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    name = next(n for n in members if n.endswith(".model"))
    model = members[name].decode()
    what = int(random.integers(14))
    if what == 0:
        members[name] = tokens(members[name], random)
    elif what == 1:
        model = re.sub(r'v1="\d+"', f'v1="{pick(random, HUGE)}"', model, count=1)
    elif what == 2:
        model = re.sub(r'x="[^"]*"', f'x="{pick(random, WORDS[:20])}"', model, count=1)
    elif what == 3:
        model = model.replace("millimeter", pick(random, ("furlong", "", "inch", "MICRON", "\u20ac")))
    elif what == 4:
        entities = "".join(f'<!ENTITY e{k} "{f"&e{k - 1};" * 10 if k else "ha" * 10}">' for k in range(9))
        model = model.replace("<model", f"<!DOCTYPE model [{entities}]>\n<model", 1).replace("light mesh", "&e8;")
    elif what == 5:
        model = model.replace("<model", '<!DOCTYPE m [<!ENTITY x SYSTEM "file:///etc/passwd">]>\n<model', 1)
        model = model.replace("light mesh", "&x;")
    elif what == 6:  # an object that holds itself
        loop = '<components><component objectid="2"/></components>'
        model = model.replace("</resources>", f'<object id="2" type="model">{loop}</object></resources>')
        model = model.replace('objectid="1"', 'objectid="2"')
    elif what == 7:
        text = " ".join(pick(random, WORDS[:20]) if random.random() < 0.3 else "1" for _ in range(12))
        model = model.replace('objectid="1"', f'objectid="1" transform="{text}"')
    elif what == 8:
        members = {pick(random, ("../../up.model", "/abs.model", "a\x00b.model", "x" * 300 + ".model")): members[name]}
    elif what == 9:  # swells by the thousand
        members[name] = model.replace("<resources>", "<resources>" + " " * 30_000_000).encode()
    elif what == 10:
        model = model[: int(random.integers(len(model)))]
    elif what == 11:
        model = "<a>" * int(10 ** random.uniform(2, 5)) + model
    elif what == 12:
        model = re.sub(r"<triangles>.*</triangles>", "<triangles/>", model, flags=re.S)
    if what in (1, 2, 3, 4, 5, 6, 7, 10, 11, 12):
        members[name] = model.encode("utf-8", "replace")
    made = bytearray(zip_of(members))
    if what == 13:  # flags and methods of the archive: encrypted, unknown, other sizes
        for mark, flags, method, size in ((b"PK\x03\x04", 6, 8, 22), (b"PK\x01\x02", 8, 10, 24)):
            at = made.find(mark)
            while at >= 0:
                if random.random() < 0.7:
                    where = pick(random, (flags, method, size))
                    made[at + where] = pick(random, (1, 9, 12, 14, 99, 255))
                at = made.find(mark, at + 4)
    return bytes(made)


def _other_value(value: object, random: Random) -> object:
    values = [
        *HUGE,
        None,
        True,
        "x",
        "\x00",
        [],
        {},
        [1],
        -1.5,
        1e308,
        "../../etc/passwd",
        "http://127.0.0.1:9/x",
        "VEC2",
    ]
    values += ["MAT4", "SCALAR", 5120, 5121, 5123, 5125, 5126, 5127, float("nan"), [float("inf")] * 16, [0] * 3, value]
    return pick(random, values)


def _mutate_json(node: object, random: Random) -> None:
    """Change one thing somewhere in a tree of dicts and lists."""
    while isinstance(node, (dict, list)) and node:
        keys = list(node) if isinstance(node, dict) else list(range(len(node)))
        key = pick(random, keys)
        inner = node[key]  # type: ignore[call-overload,index]
        if isinstance(inner, (dict, list)) and inner and random.random() < 0.85:
            node = inner
            continue
        if random.random() < 0.2:
            del node[key]  # type: ignore[arg-type]
        else:
            node[key] = _other_value(inner, random)  # type: ignore[call-overload,index]
        return


def _crc(data: bytes) -> bytes:
    """CRC-32C (Castagnoli), as ASTM E2807 ends each page with it."""
    value = 0xFFFFFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ (0x82F63B78 if value & 1 else 0)
    return struct.pack(">I", value ^ 0xFFFFFFFF)


def e57_pages(data: bytes, random: Random) -> bytes:
    """An E57 whose pages are sound and whose contents are not: other numbers and names in its XML, other bytes."""
    pages = [bytearray(data[at : at + 1020]) for at in range(0, len(data), 1024)]
    flat = bytearray(b"".join(pages))
    for _ in range(int(random.integers(1, 4))):
        if random.random() < 0.7:
            found = list(re.finditer(rb"(?<=\")\d+(?=\")|(?<=>)[-\d.e+]+(?=<)|cartesian[XYZ]|Float|Structure", flat))
            if found:
                where = pick(random, found)
                new = pick(random, [*WORDS[:12], *map(str, HUGE)]).encode("utf-8", "replace")
                width = where.end() - where.start()
                flat[where.start() : where.end()] = new[:width].ljust(width)
        else:
            at = int(random.integers(min(len(flat), 4000)))
            flat[at] = int(random.integers(256))
    out = bytearray()
    for at in range(0, len(flat), 1020):
        page = bytes(flat[at : at + 1020])
        out += page + (_crc(page) if page != data[at // 1020 * 1024 :][:1020] else data[at // 1020 * 1024 + 1020 :][:4])
    return bytes(out)


def json_tree(data: bytes, random: Random) -> bytes:
    """A JSON file with values of other types, sizes and ranges."""
    try:
        tree = json.loads(data)
    except ValueError:
        return blind(data, random)
    for _ in range(int(random.integers(1, 4))):
        _mutate_json(tree, random)
    return json.dumps(tree).encode()


def gltf_tree(data: bytes, random: Random) -> bytes:
    """A glTF whose tree leads to nowhere, in circles or too far; also in its binary form."""
    binary = data[:4] == b"glTF"
    length = struct.unpack("<I", data[12:16])[0] if binary else 0
    tree = json.loads(data[20 : 20 + length] if binary else data)
    what = int(random.integers(8))
    if what == 0 and tree.get("nodes"):
        tree["nodes"][0]["children"] = [0]
    elif what == 1:
        tree["accessors"][0]["count"] = pick(random, HUGE)
    elif what == 2:
        tree["bufferViews"][0][pick(random, ("byteOffset", "byteLength", "byteStride", "buffer"))] = pick(random, HUGE)
    elif what == 3:
        tree["meshes"][0]["primitives"][0]["mode"] = pick(random, (0, 1, 2, 3, 5, 6, 7, -1, "4"))
    elif what == 4 and tree.get("nodes"):
        tree["nodes"][-1]["matrix"] = [pick(random, (0, 1, float("nan"), 1e38, 1e308, -1)) for _ in range(16)]
    elif what == 5:
        tree["accessors"].append({"componentType": 5126, "type": "VEC3", "count": pick(random, HUGE)})
        tree["meshes"][0]["primitives"][0]["attributes"]["POSITION"] = len(tree["accessors"]) - 1
    elif what == 6:
        many = [dict(node) for node in tree["nodes"]]
        tree["nodes"] = many + [{"mesh": 0}] * 5000
        tree["scenes"] = [{"nodes": list(range(len(tree["nodes"])))}]
    else:
        for _ in range(int(random.integers(1, 4))):
            _mutate_json(tree, random)
    text = json.dumps(tree).encode()
    if not binary:
        return text
    text += b" " * (-len(text) % 4)
    said = pick(random, (len(text),) * 8 + (0, 2**31, len(text) - 4))
    rest = data[20 + length :]
    return data[:8] + struct.pack("<II", 20 + len(text) + len(rest), said) + data[16:20] + text + rest


def toml_values(data: bytes, random: Random) -> bytes:
    """A job file with other values for its keys."""
    values = (
        "nan", "inf", "-inf", "-1", "0", "1e308", "1e-308", "0.0", "2e70", str(2**70), '""', '"\\u0000"', '"\\u001b[31m"',
        '"' + "x" * 3000 + '"', "[]", "{}", "[[[1]]]", "true", "1979-05-27T07:32:00Z", '"<script>alert(1)</script>"',
        '"=1+1"', '"../../x"', '"/proc/x/y"', '"scan: [1, 2]"', '"scan: [nan, 0, 0]"', "[1e308, 1e308, 1e308]", '"F1"',
        "[0, 0, 0]", '"middle of F1 and F1"', '"bore nearest scan: [0, 0, 0]"', '"point [0, 0, 0]"', "'\ud7ff'", "100",
        '"common axis of F1 and F1"', '"crossing of F1 and S1"', '"out of C"', '"sharp"', '"in"', '"m"', '"S1"', "1e-9",
    )  # fmt: skip
    more = (
        "[[caliper]]\nfeature = {v}\ndiameter = {v}\n", "[[refit]]\nfeature = {v}\nradius = {v}\n", "title = {v}\n",
        "[[recover.accept]]\nnear = {v}\nkind = \"plane\"\n", "[[fill.gaps]]\nid = {v}\ndo = \"close\"\n", "out = {v}\n",
        "[names]\nS1 = {v}\nF2 = {v}\n", "[recover]\nkinds = {v}\n", "[frame]\nA = {v}\nB = {v}\nC = {v}\nx = {v}\n",
        "[[clean.exclude]]\nshape = \"box\"\nlow = {v}\nhigh = {v}\n", "x = " + "[" * 3000 + "]" * 3000 + "\n", "{v} = {v}\n",
        "[[clean.exclude]]\nshape = \"half-space\"\npoint = {v}\ndirection = {v}\n", "[lighten]\ntolerance = {v}\n",
        "[export]\nmeshes = [\"obj\", \"3mf\", \"glb\"]\nsolid = true\nskin = {v}\n", "# \x00\n", "[[names]]\n", "a.b.c = {v}\n",
    )  # fmt: skip
    rows = data.decode("utf-8", "replace").split("\n")
    for _ in range(int(random.integers(1, 4))):
        keyed = [k for k, row in enumerate(rows) if "=" in row]
        if keyed and random.random() < 0.6:
            at = pick(random, keyed)
            rows[at] = f"{rows[at].partition('=')[0]}= {pick(random, values)}"
        else:
            text = pick(random, more).replace("{v}", pick(random, values))
            at = pick(random, (0, len(rows)))
            rows[at:at] = text.split("\n")
    return "\n".join(rows).encode("utf-8", "replace")


TEXT: tuple[Mutator, ...] = (tokens, tokens, lines, blind, another_form)
MUTATORS: dict[str, tuple[Mutator, ...]] = {
    "scan.stl": (shapes, shapes, shapes, shapes, counts, bad_numbers, blind, another_form),
    "text.stl": TEXT,
    "plain.ply": (ply_header, ply_header, ply_lists, ply_lists, blind, another_form),
    "ours.ply": (ply_header, blind),
    "text.ply": (ply_header, *TEXT),
    "scan.obj": TEXT,
    "scan.off": TEXT,
    "points.xyz": TEXT,
    "points.csv": TEXT,
    "points.ply": (ply_header, ply_header, blind, another_form),
    "points.e57": (e57_pages, e57_pages, e57_pages, blind, another_form),
    "scan.3mf": (three_mf, three_mf, three_mf, blind, another_form),
    "scan.glb": (gltf_tree, gltf_tree, gltf_tree, blind, another_form),
    "scan.gltf": (gltf_tree, gltf_tree, json_tree, tokens, blind),
    "job.toml": (toml_values, toml_values, toml_values, tokens, lines, blind),
}


def mutant(kind: str, seed: int) -> tuple[str, bytes]:
    """(name of the mutator, bytes) of the mutant of a seed file by its number; the same every time."""
    random = np.random.default_rng([sum(map(ord, kind)), seed])
    mutate = pick(random, MUTATORS[kind])
    data = JOB.encode() if kind == "job.toml" else files()[kind]
    return mutate.__name__, mutate(data, random)
