"""Exact ray trace pixel -> pupil -> circular grooves -> slit plate. Lengths in mm, wavelengths in nm, angles in rad.

Grating frame: origin on the grooves under the middle of the pupil, x across the grooves (about), y along them, z from the phone to
the slit. Grooves are circles about the disc's middle C. Rays are followed backwards, from the sensor to the slit plate.
"""

import numpy as np
from numba import njit

# layout of the parameter vector (floats)
NAMES = ["f", "cx", "cy", "k1", "h", "F", "Cx", "Cy", "d", "side", "coma", "curv", "lat1", "lat2", "D"]
I = {n: i for i, n in enumerate(NAMES)}
OM, OS, OX, OY = 15, 24, 27, 30  # camera matrix (9), slit middle (3), across (3), along (3)
NP = 33


@njit(cache=True, fastmath=False)
def trace(p, u, v, lam, m, qx, qy):
    """(across, along, slope along) at the slit plate in mm; q is the pupil point, unit disc."""
    f = p[0]
    s = (lam - 550.0) / 100.0
    mag = 1.0 + p[12] * s + p[13] * s * s
    x = (u - p[1]) / f / mag
    y = (v - p[2]) / f / mag
    r = np.sqrt(x * x + y * y) + 1e-12
    ax, ay = x / r, y / r
    qe = qx * ax + qy * ay
    qt = -qx * ay + qy * ax
    ce = p[10] * r * (3 * qe * qe + qt * qt)
    ct = p[10] * r * 2 * qe * qt
    x -= (ce * ax - ct * ay + p[11] * r * r * qx) / f
    y -= (ce * ay + ct * ax + p[11] * r * r * qy) / f
    xu, yu = x, y
    for _ in range(5):
        g = 1.0 + p[3] * (xu * xu + yu * yu)
        xu, yu = x / g, y / g
    a = 0.5 * p[14]
    F = p[5]
    cxx, cyy, czz = F * xu - a * qx, F * yu - a * qy, F
    tx = p[15] * cxx + p[16] * cyy + p[17] * czz
    ty = p[18] * cxx + p[19] * cyy + p[20] * czz
    tz = p[21] * cxx + p[22] * cyy + p[23] * czz
    n = np.sqrt(tx * tx + ty * ty + tz * tz)
    tx /= n
    ty /= n
    tz /= n
    Px = a * (p[15] * qx + p[16] * qy)
    Py = a * (p[18] * qx + p[19] * qy)
    Pz = -p[4] + a * (p[21] * qx + p[22] * qy)
    k = -Pz / tz
    Gx, Gy = Px + k * tx, Py + k * ty
    rx, ry = (Gx - p[6]) * p[9], (Gy - p[7]) * p[9]
    rr = np.sqrt(rx * rx + ry * ry)
    q = m * lam / p[8]
    ix = tx - q * rx / rr
    iy = ty - q * ry / rr
    z2 = 1.0 - ix * ix - iy * iy
    if z2 < 1e-4:
        return np.nan, np.nan, np.nan
    iz = np.sqrt(z2)
    # slit plate: through S, spanned by across and along
    nx = p[28] * p[32] - p[29] * p[31]
    ny = p[29] * p[30] - p[27] * p[32]
    nz = p[27] * p[31] - p[28] * p[30]
    den = ix * nx + iy * ny + iz * nz
    w = ((p[24] - Gx) * nx + (p[25] - Gy) * ny + p[26] * nz) / den
    X, Y, Z = Gx + w * ix - p[24], Gy + w * iy - p[25], w * iz - p[26]
    return (
        X * p[27] + Y * p[28] + Z * p[29],
        X * p[30] + Y * p[31] + Z * p[32],
        (ix * p[30] + iy * p[31] + iz * p[32]) / den,
    )


@njit(cache=True)
def wavelength_maps(p, us, vs, m, qx, qy, start):
    """On the grid vs x us: wavelength whose ray meets the slit's middle line, place along, d lambda/d across, slope."""
    out = np.full((4, vs.size, us.size), np.nan)
    for j in range(vs.size):
        lam = start
        for i in range(us.size):
            if not np.isfinite(lam):
                lam = start
            l0 = lam
            x0, y0, t0 = trace(p, us[i], vs[j], l0, m, qx, qy)
            g = 0.0
            ok = False
            for _ in range(25):
                x1, y1, t1 = trace(p, us[i], vs[j], l0 + 0.5, m, qx, qy)
                if not (np.isfinite(x0) and np.isfinite(x1)):
                    l0 = start * 0.5 + l0 * 0.5 if abs(l0 - start) > 5 else start + 77.0
                    x0, y0, t0 = trace(p, us[i], vs[j], l0, m, qx, qy)
                    continue
                g = 0.5 / (x1 - x0)
                l1 = l0 - x0 * g
                l1 = min(max(l1, 50.0), 1400.0)
                dl = abs(l1 - l0)
                l0 = l1
                x0, y0, t0 = trace(p, us[i], vs[j], l0, m, qx, qy)
                if dl < 5e-3:
                    ok = True
                    break
            if ok and np.isfinite(x0):
                out[0, j, i] = l0
                out[1, j, i] = y0
                out[2, j, i] = g
                out[3, j, i] = t0
                lam = l0
            else:
                lam = np.nan
    return out


