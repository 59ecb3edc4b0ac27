"""Reads published spectra with general-purpose readers: JCAMP-DX with the package jcamp, tables with pandas and numpy.

Argument: a folder with spectrum.jdx, absorbance.jdx, spectrum.csv. Standard output: what they hold, as a JSON object.
"""

import json
import sys
from pathlib import Path

import jcamp
import numpy as np
import pandas as pd


def of_jcamp(path):
    data = jcamp.readfile(str(path))
    head = {k: str(v) for k, v in data.items() if k not in ("x", "y")}
    return {"x": [float(v) for v in data["x"]], "y": [float(v) for v in data["y"]], "head": head}


folder = Path(sys.argv[1])
table = pd.read_csv(folder / "spectrum.csv")
plain = np.genfromtxt(folder / "spectrum.csv", delimiter=",", names=True)
# An empty cell is not a number to both of them, and every other cell is a number.
assert all(kind.kind == "f" or kind.kind == "i" for kind in table.dtypes), table.dtypes
for name in table.columns:
    assert np.array_equal(table[name].to_numpy(float), plain[name], equal_nan=True), name
json.dump(
    {
        "spectrum": of_jcamp(folder / "spectrum.jdx"),
        "absorbance": of_jcamp(folder / "absorbance.jdx"),
        "columns": list(table.columns),
        "table": {n: [None if np.isnan(v) else float(v) for v in table[n]] for n in table.columns},
    },
    sys.stdout,
)
