"""Where is a line, by other means than the program's?

Reads a photo with Pillow, makes it linear by the formula of IEC 61966-2-1, finds one isolated line row by row as the
centroid of what stands above half of its height, and turns each place into a wavelength with the conical form of the
grating equation (C. Palmer, Diffraction Grating Handbook, classical and conical mounts; from memory):

    m lambda / d = alpha - alpha_slit,    beta = beta_slit

(alpha, beta direction cosines across and along the grooves). Nothing of the program is used but the parameters of the
instrument, as it publishes them. Standard input: a JSON object with photo, optics, order (+1 or -1), near_nm and half_height
(half of the slit's extent along the grooves to use, as a direction cosine). Standard output: the wavelength as a JSON object.
"""

import json
import sys

import numpy as np
from PIL import Image
from scipy.optimize import brentq


def linear_light(path):
    """Sum of the channels in linear light, row by row."""
    codes = np.asarray(Image.open(path).convert("RGB"), dtype=float) / 255.0
    light = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)
    return light.sum(axis=2)


def about(axis, angle):
    """Matrix that gives the coordinates of a vector in a frame turned by `angle` in the plane of two other axes."""
    c, s = np.cos(angle), np.sin(angle)
    return {
        "z": np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]),
        "y": np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]]),
        "x": np.array([[1, 0, 0], [0, c, s], [0, -s, c]]),
    }[axis]


class Instrument:
    """Camera and grating with the parameters that the program publishes."""

    def __init__(self, o):
        self.d = o["groove_spacing_nm"]
        self.f = o["focal_px"]
        self.centre = np.array(o["centre_px"])
        self.k1, self.k2 = o["k1"], o["k2"]
        # From the picture to the grating: first the roll is taken out, then the yaw, then the pitch.
        self.turn = about("x", o["pitch_rad"]) @ about("y", o["yaw_rad"]) @ about("z", o["roll_rad"])
        self.slope = o["skew_slope"]
        self.beta_mid = o["beta_mid"]
        gamma = np.sqrt(1 - o["alpha_slit"] ** 2 - o["beta_mid"] ** 2)
        # The slit is a straight line in a plane parallel to the grating: x = x0 + slope * y at distance 1 from the foot
        # of the grating's normal through the pupil. The lens's pupil lies this much of the distance behind the grating.
        self.pupil = o["pupil_share"]
        self.x0 = (1 + self.pupil) * (o["alpha_slit"] - self.slope * o["beta_mid"]) / gamma

    def cosines(self, u, v):
        """Direction cosines of the ray through a pixel, in the frame of the grating."""
        seen = (np.array([u, v]) - self.centre) / self.f
        r_seen = np.hypot(*seen)
        r = brentq(lambda r: r * (1 + self.k1 * r**2 + self.k2 * r**4) - r_seen, 0, 2 * r_seen + 1e-9)
        x, y = seen * (r / r_seen if r_seen > 0 else 1.0)
        ray = self.turn @ np.array([x, y, 1.0])
        return ray / np.linalg.norm(ray)

    def slit_alpha(self, alpha, beta, gamma):
        """The cosine across the grooves of the slit's point that has this cosine along them, seen from where the ray
        (alpha, beta, gamma) leaves the grating."""
        here = (self.pupil * alpha / gamma, self.pupil * beta / gamma)
        x0 = self.x0 - here[0] + self.slope * here[1]

        def length(gamma):
            return (x0 * gamma + self.slope * beta) ** 2 + beta**2 + gamma**2 - 1

        gamma = brentq(length, 0.5, 1.0)
        return x0 * gamma + self.slope * beta

    def wavelength(self, u, v, order):
        """nm, and the height along the slit."""
        alpha, beta, gamma = self.cosines(u, v)
        return self.d * (alpha - self.slit_alpha(alpha, beta, gamma)) / order, beta - self.beta_mid


def centroid(row, start):
    """Centroid of what stands above half height in a row, in px; absent where there is nothing."""
    ground = np.median(np.concatenate([row[:3], row[-3:]]))
    height = row.max() - ground
    if height <= 0:
        return None
    weight = np.clip(row - ground - 0.5 * height, 0, None)
    return start + (weight * np.arange(row.size)).sum() / weight.sum()


def main():
    task = json.load(sys.stdin)
    light = linear_light(task["photo"])
    instrument = Instrument(task["optics"])
    order, near_nm = task["order"], task["near_nm"]
    found = []
    for v in range(light.shape[0]):
        # The slit is short and the grating shifts nothing along it: most rows are far from the band.
        if abs(instrument.wavelength(instrument.centre[0], v, order)[1]) > 2 * task["half_height"]:
            continue

        # Where the row crosses the line, roughly: the wavelength rises or falls steadily along it.
        def off(u):
            return instrument.wavelength(u, v, order)[0] - near_nm

        left, right = (instrument.centre[0] - 20, light.shape[1] - 20) if order > 0 else (20, instrument.centre[0] + 20)
        if off(left) * off(right) > 0:
            continue
        u = brentq(off, left, right, xtol=0.01)
        if abs(instrument.wavelength(u, v, order)[1]) > task["half_height"]:
            continue
        reach = 7
        start = int(round(u)) - reach
        if start < 0 or start + 2 * reach + 1 > light.shape[1]:
            continue
        place = centroid(light[v, start : start + 2 * reach + 1], start)
        if place is not None:
            found.append((v, place))
    rows, places = np.array(found).T
    # The line is smooth: a parabola through all rows, so that the pixel grid averages out.
    curve = np.poly1d(np.polyfit(rows, places, 2))
    nm = [instrument.wavelength(curve(v), v, order)[0] for v in rows]
    json.dump({"wavelength_nm": float(np.mean(nm)), "spread_nm": float(np.std(nm)), "rows": len(nm)}, sys.stdout)


if __name__ == "__main__":
    main()
