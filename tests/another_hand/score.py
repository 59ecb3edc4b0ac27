#!/usr/bin/env python3
"""Scores a results tree against truth.json. Standard library only.
usage: score.py RESULTS [--tube MM]     --tube: the tube length the program was told (its slit widths are then rescaled to the true one)

Sound photos must be `good` or `caution`; photos with a fault must not be `good`.
Tilt: the sign and the quarter turn are conventions, so both |tilt| folded to 45 degrees and the signed difference are given.
"""

import csv, json, os, sys

here = os.environ.get(
    "HAND", os.path.join(os.path.dirname(os.path.abspath(__file__)), "../../target/another_hand")
)
args = sys.argv[1:]
tube = None
if "--tube" in args:
    i = args.index("--tube")
    tube = float(args[i + 1])
    del args[i : i + 2]
if len(args) != 1:
    sys.exit(__doc__)
res = args[0]
EXPECT = {
    "saturated": "clipped",
    "dim": "dim",
    "defocused": "defocused",
    "moved": "moved",
    "tilted": "tilted",
    "slit-wide": "slit-wide",
    "leak": "leak",
    "cropped": "cropped",
    "no-spectrum": "no-spectrum",
}


def pct(v, p):
    v = sorted(v)
    return v[min(len(v) - 1, int(p / 100 * len(v)))] if v else float("nan")


share = lambda v, k: sum(x < k for x in v) / len(v) if v else float("nan")
fold = lambda a: (a + 45) % 90 - 45
refused, missed, othercode, lost, missing = [], [], [], [], []
err, z, slit, slit_z, tilt, tilt_signed = [], [], [], [], [], []
noslit = notilt = 0
bench_err, bench_cal, bench_slit, blend_err, calz = {}, {}, {}, [], []
faults_err = []
nsound = nfault = nlines = 0
for t in json.load(open(os.path.join(here, "truth.json"))):
    name = f"{t['bench']}/{t['photo']}"
    d = os.path.join(res, t["bench"], t["photo"])
    try:
        q = json.load(open(os.path.join(d, "quality.json")))
    except OSError:
        missing.append(name)
        continue
    codes = [r["code"] for r in q.get("reasons", [])]
    m = q.get("metrics", {})
    v = q["verdict"]
    sound = t["fault"] is None
    if sound:
        nsound += 1
        if v not in ("good", "caution"):
            refused.append(f"{name}: {v} {codes}")
    else:
        nfault += 1
        line = f"{name}: {t['fault']} {t['fault_size']} -> {v} {codes}"
        if v == "good":
            missed.append(line)
        elif EXPECT[t["fault"]] not in codes:
            othercode.append(line)
    p = os.path.join(d, "peaks.csv")
    peaks = list(csv.DictReader(open(p))) if os.path.exists(p) else []
    row = []
    for w, isolated in [(w, True) for w in t["lines_nm"]] + [(w, False) for w in t["blends_nm"]]:
        best = min(peaks, key=lambda r: abs(float(r["centre_nm"]) - w), default=None)
        if isolated and sound:
            nlines += 1
        if best is None or abs(float(best["centre_nm"]) - w) > max(2, t.get("bandpass_nm", 0)):
            if isolated and sound:
                lost.append(f"{name} {w} ({v})")
            row.append(f"{w:.0f}:lost")
            continue
        e = float(best["centre_nm"]) - w
        s = float(best["centre_sigma_nm"] or "nan")
        row.append(f"{w:.0f}{'' if isolated else 'b'}:{e:+.2f}")
        if not sound:
            faults_err.append(abs(e)) if isolated else None
            continue
        if not isolated:
            blend_err.append(abs(e))
            continue
        if t["light"] == "cfl":
            bench_cal.setdefault(t["bench"], []).append(e)
            calz.append(abs(e) / s)
            continue
        err.append((abs(e), name, w, e))
        z.append(abs(e) / s)
        bench_err.setdefault(t["bench"], []).append(e)
    if sound:
        if "slit_width_um" in m:
            k = t["tube_mm"] / tube if tube else 1
            g = m["slit_width_um"] * k - t["slit_um"]
            slit.append(abs(g) / t["slit_um"])
            slit_z.append(abs(g) / (m["slit_width_um_sigma"] * k))
            bench_slit.setdefault(t["bench"], []).append(m["slit_width_um"] * k / t["slit_um"])
        else:
            noslit += 1
        if "tilt_deg" in m:
            tilt.append(abs(abs(fold(m["tilt_deg"])) - abs(t["roll_deg"])))
            tilt_signed.append((fold(m["tilt_deg"] - t["roll_deg"]), fold(m["tilt_deg"] + t["roll_deg"])))
        else:
            notilt += 1
    print(
        f"{name:24} {v:8} {('['+t['fault']+']') if t['fault'] else '':13} {','.join(codes):32} {' '.join(row)}"
    )
e = [x[0] for x in err]
print(f"\nsound photos {nsound}: refused {len(refused)}")
[print("  " + x) for x in refused]
print(f"photos with a fault {nfault}: missed (good) {len(missed)}")
[print("  " + x) for x in missed]
print(f"  not good, but without the code of the fault: {len(othercode)}")
[print("  " + x) for x in othercode]
print(f"lines of sound photos {nlines}: lost {len(lost)}")
[print("  " + x) for x in lost]
print(
    f"lines of other lamps, sound: {len(e)} found; |error| median {pct(e, 50):.3f}, 95 % {pct(e, 95):.3f}, largest {max(e, default=float('nan')):.3f} nm; within 1 sigma {share(z, 1):.2f}, 2 sigma {share(z, 2):.2f}"
)
print(
    f"lamp lines: |error| median {pct([abs(x) for v in bench_cal.values() for x in v], 50):.3f} nm; within 2 sigma {share(calz, 2):.2f};  blends: {len(blend_err)} found, |error| median {pct(blend_err, 50):.3f} nm;  lines in faulty photos: median {pct(faults_err, 50):.3f}, 95 % {pct(faults_err, 95):.3f} nm"
)
for x in sorted(err, reverse=True)[:12]:
    print(f"  worst: {x[1]} {x[2]} {x[3]:+.3f}")
for b in sorted(set(bench_err) | set(bench_cal)):
    print(
        f"  {b:10} median signed error {pct(bench_err.get(b, []), 50):+.3f} nm over {len(bench_err.get(b, []))} lines, lamp {pct(bench_cal.get(b, []), 50):+.3f}; slit measured/true {pct(bench_slit.get(b, []), 50):.2f}"
    )
print(
    f"slit width: {len(slit)} given, {noslit} not; |error| median {100 * pct(slit, 50):.0f} %, 95 % {100 * pct(slit, 95):.0f} %; within 1 sigma {share(slit_z, 1):.2f}, 2 sigma {share(slit_z, 2):.2f}"
)
a, b = [abs(x[0]) for x in tilt_signed], [abs(x[1]) for x in tilt_signed]
print(
    f"tilt: {len(tilt)} given, {notilt} not; ||tilt| - |roll|| median {pct(tilt, 50):.2f}, 95 % {pct(tilt, 95):.2f} deg; tilt - roll median {pct(a, 50):.2f}, tilt + roll median {pct(b, 50):.2f} deg (the smaller is the program's sign)"
)
if missing:
    print(f"no result for {len(missing)}: " + ", ".join(missing))
