#!/usr/bin/env python3
"""Draws photographs of hand-made spectroscopes taken with phones. usage: draw.py [BENCH ...]   (all without arguments)"""

import io, json, os, sys, time, datetime
import numpy as np, cv2, piexif
from PIL import Image
from scipy.ndimage import gaussian_filter1d
import optics as O
from lights import GRID, L0, DL, spectrum, sensor

cv2.setNumThreads(1)
# Photos and truth go here.
HERE = os.environ.get(
    "HAND", os.path.join(os.path.dirname(os.path.abspath(__file__)), "../../target/another_hand")
)
BENCHES = ["alder", "birch", "cedar", "dogwood", "elm", "fir", "gorse", "hazel"]
DVD = {"cedar", "gorse"}
ORDER = [
    "lamp",
    "helium",
    "neon",
    "hydrogen",
    "sodium",
    "cadmium",
    "whiteled",
    "bulb",
    "laser",
    "dye",
    "colourled",
    "sky",
]
KIND = dict(lamp="cfl")
EXTRA = {
    "alder": ["lamp", "helium", "neon"],
    "birch": ["lamp", "cadmium", "room"],
    "cedar": ["lamp", "helium"],
    "dogwood": ["lamp", "neon", "helium"],
    "elm": ["lamp", "lamp", "hydrogen"],
    "fir": ["lamp", "room", "cadmium"],
    "gorse": ["lamp", "helium", "neon"],
    "hazel": ["lamp", "helium", "whiteled"],
}
FAULT = {  # photo: (fault, size) ; sizes: stops, stops, px, px, degrees, um, share of full scale, kind
    "alder": {"helium-02": ("saturated", 4), "neon-02": ("defocused", 16), "dye-01": ("slit-wide", 1000)},
    "birch": {
        "cadmium-02": ("moved", 30),
        "sodium-01": ("dim", 6),
        "room-01": ("no-spectrum", 1),
        "hydrogen-01": ("tilted", 11),
    },
    "cedar": {"helium-02": ("cropped", 1), "bulb-01": ("saturated", 6), "neon-01": ("moved", 22)},
    "dogwood": {
        "neon-02": ("slit-wide", 1000),
        "helium-02": ("leak", 0.18),
        "whiteled-01": ("tilted", -14),
        "laser-01": ("dim", 8),
    },
    "elm": {
        "lamp-02": ("defocused", 20),
        "hydrogen-02": ("cropped", 2),
        "dye-01": ("dim", 7),
        "cadmium-01": ("saturated", 2.5),
    },
    "fir": {"room-01": ("no-spectrum", 2), "cadmium-02": ("leak", 0.08), "colourled-01": ("moved", 38)},
    "gorse": {
        "helium-02": ("defocused", 13),
        "neon-02": ("tilted", 9),
        "hydrogen-01": ("dim", 5),
        "lamp-02": ("slit-wide", 1000),
    },
    "hazel": {
        "helium-02": ("moved", 17),
        "whiteled-02": ("saturated", 8),
        "lamp-02": ("cropped", 3),
        "sky-01": ("leak", 0.3),
    },
}


def rot(axis, deg):
    a = np.radians(deg)
    c, s = np.cos(a), np.sin(a)
    return np.array(
        {
            "x": [[1, 0, 0], [0, c, -s], [0, s, c]],
            "y": [[c, 0, s], [0, 1, 0], [-s, 0, c]],
            "z": [[c, -s, 0], [s, c, 0], [0, 0, 1]],
        }[axis]
    )


