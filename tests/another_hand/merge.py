"""Joins truth.d/*.json to truth.json and adds the direction of the smear (degrees from the dispersion, 0 = across the lines, 90 = along the slit)."""

import json, os, numpy as np, draw as D
from lights import spectrum

out = []
for b in D.BENCHES:
    f = f"{D.HERE}/truth.d/{b}.json"
    if not os.path.exists(f):
        continue
    B = D.make_bench(b)
    for i, x in enumerate(json.load(open(f))):
        if x["fault"] == "moved":
            J, r = D.photo_state(B, x["photo"][:-4], i)
            spectrum(J["light"], r, B["n"])
            a = np.degrees(r.uniform(0, np.pi)) - J["roll"]
            x["moved_direction_deg"] = round(float((a + 90) % 180 - 90), 1)
            print(b, x["photo"], x["fault_size"], x["moved_direction_deg"])
        out.append(x)
json.dump(out, open(f"{D.HERE}/truth.json", "w"), indent=1)
from collections import Counter

print(
    len(out),
    "photos,",
    sum(x["fault"] is None for x in out),
    "sound;",
    Counter(x["fault"] for x in out),
    "lines",
    sum(len(x["lines_nm"]) for x in out if x["fault"] is None),
)
