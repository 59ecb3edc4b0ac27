"""Spectra. Wavelengths in nm, air, NIST values FROM MEMORY; strengths (areas) are invented but plausible (common practice, no source)."""

import numpy as np

L0, DL = 365.0, 0.05
GRID = np.arange(L0, 775.0, DL)

HG = {404.656: 0.15, 407.783: 0.012, 435.833: 0.75, 546.074: 1.0, 576.960: 0.10, 579.066: 0.115}
HE = {
    388.865: 0.6,
    402.619: 0.03,
    412.082: 0.008,
    438.793: 0.02,
    443.755: 0.006,
    447.148: 0.26,
    471.315: 0.06,
    492.193: 0.13,
    501.568: 0.36,
    504.774: 0.04,
    587.562: 1.0,
    667.815: 0.55,
    706.519: 0.35,
    728.135: 0.05,
}
NE = {
    503.775: 0.01,
    533.078: 0.03,
    534.109: 0.05,
    540.056: 0.15,
    576.442: 0.05,
    580.445: 0.03,
    582.016: 0.025,
    585.249: 0.70,
    588.190: 0.30,
    594.483: 0.42,
    597.553: 0.15,
    602.000: 0.09,
    603.000: 0.13,
    607.434: 0.42,
    609.616: 0.45,
    614.306: 0.68,
    616.359: 0.28,
    621.728: 0.28,
    626.650: 0.45,
    630.479: 0.22,
    633.443: 0.52,
    638.299: 0.60,
    640.225: 1.0,
    650.653: 0.65,
    653.288: 0.33,
    659.895: 0.38,
    667.828: 0.42,
    671.704: 0.36,
    692.947: 0.35,
    703.241: 0.70,
    717.394: 0.08,
}
H = {410.174: 0.05, 434.047: 0.16, 486.135: 0.50, 656.279: 1.0}
NA = {
    497.854: 0.002,
    498.281: 0.004,
    568.263: 0.006,
    568.820: 0.011,
    588.995: 1.0,
    589.592: 0.52,
    615.423: 0.002,
    616.075: 0.004,
}
CD = {441.299: 0.01, 466.235: 0.05, 467.815: 0.55, 479.991: 0.85, 508.582: 1.0, 515.466: 0.02, 643.847: 0.75}
EU = [
    (580.8, 0.010, 1.2),
    (587.3, 0.07, 1.4),
    (593.0, 0.09, 2.0),
    (599.6, 0.12, 1.8),
    (611.5, 1.0, 2.2),
    (613.6, 0.05, 2.6),
    (631.0, 0.11, 2.4),
    (650.5, 0.035, 2.4),
    (662.5, 0.02, 3.0),
    (687.6, 0.05, 2.2),
    (693.6, 0.035, 2.2),
    (707.9, 0.14, 2.6),
    (709.8, 0.10, 2.4),
]
TB = [
    (485.2, 0.10, 5.0),
    (488.3, 0.20, 3.4),
    (491.8, 0.12, 4.5),
    (542.4, 0.75, 2.4),
    (544.7, 0.62, 2.4),
    (548.9, 0.20, 5.0),
    (583.6, 0.12, 4.0),
    (588.0, 0.13, 4.5),
    (621.2, 0.10, 4.5),
]


def gauss(c, fwhm, area=1.0):
    s = fwhm / 2.3548
    return area * np.exp(-0.5 * ((GRID - c) / s) ** 2) / (s * 2.5066)


def sech2(c, wl, wr):
    w = np.where(GRID < c, wl, wr)
    return 1 / np.cosh(np.clip((GRID - c) / w, -40, 40)) ** 2


def planck(T):
    x = 1.4388e7 / (GRID * T)
    y = (560 / GRID) ** 5 / np.expm1(x) * np.expm1(1.4388e7 / (560 * T))
    return y


def sharp(lines, width):
    return sum(gauss(w, width, a) for w, a in lines.items())