def make_bench(name):
    n = BENCHES.index(name)
    r = np.random.default_rng(4100 + n)
    dvd = name in DVD
    B = dict(name=name, n=n, dvd=dvd)
    B["W"], B["H"] = (4000, 3000) if n % 3 != 1 else (4032, 3024)
    f35 = int(r.integers(23, 29)) if not dvd else int(r.integers(23, 26))
    if name == "elm":
        f35 = 23  # dispersion along the short side: it must fit
    B["f35"] = f35
    B["f"] = float(
        np.clip(
            f35 / 43.267 * np.hypot(B["W"], B["H"]) * r.uniform(0.98, 1.02), 2600, 3400 if not dvd else 2950
        )
    )
    B["d"] = float(r.uniform(1550, 1650)) if not dvd else float(r.uniform(733, 747))
    B["tube"] = float(np.round(r.uniform(200, 350)))
    B["slit"] = float(np.round([80, 130, 180, 220, 160, 320, 110, 480][n] * r.uniform(0.95, 1.05)))
    B["length"] = float(np.round(r.uniform(15, 30), 1))
    B["R"] = float(r.uniform(24, 58))
    B["side"] = int(r.choice([-1, 1]))
    B["h"] = float(r.uniform(3, 8))
    B["D"] = float(r.uniform(1.7, 4.0 if not dvd else 3.0))
    B["N"] = float(r.choice([1.5, 1.6, 1.8, 1.9, 2.2]))
    B["k1"] = float(r.uniform(-0.03, 0.03))
    B["pp"] = r.normal(0, 9, 2)
    B["coma"], B["curv"] = float(r.uniform(-3, 3)), float(r.uniform(-5, 5))
    B["lat"] = (float(r.normal(0, 2.5e-4)), float(r.normal(0, 1.2e-4)))
    B["blur"] = float(r.uniform(0.6, 1.1))
    B["theta"] = float(
        np.degrees(np.arcsin(r.uniform(-0.035, 0.035) if not dvd else r.uniform(-0.465, -0.435)))
    )
    B["beta"] = float(r.uniform(-0.03, 0.03))
    B["skew"] = float(r.normal(0, 0.35))
    B["roll"] = float(r.uniform(-4.5, 4.5))
    B["yaw"] = float(r.uniform(-1.5, 1.5))
    B["pitch"] = float(r.uniform(-1.5, 1.5))
    B["turn"] = {"dogwood": 180, "elm": 90, "fir": 90}.get(name, 0)  # how the phone as a whole is held
    B["mirror"] = name in ("birch", "hazel")
    B["orient"] = {"dogwood": 3, "elm": 6, "hazel": 1, "fir": 8, "alder": 1}.get(name, 1)
    if name == "fir":
        B["turn"], B["orient"] = 0, 6  # landscape instrument whose photo is shown upright
    e = [1.0, float(np.exp(r.uniform(np.log(0.1), np.log(0.9))))]
    B["eff"] = dict(zip((1, -1), e if r.random() < 0.5 else e[::-1]))
    B["eff"][0] = r.uniform(3, 12)
    B["eff"][2] = r.uniform(0.03, 0.12)
    B["eff"][-2] = 0.03
    B["efftilt"] = {m: r.normal(0, 0.25) for m in (-2, -1, 0, 1, 2)}
    B["wedge"] = float(r.uniform(-0.12, 0.12)) if r.random() < 0.6 else 0.0
    B["sens"] = sensor(r)
    m = np.array([[1.55, -0.42, -0.13], [-0.22, 1.45, -0.23], [0.02, -0.52, 1.5]])
    B["ccm"] = np.eye(3) + (m - np.eye(3)) * r.uniform(0.6, 1.1)
    white = np.array([(s * (560 / GRID) ** r.uniform(0, 1.5)).sum() for s in B["sens"]])
    B["wb"] = white[1] / white
    B["well"] = float(r.uniform(3000, 7000))
    B["read"] = float(r.uniform(1.5, 4))
    B["tone"] = (float(r.uniform(-0.1, 0.45)), float(r.uniform(0, 0.35)))
    B["local"] = float(r.uniform(0, 0.5))
    B["nr"] = (float(r.uniform(0.012, 0.04)), float(r.uniform(0.8, 2.0)))
    B["sharpen"] = (float(r.uniform(0.2, 0.8)), float(r.uniform(0.8, 1.4)))
    B["q"] = int(r.integers(88, 96))
    B["sub"] = int(r.choice([0, 2, 2]))
    B["glare"] = [
        (12, r.uniform(0.002, 0.008)),
        (50, r.uniform(0.001, 0.004)),
        (220, r.uniform(0.001, 0.004)),
    ]
    B["ghost"] = float(r.uniform(1e-4, 7e-4))
    B["wall"] = (float(r.uniform(0.002, 0.015)), r.uniform(-500, 500), r.uniform(60, 160))
    B["make"], B["model"] = [
        ("Norvik", "N4"),
        ("Tessa", "T20"),
        ("Oriel", "Q7"),
        ("Norvik", "N5"),
        ("Halden", "H3 plus"),
        ("Tessa", "T31"),
        ("Halden", "H2"),
        ("Oriel", "Q9"),
    ][n]
    s = np.linspace(-1, 1, 2001)  # blades: edges (um) and dust over the slit's length
    rough = (
        lambda: gaussian_filter1d(r.normal(0, 1, 2001), 6) * 6 * r.uniform(0.5, 2) * min(1, B["slit"] / 160)
    )
    B["edges"] = (
        -B["slit"] / 2 * (1 + B["wedge"] * s) + rough(),
        B["slit"] / 2 * (1 + B["wedge"] * s) + rough(),
    )
    dust = np.ones(2001)
    for _ in range(r.integers(2, 7)):
        dust *= 1 - r.uniform(0.2, 0.95) * np.exp(
            -0.5 * ((s - r.uniform(-0.95, 0.95)) / r.uniform(0.003, 0.02)) ** 2
        )
    B["dust"] = dust
    return B


