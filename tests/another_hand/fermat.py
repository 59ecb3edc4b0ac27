"""Independent of optics.trace: stationary optical path slit point -> groove point -> pupil point (order m adds m lambda x groove number)."""

import numpy as np, optics as O, draw as D
from scipy.optimize import fsolve

worst = 0
for b in ("alder", "gorse", "hazel"):
    B = D.make_bench(b)
    J, r = D.photo_state(B, "neon-01", 3)
    p, M = D.vector(B, J)
    p = p.copy()
    p[3] = 0
    p[10:14] = 0
    for m in (1, -1):
        if m == -1 and B["dvd"]:
            continue
        for lam in (435.833, 640.225):
            for q in ((0, 0), (0.7, -0.6)):
                uv = O.project(p, lam, m, 0.05, 4.0, q)
                X = p[O.OS : O.OS + 3] + 0.05 * p[O.OX : O.OX + 3] + 4.0 * p[O.OY : O.OY + 3]
                P = np.array([0, 0, -p[4]]) + M @ np.array([q[0], q[1], 0]) * p[14] / 2
                C = p[6:8]
                grad = lambda g: (
                    (g - X[:2]) / np.hypot(np.linalg.norm(g - X[:2]), X[2])
                    + (g - P[:2]) / np.hypot(np.linalg.norm(g - P[:2]), P[2])
                    - m * lam / p[8] * p[9] * (g - C) / np.linalg.norm(g - C)
                )
                best = fsolve(grad, np.zeros(2), xtol=1e-13)
                t = np.append(best, 0.0) - P
                t /= np.linalg.norm(t)
                Q = M.T @ t
                Pc = M.T @ (P - np.array([0, 0, -p[4]]))
                k = p[5] / Q[2]
                at = Pc + Q * k  # where the ray meets the plane in focus
                u, v = p[1] + p[0] * at[0] / at[2], p[2] + p[0] * at[1] / at[2]
                worst = max(worst, np.hypot(u - uv[0], v - uv[1]))
print(f"Fermat against trace: worst {worst:.1e} px")
assert worst < 1e-4
