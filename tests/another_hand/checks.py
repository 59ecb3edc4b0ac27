"""Independent checks of the trace: straight grooves and pinhole against the closed formulas; mosaic order; forward/backward."""

import numpy as np, cv2, optics as O, draw as D

B = D.make_bench("alder")
J, r = D.photo_state(B, "helium-01", 2)
p, M = D.vector(B, J)
# 1 straight grooves (R huge), point pupil, no lens faults: sines add
q = p.copy()
q[3] = 0
q[10:14] = 0
q[14] = 0
q[6] = -B["side"] * 1e12
q[7] = 0
worst = 0
for b in ("alder", "cedar"):
    Bb = D.make_bench(b)
    Jb, _ = D.photo_state(Bb, "helium-01", 2)
    q, Mb = D.vector(Bb, Jb)
    q[3] = 0
    q[10:14] = 0
    q[14] = 0
    q[6] = -Bb["side"] * 1e12
    q[7] = 0
    q[4] = 1e-9
    q[O.OS : O.OS + 3] *= 1e9 / np.linalg.norm(q[O.OS : O.OS + 3])  # slit at infinity: pure directions
    S = q[O.OS : O.OS + 3] / np.linalg.norm(q[O.OS : O.OS + 3])
    for m in (-1, 1, 2):
        for lam in (404.656, 546.074, 700.0):
            if b == "cedar" and m != 1:
                continue
            uv = O.project(q, lam, m, 0.0, 0.0)
            if uv is None:
                print(b, m, lam, "evanescent or behind")
                continue
            c = np.array([(uv[0] - q[1]) / q[0], (uv[1] - q[2]) / q[0], 1])
            c = Mb @ c / np.linalg.norm(c)
            worst = max(worst, abs(c[0] - S[0] - m * lam / q[8]), abs(c[1] - S[1]))
print(f"sine law, straight grooves: worst {worst:.1e}")
assert worst < 1e-6
# 2 finite distance, mid pupil, straight: tan_slit = (h/L) tan_out + k tan_in (first order in h), vertical plate only
B0 = dict(B, theta=0.0, beta=0.0, skew=0.0)
q, Mb = D.vector(B0, dict(J, dx=0.0, dy=0.0))
q[3] = 0
q[10:15] = 0
q[6] = -B["side"] * 1e12
q[7] = 0
u, v = 3100.0, q[2]
c = Mb @ np.array([(u - q[1]) / q[0], 0, 1])
c /= np.linalg.norm(c)
lam = O.wavelength_maps(q, np.array([u]), np.array([v]), 1, 0.0, 0.0, 560.0)[:2, 0, 0]
i = np.array([c[0] - lam[0] / q[8], c[1]])
iz = np.sqrt(1 - i @ i)
h, L = B["h"], B["tube"]
print("slit by tangents, mm off:", L * (h / L * c[0] / c[2] + (L - h) / L * i[0] / iz))
assert abs(h * c[0] / c[2] + (L - h) * i[0] / iz) < 1e-4
# 3 length of the lines: figures of another trace (24 mm slit, R 40, h 5, D 2.2, f 2950, 305 mm, 1600 nm): 235 / 257 / slit 232
for side in (1, -1):
    B1 = dict(
        B0,
        R=40.0,
        h=5.0,
        D=2.2,
        f=2950.0,
        tube=305.0,
        d=1600.0,
        k1=0.0,
        coma=0.0,
        curv=0.0,
        lat=(0.0, 0.0),
        side=side,
    )
    q, _ = D.vector(B1, dict(J, dx=0.0, dy=0.0, roll=0.0, yaw=0.0, pitch=0.0, focus=305.0, zoom=1.0))
    for m in (0, 1, -1):
        a, b = O.project(q, 550.0, m, 0.0, -12.0), O.project(q, 550.0, m, 0.0, 12.0)
        e = [O.project(q, 550.0, m, 0.0, 12.0, (0.0, s))[1] for s in (-1.0, 1.0)]
        w = [O.project(q, 550.0, m, 0.0, 0.0, (s, 0.0))[0] for s in (-1.0, 1.0)]
        print(
            f"side {side:+d} order {m:+d}: length {b[1] - a[1]:.1f} px, ends smeared {abs(e[1] - e[0]):.1f} px, defocus across {abs(w[1] - w[0]):.2f} px"
        )
# 4 forward against backward
uv = O.project(p, 587.562, 1, 0.0, 3.0)
mp = O.wavelength_maps(p, np.array([uv[0]]), np.array([uv[1]]), 1, 0.0, 0.0, 560.0)[:, 0, 0]
print("round trip", mp[0] - 587.562, mp[1] - 3)
# 4b bilinear maps on every 4th pixel against exact
us = np.array([uv[0] - 2, uv[0] + 2])
vs = np.array([uv[1] - 2, uv[1] + 2])
g = O.wavelength_maps(p, us, vs, 1, 0.5, 0.3, 560.0)[0].mean()
e = O.wavelength_maps(p, us[:1] + 2, vs[:1] + 2, 1, 0.5, 0.3, 560.0)[0, 0, 0]
print("bilinear error nm", g - e)
# 5 mosaic order
flat = np.zeros((64, 64), np.uint16)
flat[0::2, 0::2] = 60000
print(
    "red mosaic ->",
    cv2.cvtColor(flat, cv2.COLOR_BayerBG2RGB)[32, 32],
    cv2.cvtColor(flat, cv2.COLOR_BayerBG2RGB_EA)[32, 32],
)