def vector(B, J):
    """Parameter vector of one photo; J holds what changes from photo to photo."""
    p = np.zeros(O.NP)
    p[:15] = [
        B["f"] * J["zoom"],
        B["W"] / 2 + B["pp"][0],
        B["H"] / 2 + B["pp"][1],
        B["k1"],
        B["h"],
        J["focus"],
        -B["side"] * B["R"] - J["dx"],
        -J["dy"],
        B["d"],
        B["side"],
        B["coma"],
        B["curv"],
        B["lat"][0],
        B["lat"][1],
        B["D"],
    ]
    th = np.radians(B["theta"])
    M = (
        rot("y", (B["theta"] * 0 if not B["dvd"] else 0) + J["yaw"])
        @ rot("x", J["pitch"])
        @ rot("z", -J["roll"])
    )
    p[O.OM : O.OM + 9] = M.ravel()
    axis = np.array([np.sin(th), 0, np.cos(th)])
    across = np.array([np.cos(th), 0, -np.sin(th)])
    along = np.array([0, 1.0, 0])
    S = B["tube"] * (axis + B["beta"] * along) - np.array(
        [J["dx"], J["dy"], B["h"]]
    )  # tube length counted from the pupil
    k = np.radians(B["skew"])
    c, s = np.cos(k), np.sin(k)
    p[O.OS : O.OS + 3] = S
    p[O.OX : O.OX + 3] = c * across + s * along
    p[O.OY : O.OY + 3] = -s * across + c * along
    return p, M


def pupil(n, seed):
    i = np.arange(n) + 0.5
    r = np.sqrt(i / n)
    a = i * 2.399963 + seed
    return np.stack([r * np.cos(a), r * np.sin(a)], 1)


def window(p, m, lams, half, W, H, margin=40):
    pts = [
        O.project(p, l, m, 0.0, y, q)
        for l in lams
        for y in (-half, 0.0, half)
        for q in ((0.0, 0.0), (0.0, 0.98), (0.0, -0.98), (0.98, 0.0), (-0.98, 0.0))
    ]
    pts = np.array([t for t in pts if t is not None and abs(t[0]) < 3e4 and abs(t[1]) < 3e4])
    if len(pts) == 0:
        return None
    u0, v0 = np.floor(pts.min(0)).astype(int) - margin
    u1, v1 = np.ceil(pts.max(0)).astype(int) + margin
    u0, v0, u1, v1 = max(u0, 0), max(v0, 0), min(u1, W), min(v1, H)
    return (u0, v0, u1, v1) if u1 - u0 > 8 and v1 - v0 > 8 else None


def light_field(B, J, p, spec, npup):
    """(orders image, zero-order image), linear, before exposure."""
    W, H = B["W"], B["H"]
    half = B["length"] / 2
    n = 4001
    y0 = -half * 1.3
    dy = -2 * y0 / (n - 1)
    y = y0 + dy * np.arange(n)
    s = y / half
    sc = J["slit"] / B["slit"]
    e1 = np.interp(s, np.linspace(-1, 1, 2001), B["edges"][0]) * 1e-3 * sc
    e2 = np.interp(s, np.linspace(-1, 1, 2001), B["edges"][1]) * 1e-3 * sc
    prof = np.interp(s, np.linspace(-1, 1, 2001), B["dust"]) * (np.abs(s) <= 1)
    lo, hi = J["lit"]
    ed = J["litsoft"] / half
    fill = 1 / (1 + np.exp(-(s - lo) / ed * 4)) / (1 + np.exp((s - hi) / ed * 4)) * (1 + J["litslope"] * s)
    if J["light"] == "laser":
        fill = fill * np.interp(
            y, np.linspace(y0, -y0, 160), np.random.default_rng(J["seed"]).gamma(3, 1 / 3, 160)
        )
    orders = np.zeros((H, W, 3), np.float32)
    zero = np.zeros((H, W, 3), np.float32)
    boxes = {}
    smooth = gaussian_filter1d(spec, 0.2 / DL)
    for m in (1, -1, 2, -2):
        lams = np.linspace(385, 725, 9)
        if J["light"] == "laser":
            lams = np.linspace(600, 680, 5)
        w = window(p, m, lams, half, W, H)
        if w is None:
            continue
        u0, v0, u1, v1 = w
        boxes[m] = w
        step = 6
        us = np.arange(u0, u1 + 2 * step, step).astype(float)
        vs = np.arange(v0, v1 + 2 * step, step).astype(float)
        eff = B["eff"][m] * (GRID / 550) ** B["efftilt"][m]
        cum = np.cumsum(smooth * eff * B["sens"], axis=1) * DL
        img = np.zeros((v1 - v0, u1 - u0, 3))
        for q in pupil(npup, J["seed"] % 7):
            mp = O.wavelength_maps(p, us, vs, m, q[0], q[1], 560.0)
            O.add_order(
                img, mp, step, cum, L0 + DL / 2, DL, e1, e2, prof, y0, dy, fill, J["lampdist"], 1 / npup
            )
        orders[v0:v1, u0:u1] += img
    w = window(p, 0, [550], half, W, H)
    if w:
        u0, v0, u1, v1 = w
        boxes[0] = w
        step = 6
        us = np.arange(u0, u1 + 2 * step, step).astype(float)
        vs = np.arange(v0, v1 + 2 * step, step).astype(float)
        img = np.zeros((v1 - v0, u1 - u0, 3))
        for c in range(3):
            part = smooth * B["sens"][c]
            lam = float((part * GRID).sum() / part.sum())
            for q in pupil(npup, J["seed"] % 7):
                mp = O.slit_maps(p, us, vs, lam, q[0], q[1])
                O.add_zero(
                    img,
                    mp,
                    step,
                    c,
                    part.sum() * DL * B["eff"][0],
                    e1,
                    e2,
                    prof,
                    y0,
                    dy,
                    fill,
                    J["lampdist"],
                    1 / npup,
                )
        zero[v0:v1, u0:u1] += img
    return orders, zero, boxes


