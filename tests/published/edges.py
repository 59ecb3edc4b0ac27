"""Two filters in the light of a lamp as a phone with a response of its own shows them: writes edges.csv, by scipy alone.

python edges.py > edges.csv (numpy, scipy)
"""

import numpy as np
from scipy import constants, optimize

NM = np.arange(415.0, 706.0)


def planck(nm, kelvin):
    second = constants.h * constants.c / constants.k
    return (nm / 560.0) ** -5 / np.expm1(second / (nm * 1e-9 * kelvin)) * np.expm1(second / (560e-9 * kelvin))


def response(nm):
    blue, green, red = (np.exp(-0.5 * ((nm - at) / width) ** 2) for at, width in ((460, 25), (535, 35), (600, 30)))
    return 0.05 + 0.5 * blue + 0.8 * green + 0.7 * red


def long_pass(nm):
    # A coloured glass: absorbance falls exponentially with wavelength (Urbach's rule), on 9 % lost at two surfaces.
    return 0.91 * 10 ** (-0.301 * np.exp(-(nm - 570.0) / 6.0))


def short_pass(nm):
    # An interference filter: a logistic step.
    return 0.9 / (1 + np.exp((nm - 605.0) / 5.0)) + 0.005


def half(filter_, top, low, high):
    return optimize.brentq(lambda nm: filter_(nm) - 0.5 * top, low, high)


print("# Drawn by tests/published/edges.py with scipy: a bulb of 2800 K, then 2650 K through two filters, as one phone shows them.")
print(f"# half height by scipy.optimize.brentq, nm: {half(long_pass, 0.91, 540, 650):.3f} {half(short_pass, 0.905, 560, 640):.3f}")
print("wavelength_nm,bulb,long_pass,short_pass")
seen = response(NM)
for row in zip(
    NM,
    0.1 * seen * planck(NM, 2800.0),
    0.1 * seen * planck(NM, 2650.0) * long_pass(NM),
    0.1 * seen * planck(NM, 2650.0) * short_pass(NM),
):
    print(",".join(f"{value:.6g}" for value in row))
