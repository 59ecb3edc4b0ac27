#!/usr/bin/env python3
"""What a practitioner writes in an afternoon, to be timed beside the program: of each photo the rows that shine most, their mean by
columns, the peaks of that, a table and a plot. No scale, no tilt, no focus, no uncertainty, no verdict. usage: script.py INBOX RESULTS"""
import csv
import os
import sys

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
from PIL import Image, ImageOps
from scipy.signal import find_peaks

inbox, results = sys.argv[1:3]
for folder, _, names in sorted(os.walk(inbox)):
    for name in sorted(names):
        picture = ImageOps.exif_transpose(Image.open(os.path.join(folder, name)).convert("RGB"))
        light = (np.asarray(picture) / 255.0) ** 2.2
        by_row = light.sum(axis=(1, 2))
        lit = np.flatnonzero(by_row > 0.5 * by_row.max())
        band = light[lit.min():lit.max() + 1]
        columns = band.mean(axis=0)
        signal = columns.sum(axis=1)
        peaks, _ = find_peaks(signal, prominence=0.02 * signal.max(), distance=5)
        place = os.path.join(results, os.path.basename(folder))
        os.makedirs(place, exist_ok=True)
        stem = os.path.join(place, os.path.splitext(name)[0])
        with open(stem + ".csv", "w", newline="") as file:
            table = csv.writer(file)
            table.writerow(["column", "signal", "red", "green", "blue"])
            table.writerows([x, s, *rgb] for x, (s, rgb) in enumerate(zip(signal, columns)))
        figure, axes = plt.subplots(figsize=(10, 4))
        axes.plot(signal)
        axes.plot(peaks, signal[peaks], "x")
        axes.set_xlabel("column")
        figure.savefig(stem + ".png")
        plt.close(figure)