def spectrum(kind, rng, bench):
    """(spectral radiance on GRID, dict of sharp lines {nm: area}, note)"""
    b = np.random.default_rng(bench * 977 + 5)  # what stays with a bench's lamps
    if kind == "cfl":
        eu, tb, bam, hg = b.uniform(1.4, 2.6), b.uniform(0.9, 1.6), b.uniform(0.9, 3.2), b.uniform(0.7, 1.3)
        sh = b.normal(0, 0.15)
        y = sum(gauss(c + sh, w, a * w / 2.2) for c, a, w in EU) * eu
        y = y + sum(gauss(c + b.normal(0, 0.1), w, a * w / 2.4) for c, a, w in TB) * tb
        y = y + sech2(450 + b.normal(0, 2), 25, 34) * bam / 50 + sech2(540, 70, 90) * 0.0015 * eu
        lines = {k: v * hg * (1 + 0.1 * b.normal()) for k, v in HG.items()}
        return (
            y + sharp(lines, 0.12),
            lines,
            f"tri-phosphor: Eu {eu:.2f}, Tb {tb:.2f}, BAM {bam:.2f}, Hg {hg:.2f}",
        )
    table = dict(helium=HE, neon=NE, hydrogen=H, sodium=NA, cadmium=CD)
    if kind in table:
        lines = {k: v * np.exp(0.12 * rng.normal()) for k, v in table[kind].items()}
        if kind == "sodium":
            lines = dict(table[kind])
        y = sharp(lines, 0.10)
        if kind == "hydrogen":  # molecular haze of an old tube
            y = y + sech2(605, 18, 22) * 0.002 + sech2(460, 40, 50) * 0.0006
        if kind == "cadmium":
            y = y + planck(2300) * 2e-4
        return y, lines, kind
    if kind == "laser":
        c = float(np.round(b.choice([632.816, 649.6, 652.3, 656.1, 638.4]), 3))
        w = 0.05 if c == 632.816 else rng.uniform(0.3, 0.8)
        return gauss(c, w), {c: 1.0}, f"red laser pointer on paper, {c} nm, FWHM {w:.2f} nm"
    if kind == "whiteled":
        p = b.uniform(446, 458)
        r = b.uniform(0.5, 1.1)
        return (
            sech2(p, 13, 12) + r * sech2(556, 52, 88) * (1 - 0.55 * sech2(p + 28, 16, 14)),
            {},
            f"white LED, pump {p:.0f} nm",
        )
    if kind == "bulb":
        T = rng.uniform(2500, 2950)
        return planck(T), {}, f"filament {T:.0f} K"
    if kind == "dye":
        k = b.integers(3)
        A = [
            1.1 * sech2(508, 55, 34),
            1.5 * sech2(630, 60, 24) + 0.3 * sech2(410, 30, 20),
            0.9
            * sum(
                a * sech2(c, 9, 9) for c, a in ((488, 0.5), (507, 0.8), (526, 1.0), (546, 0.9), (570, 0.4))
            ),
        ][k]
        return planck(2750) * 10**-A, {}, ["red dye", "blue dye", "violet salt with five bands"][k]
    if kind == "colourled":
        c, l, r = [(468, 14, 18), (522, 18, 26), (592, 12, 9), (631, 13, 9)][b.integers(4)]
        return sech2(c, l, r), {}, f"LED of one colour, {c} nm"
    if kind == "sky":
        y = planck(5778) * (560 / GRID) ** rng.uniform(0.5, 3)
        dips = [
            (393.37, 1.6, 0.75),
            (396.85, 1.3, 0.7),
            (430.8, 1.4, 0.35),
            (410.17, 0.5, 0.35),
            (434.05, 0.5, 0.4),
            (438.4, 0.3, 0.3),
            (486.13, 0.5, 0.42),
            (516.8, 0.4, 0.4),
            (517.27, 0.3, 0.4),
            (518.36, 0.35, 0.45),
            (526.95, 0.4, 0.35),
            (588.995, 0.18, 0.7),
            (589.592, 0.14, 0.65),
            (627.7, 1.0, 0.08),
            (656.28, 0.45, 0.6),
            (686.9, 1.2, 0.45),
            (688.5, 2.0, 0.3),
            (718, 5, 0.2),
            (760.5, 3, 0.8),
        ]
        for c, w, a in dips:
            y = y * (1 - a * np.exp(-0.5 * ((GRID - c) / (w / 1.6)) ** 2))
        return y, {}, "daylight of the sky"
    raise ValueError(kind)


def sensor(b):
    """Sensitivities (3, n): skewed, with infrared cut, ultraviolet cut and crosstalk. Invented."""
    ir = 1 / (1 + np.exp((GRID - b.uniform(655, 690)) / b.uniform(6, 11)))
    uv = 1 / (1 + np.exp(-(GRID - b.uniform(402, 414)) / b.uniform(3, 5)))
    r = sech2(b.uniform(593, 606), 26, 62) ** 0.9 + 0.05 * sech2(430, 18, 25) + 0.035
    g = sech2(b.uniform(524, 536), 44, 38) + 0.06 * sech2(450, 30, 30) + 0.05
    bl = sech2(b.uniform(452, 464), 34, 40) + 0.04 + 0.05 * sech2(540, 30, 40)
    return np.stack([0.75 * r, g, 0.85 * bl]) * ir * uv * 0.9
