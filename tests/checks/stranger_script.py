"""What someone who knows only the published schema would write: a pilot hole down the main bore.

python stranger_script.py datums.json 6.0      prints the hole at both ends of the bore, part frame, mm
"""

import json
import math
import sys

with open(sys.argv[1], encoding="utf-8") as file:
    data = json.load(file)
drill = float(sys.argv[2])
assert data["schema_version"].split(".")[0] == "1"
assert data["units"] == {"length": "mm", "angle": "deg"}
bores = [f for f in data["features"] if f["kind"] == "cylinder" and f["side"] == "bore"]
main = max(bores, key=lambda f: f["extent"]["area"])
rows = data["frame"]["matrix"]
point = [sum(r[k] * main["point"][k] for k in range(3)) + r[3] for r in rows[:3]]
axis = [sum(r[k] * main["direction"][k] for k in range(3)) for r in rows[:3]]
assert math.dist(point, main["in_part_frame"]["point"]) < 1e-9
assert math.dist(axis, main["in_part_frame"]["direction"]) < 1e-12
half = main["extent"]["length"] / 2
mouths = [[p + s * half * a for p, a in zip(point, axis, strict=True)] for s in (-1, 1)]
print(json.dumps({"bore": main["id"], "mouths": mouths, "radius": drill / 2, "room": main["radius"] - drill / 2}))