def motion_kernel(length, angle, r):
    n = int(length) // 2 * 2 + 9
    k = np.zeros((n, n))
    t = np.linspace(-0.5, 0.5, 600)
    bend = r.uniform(-0.12, 0.12)
    x = t * length * np.cos(angle) - bend * length * (4 * t * t - 0.5) * np.sin(angle) * 0.5
    y = t * length * np.sin(angle) + bend * length * (4 * t * t - 0.5) * np.cos(angle) * 0.5
    w = 1 + 0.5 * np.sin(2 * np.pi * (t + r.random()))
    for a, b, c in zip(x + n // 2, y + n // 2, w):
        i, j = int(np.floor(a)), int(np.floor(b))
        fa, fb = a - i, b - j
        for di, dj, z in (
            (0, 0, (1 - fa) * (1 - fb)),
            (1, 0, fa * (1 - fb)),
            (0, 1, (1 - fa) * fb),
            (1, 1, fa * fb),
        ):
            if 0 <= i + di < n and 0 <= j + dj < n:
                k[j + dj, i + di] += c * z
    return (k / k.sum()).astype(np.float32)


def room(B, r):
    W, H = B["W"], B["H"]
    yy, xx = np.mgrid[0:H:8, 0:W:8].astype(np.float32)
    im = np.stack([0.12 + 0.1 * yy / H + 0.04 * np.sin(xx / 700 + c) for c in range(3)], -1).astype(
        np.float32
    )
    for _ in range(45):
        a, b = r.uniform(0, W), r.uniform(0, H)
        w, h = r.uniform(60, 900), r.uniform(40, 700)
        col = r.uniform(0.01, 0.55, 3) * r.choice([0.3, 1, 1.5])
        t = r.normal(0, 0.2)
        X = (xx - a) * np.cos(t) + (yy - b) * np.sin(t)
        Y = -(xx - a) * np.sin(t) + (yy - b) * np.cos(t)
        im[(np.abs(X) < w / 2) & (np.abs(Y) < h / 2)] = col
    im[(np.abs(xx - r.uniform(800, W - 800)) < 260) & (np.abs(yy - 700) < 420)] = 1.3  # a window
    im = cv2.resize(im, (W, H), interpolation=cv2.INTER_LINEAR)
    noise = r.normal(0, 0.05, (H // 4, W // 4)).astype(np.float32)
    return np.clip(im * (1 + cv2.resize(noise, (W, H))[..., None]), 0, None) / B["wb"].astype(np.float32)


def camera(B, J, raw_light, r):
    """linear light (share of the sensor's ceiling) -> 8-bit sRGB, RGB order."""
    H, W = raw_light.shape[:2]
    iso = J["iso"]
    full = B["well"] * 50 / iso * 2
    mosaic = np.empty((H, W), np.float32)
    for (a, b), c in {(0, 0): 0, (0, 1): 1, (1, 0): 1, (1, 1): 2}.items():
        mosaic[a::2, b::2] = raw_light[a::2, b::2, c]
    e = np.maximum(mosaic, 0) * full
    e += np.sqrt(e + B["read"] ** 2) * r.standard_normal((H, W), np.float32)
    raw = np.minimum(np.round(e / full * 1023) / 1023, 1.0)
    enc = np.clip(raw * 50000 + 6000, 0, 65535).astype(np.uint16)
    code = cv2.COLOR_BayerBG2RGB_EA if B["n"] % 2 else cv2.COLOR_BayerBG2RGB
    lin = (cv2.cvtColor(enc, code).astype(np.float32) - 6000) / 50000  # an RGGB mosaic; checked in checks.py
    lin = np.minimum(np.maximum(lin, 0) * B["wb"].astype(np.float32), 1)
    lin = lin @ B["ccm"].T.astype(np.float32)
    np.clip(lin, 0, 1, out=lin)
    if B["local"] > 0:
        small = cv2.resize(lin.mean(2), (W // 16, H // 16), interpolation=cv2.INTER_AREA)
        sm = cv2.GaussianBlur(np.log(small + 0.003), (0, 0), 18)
        g = 1 + B["local"] * np.clip((np.log(0.05) - sm) / 3, -0.5, 1)
        lin *= cv2.resize(g.astype(np.float32), (W, H), interpolation=cv2.INTER_CUBIC)[..., None]
        np.clip(lin, 0, 1, out=lin)
    sh = B["tone"][1]
    x = np.arange(65536, dtype=np.float64) / 65535
    x = x * (1 + sh) / (1 + sh * x)  # shoulder
    y = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.power(np.maximum(x, 1e-9), 1 / 2.4) - 0.055)
    y = (y + B["tone"][0] * (y * y * (3 - 2 * y) - y)).astype(np.float32)
    y = y[(lin * 65535 + 0.5).astype(np.uint16)]
    ycc = cv2.cvtColor(y, cv2.COLOR_RGB2YCrCb)
    ycc[..., 0] = cv2.bilateralFilter(np.ascontiguousarray(ycc[..., 0]), 5, B["nr"][0], 1.5)
    ycc[..., 1:] = cv2.GaussianBlur(ycc[..., 1:], (0, 0), B["nr"][1] * 0.6)
    soft = cv2.GaussianBlur(ycc[..., 0], (0, 0), B["sharpen"][1])
    d = ycc[..., 0] - soft
    ycc[..., 0] += B["sharpen"][0] * np.sign(d) * np.maximum(np.abs(d) - 0.006, 0)
    y = cv2.cvtColor(ycc, cv2.COLOR_YCrCb2RGB)
    return np.clip(y * 255 + 0.5, 0, 255).astype(np.uint8)


def exif(B, J, when):
    rat = lambda x, d=1000: (int(round(x * d)), d)
    t = J["t"]
    ex = (1, int(round(1 / t))) if t < 0.3 else rat(t, 10)
    sub = f"{J['seed'] * 37 % 1000:03d}"
    st = when.strftime("%Y:%m:%d %H:%M:%S")
    z = {
        piexif.ImageIFD.Make: B["make"],
        piexif.ImageIFD.Model: B["model"],
        piexif.ImageIFD.Orientation: B["orient"],
        piexif.ImageIFD.DateTime: st,
    }
    x = {
        piexif.ExifIFD.DateTimeOriginal: st,
        piexif.ExifIFD.DateTimeDigitized: st,
        piexif.ExifIFD.SubSecTimeOriginal: sub,
        piexif.ExifIFD.FocalLength: rat(B["D"] * B["N"], 100),
        piexif.ExifIFD.FocalLengthIn35mmFilm: int(round(B["f35"] * J["zoom"])),
        piexif.ExifIFD.ExposureTime: ex,
        piexif.ExifIFD.ISOSpeedRatings: int(J["iso"]),
        piexif.ExifIFD.FNumber: rat(B["N"], 100),
        piexif.ExifIFD.ExposureMode: 1,
        piexif.ExifIFD.WhiteBalance: 1,
    }
    if J["zoom"] > 1:
        x[piexif.ExifIFD.DigitalZoomRatio] = rat(J["zoom"], 100)
    return piexif.dump({"0th": z, "Exif": x})


def photo_state(B, name, idx):
    r = np.random.default_rng(90000 + B["n"] * 500 + idx)
    kind = name.split("-")[0]
    fault, size = FAULT[B["name"]].get(name, (None, None))
    J = dict(
        name=name,
        light=KIND.get(kind, kind),
        seed=int(r.integers(1, 10**6)),
        fault=fault,
        fault_size=size,
        zoom=1.0,
        slit=B["slit"],
    )
    J["dy"] = float(r.normal(0, np.radians(0.3) * B["R"]))
    J["dx"] = float(r.normal(0, 0.25))
    J["roll"] = B["turn"] + B["roll"] + float(r.normal(0, 0.6))
    J["yaw"] = B["yaw"] + float(r.normal(0, 0.35))
    J["pitch"] = B["pitch"] + float(r.normal(0, 0.35))
    dioptre = 1e3 / B["tube"]
    base = r.uniform(0, 0.7) if not B["dvd"] else 0.0
    focus = dioptre + base + r.normal(0, 0.15)
    J["target"] = float(r.uniform(0.45, 0.8))
    J["lit"] = (-1.3, 1.3)
    J["litsoft"] = float(r.uniform(0.4, 2.5))
    J["litslope"] = float(r.normal(0, 0.12))
    J["lampdist"] = 0.0
    if r.random() < 0.6:
        w = r.uniform(0.8, 1.6)
        c = r.uniform(-(2 - w) / 2, (2 - w) / 2)
        J["lit"] = (float(c - w / 2), float(c + w / 2))
    if r.random() < 0.3:
        J["lampdist"] = float(r.uniform(15, 90))
    J["iso"] = int(r.choice([50, 64, 100, 125, 200, 320]))
    J["t"] = float(1 / r.choice([10, 15, 20, 30, 50, 60, 100]))
    if fault == "saturated":
        J["target"] *= 2**size
        J["t"] = min(J["t"] * 2**size, 4)
    if fault == "dim":
        J["target"] /= 2**size
        J["t"] = J["t"] / 2**size
    if fault == "defocused":
        d = size / (B["D"] * B["f"] * 1e-3)
        focus = focus + d if focus - d < 0.5 or r.random() < 0.5 else focus - d
    if fault == "tilted":
        J["roll"] = B["turn"] + size + r.normal(0, 0.2)
    if fault == "slit-wide":
        J["slit"] = float(size)
    if fault == "cropped":
        if size == 1:
            J["yaw"] += -21.0  # one order only: its red half leaves the frame
        if size == 2:
            J["zoom"] = 1.8  # digital zoom: both orders run off
        if size == 3:
            J["zoom"] = 2.2  # both orders run off
    J["focus"] = 1e3 / focus
    return J, r


def fold(a):
    return (a + 45) % 90 - 45


def truth(B, J, p, M, spec, lines, note, boxes, snr):
    W, H = B["W"], B["H"]
    A = -1 if B["mirror"] else 1
    C = p[6:8]
    gn = -C / np.hypot(*C) * p[9]  # across the grooves at the foot point
    g = M.T @ np.array([gn[0], gn[1], 0])
    roll = fold(np.degrees(np.arctan2(g[1], g[0]))) * A
    half = B["length"] / 2
    nm, sig, seen = {}, {}, {}
    for lam in GRID[::20]:
        pass
    best = 1 if B["eff"][1] >= B["eff"][-1] or B["dvd"] else -1
    spread = np.std(
        [
            O.wavelength_maps(p, np.array([u]), np.array([v]), best, q[0], q[1], 550.0)[0, 0, 0]
            for u, v in [O.project(p, 550.0, best, 0.0, 0.0)]
            for q in pupil(40, 0)
        ]
    )
    a, b = O.project(p, 550.0, best, 0.0, 0.0), O.project(p, 560.0, best, 0.0, 0.0)
    nmpx = 10 / np.hypot(b[0] - a[0], b[1] - a[1])
    a, b = O.project(p, 550.0, best, -J["slit"] / 2e3, 0.0), O.project(p, 550.0, best, J["slit"] / 2e3, 0.0)
    wn = np.hypot(b[0] - a[0], b[1] - a[1]) * nmpx
    band = 2.355 * np.sqrt(wn**2 / 12 + spread**2 + (B["blur"] ** 2 + 1 / 12 + 0.3) * nmpx**2)
    band = max(band, wn)
    amp = {}
    for w, x in lines.items():
        amp[w] = x * max(np.interp(w, GRID, s) * g for s, g in zip(B["sens"], B["wb"]))
    top = max(amp.values(), default=1)
    keep, blends = [], []
    full = lambda w: any(
        (t := O.project(p, w, m, 0.0, 0.0)) is not None and 15 < t[0] < W - 15 and 15 < t[1] < H - 15
        for m in ((1, -1) if not B["dvd"] else (1,))
    )
    ws = sorted(lines)
    level = lambda w: lines[w] / band  # height of the line once blurred
    smooth = (
        gaussian_filter1d(
            spec
            - sum(
                x
                * np.exp(-0.5 * ((GRID - w) / (0.12 if J["light"] == "cfl" else 0.1) * 2.3548) ** 2)
                / ((0.12 if J["light"] == "cfl" else 0.1) / 2.3548 * 2.5066)
                for w, x in lines.items()
            ),
            band / 2.355 / DL,
        )
        if J["light"] != "laser"
        else spec * 0
    )
    for w in ws:
        if not 400 <= w <= 700 or amp[w] < 0.03 * top or not full(w):
            continue
        i = int((w - L0) / DL)
        k = int(1.5 * band / DL)
        lo, hi = smooth[max(i - k, 0)], smooth[min(i + k, len(smooth) - 1)]
        tilt = abs(hi - lo) / level(w)
        base = max(smooth[i], lo, hi) / level(w)
        near = [x for x in ws if x != w and abs(x - w) < 1.5 * band and amp[x] > 0.02 * amp[w]]
        if not near and base < 0.6 and tilt < 0.25:
            keep.append(w)
        elif near and base < 0.6:
            grp = [w] + near
            if max(grp) - min(grp) < 0.8 * band and not [
                x for x in ws if x not in grp and abs(x - w) < 2.3 * band and amp[x] > 0.02 * amp[w]
            ]:
                c = round(sum(amp[x] * x for x in grp) / sum(amp[x] for x in grp), 3)
                if c not in blends:
                    blends.append(c)
    side = None
    z, o = O.project(p, 550.0, 0, 0.0, 0.0), O.project(p, 550.0, 1, 0.0, 0.0)
    if z and o:
        du, dv = (o[0] - z[0]) * A, o[1] - z[1]
        du, dv = {1: (du, dv), 3: (-du, -dv), 6: (-dv, du), 8: (dv, -du)}[B["orient"]]
        side = ("right" if du > 0 else "left") if abs(du) > abs(dv) else ("down" if dv > 0 else "up")
    rd = lambda x, n=4: round(float(x), n)
    return dict(
        bench=B["name"],
        photo=J["name"] + ".jpg",
        light=J["light"],
        note=note,
        fault=J["fault"],
        fault_size=J["fault_size"],
        snr_hint=rd(snr, 1),
        lines_nm=keep,
        blends_nm=blends,
        bandpass_nm=rd(band, 3),
        slit_um=J["slit"],
        slit_length_mm=B["length"],
        tube_mm=B["tube"],
        skew_deg_of_this_photo=rd(B["skew"] - np.degrees(np.arctan2(gn[1], gn[0]) if gn[0] > 0 else 0)),
        groove_nm=rd(B["d"], 2),
        slit_seen_at_sine=rd(np.sin(np.radians(B["theta"])), 5),
        beta_mid=rd(B["beta"], 5),
        roll_deg=rd(roll),
        yaw_deg=rd(J["yaw"]),
        pitch_deg=rd(J["pitch"]),
        order_plus_one_on_the=side,
        focal_px=rd(B["f"] * J["zoom"], 2),
        radial_distortion_k1=rd(B["k1"], 5),
        blur_sigma_px=rd(B["blur"], 3),
        groove_radius_mm=rd(B["R"], 2),
        disc_middle_side=B["side"],
        stand_off_mm=rd(B["h"], 2),
        pupil_mm=rd(B["D"], 2),
        pupil_on_disc_mm=[rd(J["dx"], 3), rd(J["dy"], 3)],
        lateral_colour_per_100_nm=[rd(B["lat"][0], 6), rd(B["lat"][1], 6)],
        ghost_share=rd(B["ghost"], 5),
        wall_share=rd(B["wall"][0], 5),
        lit_part=[max(-1, rd(J["lit"][0], 3)), min(1, rd(J["lit"][1], 3))],
        local_tone=rd(B["local"], 3),
        focus_mm=rd(J["focus"], 1),
        order_efficiency={str(k): rd(v, 3) for k, v in B["eff"].items()},
        lamp_behind_slit_mm=rd(J["lampdist"], 1),
        mirrored=B["mirror"],
        exif_orientation=B["orient"],
        wedge=rd(B["wedge"], 3),
        nm_per_px=rd(nmpx, 4),
    )


def draw(B, name, idx, when):
    t0 = time.time()
    J, r = photo_state(B, name, idx)
    W, H = B["W"], B["H"]
    os.makedirs(f"{HERE}/photos/{B['name']}", exist_ok=True)
    if J["fault"] == "no-spectrum":
        p, M = vector(B, J)
        light = cv2.GaussianBlur(room(B, r), (0, 0), 1.0)
        tr = dict(
            bench=B["name"],
            photo=name + ".jpg",
            light="room",
            fault="no-spectrum",
            fault_size=J["fault_size"],
            snr_hint=None,
            lines_nm=[],
            blends_nm=[],
        )
    else:
        spec, lines, note = spectrum(J["light"], r, B["n"])
        p, M = vector(B, J)
        npup = 64 if J["fault"] == "defocused" else 24
        orders, zero, boxes = light_field(B, J, p, spec, npup)
        orders = cv2.GaussianBlur(orders, (0, 0), B["blur"])
        zero = cv2.GaussianBlur(zero, (0, 0), B["blur"])
        if J["fault"] == "moved":
            k = motion_kernel(J["fault_size"], r.uniform(0, np.pi), r)
            orders = cv2.filter2D(orders, -1, k)
            zero = cv2.filter2D(zero, -1, k)
        ref = float((cv2.boxFilter(orders, -1, (3, 3)) * B["wb"].astype(np.float32)).max())
        if J["fault"] in ("moved", "defocused", "cropped", "slit-wide"):
            J["target"] *= 0.9
        k = J["target"] / ref
        light = orders
        light *= k
        zero *= k
        light += zero
        q = cv2.resize(light, (W // 4, H // 4), interpolation=cv2.INTER_AREA)
        veil = np.zeros_like(q)
        for s, a in B["glare"]:
            veil += (
                a
                * cv2.resize(
                    cv2.GaussianBlur(
                        cv2.resize(q, (W // 16, H // 16), interpolation=cv2.INTER_AREA), (0, 0), s / 16
                    ),
                    (W // 4, H // 4),
                )
                if s > 30
                else a * cv2.GaussianBlur(q, (0, 0), s / 4)
            )
        g = cv2.GaussianBlur(np.ascontiguousarray(q[::-1, ::-1]), (0, 0), 6)
        veil += B["ghost"] * g * np.array([0.8, 1.1, 1.0], np.float32)
        zq = cv2.resize(zero, (W // 4, H // 4), interpolation=cv2.INTER_AREA)
        sh, sg = B["wall"][1] / 4, B["wall"][2] / 4
        T = np.float32(
            [[1, 0, sh * np.cos(np.radians(J["roll"]))], [0, 1, sh * np.sin(np.radians(J["roll"]))]]
        )
        veil += B["wall"][0] * cv2.warpAffine(
            cv2.GaussianBlur(
                zq, (0, 0), sigmaX=sg if B["turn"] != 90 else 8, sigmaY=8 if B["turn"] != 90 else sg
            ),
            T,
            (W // 4, H // 4),
        )
        light += cv2.resize(veil, (W, H), interpolation=cv2.INTER_LINEAR)
        if J["fault"] == "leak":
            yy, xx = np.mgrid[0 : H // 16, 0 : W // 16].astype(np.float32) * 16
            a, b = r.uniform(0, W), r.uniform(0, H)
            s = r.uniform(900, 2200)
            L = 0.35 + np.exp(-((xx - a) ** 2 + (yy - b) ** 2) / (2 * s * s))
            L *= J["fault_size"] / L.mean()
            light += cv2.resize(L, (W, H))[..., None] * np.float32([0.8, 1, 0.75])
        light += np.float32(r.uniform(2e-4, 1.5e-3)) * np.float32(
            [0.9, 1, 0.8]
        )  # tube that is not quite black
        yy, xx = np.mgrid[0:H, 0:W]
        light /= ((1 + ((xx - W / 2) ** 2 + (yy - H / 2) ** 2) / B["f"] ** 2) ** 1.4).astype(np.float32)[
            ..., None
        ]
        full = B["well"] * 100 / J["iso"]
        e = min(J["target"], 1) * full
        snr = e / np.sqrt(e + B["read"] ** 2)
        tr = truth(B, J, p, M, spec, lines, note, boxes, snr)
    img = camera(B, J, light, r)
    if B["mirror"]:
        img = img[:, ::-1]
    Image.fromarray(np.ascontiguousarray(img)).save(
        f"{HERE}/photos/{B['name']}/{name}.jpg", quality=B["q"], subsampling=B["sub"], exif=exif(B, J, when)
    )
    print(f"{B['name']}/{name} {J['fault'] or ''} {time.time() - t0:.1f} s", flush=True)
    return tr


def main():
    which = sys.argv[1:] or BENCHES
    part = f"{HERE}/truth.d"
    os.makedirs(part, exist_ok=True)
    only = os.environ.get("ONLY", "").split(",") if os.environ.get("ONLY") else None
    for b in which:
        B = make_bench(b)
        names, count, out = [], {}, []
        for k in ORDER[:1] + EXTRA[b][:1] + ORDER[1:] + EXTRA[b][1:]:
            if b in DVD and k == "colourled":
                continue
            count[k] = count.get(k, 0) + 1
            names.append(f"{k}-{count[k]:02d}")
        when = datetime.datetime(2026, 11, 12, 18, 2, 11) + datetime.timedelta(seconds=23 * B["n"])
        for i, nme in enumerate(names):
            when += datetime.timedelta(seconds=int(97 + 61 * ((i * 7 + B["n"]) % 5)))
            if only and nme not in only:
                continue
            out.append(draw(B, nme, i, when))
            json.dump(out, open(f"{part}/{b}.json", "w"), indent=1)
    allt = [
        t for b in BENCHES if os.path.exists(f"{part}/{b}.json") for t in json.load(open(f"{part}/{b}.json"))
    ]
    with open(f"{HERE}/truth.json", "w") as f:
        json.dump(allt, f, indent=1)


if __name__ == "__main__":
    main()