@njit(cache=True)
def slit_maps(p, us, vs, lam, qx, qy):
    out = np.empty((3, vs.size, us.size))
    for j in range(vs.size):
        for i in range(us.size):
            a, b, c = trace(p, us[i], vs[j], lam, 0, qx, qy)
            out[0, j, i] = a
            out[1, j, i] = b
            out[2, j, i] = c
    return out


@njit(cache=True)
def tab(t, x, x0, dx):
    k = (x - x0) / dx
    if k < 0:
        return t[0]
    i = int(k)
    if i >= t.size - 1:
        return t[t.size - 1]
    return t[i] + (k - i) * (t[i + 1] - t[i])


@njit(cache=True)
def between(plane, b, a):
    """Bilinear value of a map between its nodes, row b and column a."""
    jb, ia = int(b), int(a)
    b -= jb
    a -= ia
    return (
        (1 - a) * (1 - b) * plane[jb, ia]
        + a * (1 - b) * plane[jb, ia + 1]
        + (1 - a) * b * plane[jb + 1, ia]
        + a * b * plane[jb + 1, ia + 1]
    )


@njit(cache=True)
def add_order(img, mp, step, cum, l0, dl, e1, e2, prof, y0, dy, fill, lampdist, weight):
    """img (h, w, 3) += light of one order through one pupil point; mp as from wavelength_maps on every step-th pixel."""
    H, W = img.shape[0], img.shape[1]
    nl = cum.shape[1]
    for j in range(H):
        b = j / step
        for i in range(W):
            a = i / step
            y = between(mp[1], b, a)
            if not (abs(y) < -y0):
                continue
            pr = tab(prof, y, y0, dy)
            if pr <= 0:
                continue
            lam = between(mp[0], b, a)
            g = between(mp[2], b, a)
            t = between(mp[3], b, a)
            pr *= tab(fill, y + lampdist * t, y0, dy) * weight
            la = lam + g * tab(e1, y, y0, dy)
            lb = lam + g * tab(e2, y, y0, dy)
            if la > lb:
                la, lb = lb, la
            ka = (la - l0) / dl
            kb = (lb - l0) / dl
            if kb <= 0 or ka >= nl - 2 or not (kb > ka):
                continue
            ka = max(ka, 0.0)
            kb = min(kb, nl - 1.001)
            i1 = int(ka)
            f1 = ka - i1
            i2 = int(kb)
            f2 = kb - i2
            for c in range(3):
                img[j, i, c] += pr * (
                    cum[c, i2]
                    + f2 * (cum[c, i2 + 1] - cum[c, i2])
                    - cum[c, i1]
                    - f1 * (cum[c, i1 + 1] - cum[c, i1])
                )


@njit(cache=True)
def add_zero(img, mp, step, c, total, e1, e2, prof, y0, dy, fill, lampdist, weight):
    H, W = img.shape[0], img.shape[1]
    for j in range(H):
        b = j / step
        for i in range(W):
            a = i / step
            y = between(mp[1], b, a)
            if not (abs(y) < -y0):
                continue
            x = between(mp[0], b, a)
            t = between(mp[2], b, a)
            jb, ia = int(b), int(a)
            gx = (mp[0, jb, ia + 1] - mp[0, jb, ia]) / step
            gy = (mp[0, jb + 1, ia] - mp[0, jb, ia]) / step
            px = np.sqrt(gx * gx + gy * gy)
            lo = max(x - px / 2, tab(e1, y, y0, dy))
            hi = min(x + px / 2, tab(e2, y, y0, dy))
            if hi <= lo:
                continue
            img[j, i, c] += (
                weight * total * (hi - lo) / px * tab(prof, y, y0, dy) * tab(fill, y + lampdist * t, y0, dy)
            )


def project(p, lam, m, across, along, q=(0.0, 0.0)):
    """Pixel at which a point of the slit is seen in this order (Newton on the trace), or None."""
    M = p[OM : OM + 9].reshape(3, 3)
    S = p[OS : OS + 3] + across * p[OX : OX + 3] + along * p[OY : OY + 3]
    t = S / np.linalg.norm(S)
    t = np.array([t[0] + m * lam / p[8], t[1], 0])
    z2 = 1 - t[0] ** 2 - t[1] ** 2
    if z2 < 0.02:
        return None
    t[2] = np.sqrt(z2)
    c = M.T @ t
    if c[2] < 0.1:
        return None
    u, v = p[1] + p[0] * c[0] / c[2], p[2] + p[0] * c[1] / c[2]
    for _ in range(30):
        a = trace(p, u, v, lam, m, *q)
        e = 0.25
        b = trace(p, u + e, v, lam, m, *q)
        g = trace(p, u, v + e, lam, m, *q)
        J = np.array([[b[0] - a[0], g[0] - a[0]], [b[1] - a[1], g[1] - a[1]]]) / e
        r = np.array([a[0] - across, a[1] - along])
        if not np.isfinite(J).all():
            return None
        s = np.linalg.solve(J, r)
        s *= min(1, 400 / (np.hypot(*s) + 1e-9))
        u, v = u - s[0], v - s[1]
        if np.hypot(*s) < 1e-5:
            return u, v
    return None
