"""Writes the files beside this script: one small scene in every form that a photo may come in.

Needs Pillow, pillow-heif and NumPy (from PyPI), ImageMagick and libjpeg's tools (from Debian: imagemagick,
libjpeg-turbo-progs). Not part of the build: the files are kept, so that they stay what other programs wrote.
"""

import io
import pathlib
import struct
import subprocess

import numpy as np
import pillow_heif
from PIL import Image, ImageFilter

HERE = pathlib.Path(__file__).parent
W, H = 64, 48


def scene():
    """Linear light, H x W x 3; the last 16 x 16 pixels are at full scale."""
    y, x = np.mgrid[0:H, 0:W]
    u, v = (x + 0.5) / W, (y + 0.5) / H
    turn = 2 * np.pi
    light = np.stack(
        [
            0.45 + 0.35 * np.sin(turn * (u + 0.25 * v)),
            0.45 + 0.35 * np.sin(turn * (0.7 * u - 0.5 * v) + 1),
            0.45 + 0.35 * np.cos(turn * (0.5 * u + v)),
        ],
        axis=-1,
    )
    light[32:, 48:] = 1.0
    return light


def srgb(light):
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def bits8(code):
    return np.round(255 * code).astype(np.uint8)


def profile(trc):
    """An ICC profile with three equal curves and the primaries of Display P3."""

    def xyz(*v):
        return b"XYZ \0\0\0\0" + struct.pack(">3i", *(round(c * 65536) for c in v))

    tags = [
        (b"wtpt", xyz(0.9642, 1.0, 0.8249)),
        (b"rXYZ", xyz(0.5151, 0.2412, -0.0011)),
        (b"gXYZ", xyz(0.2920, 0.6922, 0.0419)),
        (b"bXYZ", xyz(0.1571, 0.0666, 0.7841)),
        (b"rTRC", trc),
        (b"gTRC", trc),
        (b"bTRC", trc),
        (b"desc", b"desc\0\0\0\0" + struct.pack(">I", 5) + b"test\0" + bytes(78)),
        (b"cprt", b"text\0\0\0\0none\0"),
    ]
    table, data = b"", b""
    start = 128 + 4 + 12 * len(tags)
    for name, body in tags:
        body += bytes(-len(body) % 4)
        table += name + struct.pack(">II", start + len(data), len(body))
        data += body
    size = start + len(data)
    head = struct.pack(">I4xI4s4s4s", size, 0x02400000, b"mntr", b"RGB ", b"XYZ ")
    head += struct.pack(">6H", 2025, 1, 1, 0, 0, 0) + b"acsp"
    head = head.ljust(68, b"\0") + struct.pack(">3i", 63190, 65536, 54061)
    return head.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + data


P3 = profile(
    b"para\0\0\0\0\0\3\0\0"
    + struct.pack(">5i", *(round(p * 65536) for p in (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)))
)
GAMMA = profile(b"curv\0\0\0\0" + struct.pack(">IH", 1, 563))
LINEAR = profile(b"curv\0\0\0\0" + struct.pack(">I", 0))


def shell(*words):
    subprocess.run([str(w) for w in words], check=True, cwd=HERE)


def main():
    light = scene()
    rgb = Image.fromarray(bits8(srgb(light)))
    green = Image.fromarray(bits8(srgb(light[..., 1])))

    def save(name, image=rgb, **options):
        image.save(HERE / name, **options)

    # Pillow: JPEG.
    save("baseline-444.jpg", quality=95, subsampling=0)
    save("baseline-422.jpg", quality=95, subsampling=1)
    save("baseline-420.jpg", quality=95, subsampling=2)
    save("progressive.jpg", quality=95, subsampling=2, progressive=True)
    save("restart.jpg", quality=95, subsampling=2, restart_marker_blocks=2)
    # As large as it has to be for a reading that slipped in the last scan to find back into step.
    y, x = np.mgrid[0:360, 0:480].astype(float)
    waves = [60 + 50 * np.sin(0.01 * c * x + 0.004 * y) + 30 * np.sin(0.15 * x + 0.07 * c * y) for c in (1, 2, 3)]
    waves = np.stack(waves, axis=-1) + np.random.default_rng(5).normal(0, 4, (360, 480, 3))
    noise = Image.fromarray(np.clip(waves, 0, 255).astype(np.uint8)).filter(ImageFilter.GaussianBlur(0.8))
    save("noise.jpg", noise, quality=85, subsampling=2, progressive=True)
    save("optimised.jpg", quality=95, subsampling=2, optimize=True)
    save("grey.jpg", green, quality=95)
    save("rgb-coded.jpg", quality=95, keep_rgb=True)
    save("cmyk.jpg", rgb.convert("CMYK"), quality=90)
    save("display-p3.jpg", quality=95, subsampling=0, icc_profile=P3)
    gamma = Image.fromarray(bits8(light ** (256 / 563)))
    save("gamma.jpg", gamma, quality=95, subsampling=0, icc_profile=GAMMA)
    exif = Image.Exif()
    exif[0x0112] = 6
    exif[0x010F], exif[0x0110] = "Harbour Works", "Tern 3"
    exif.get_ifd(0x8769).update({0x829A: 0.02, 0x8827: 200, 0xA405: 26, 0x9003: "2025:11:04 18:30:05"})
    # Seen upright it is the scene: the file holds it turned a quarter to the left.
    save("turned.jpg", rgb.transpose(Image.Transpose.ROTATE_90), quality=95, subsampling=0, exif=exif)
    save("two-pictures.mpo", quality=95, subsampling=0, save_all=True, append_images=[rgb.resize((16, 16))])
    still = (HERE / "baseline-420.jpg").read_bytes()
    (HERE / "motion.jpg").write_bytes(still + b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom\0\0\0\x08mdat")

    # libjpeg's and ImageMagick's own.
    shell("jpegtran", "-arithmetic", "-outfile", "arithmetic.jpg", "baseline-420.jpg")
    save("scene.png")
    shell("convert-im6.q16", "scene.png", "-quality", "95", "-sampling-factor", "1x2", "upright-chroma.jpg")
    shell("convert-im6.q16", "scene.png", "-quality", "95", "-sampling-factor", "4x1", "wide-chroma.jpg")

    # PNG, TIFF and WebP: 16 bits by way of a raw file.
    alpha = rgb.copy()
    alpha.putalpha(90)
    save("alpha.png", alpha)
    wide = np.round(65535 * srgb(light)).astype(">u2")
    raw = HERE / "scene.raw"
    raw.write_bytes(wide.tobytes())
    source = ["convert-im6.q16", "-size", f"{W}x{H}", "-depth", "16", "-endian", "MSB", f"rgb:{raw}"]
    shell(*source, "-define", "png:bit-depth=16", "-define", "png:color-type=2", "rgb-16.png")
    shell(*source, "-interlace", "PNG", "-define", "png:bit-depth=16", "interlaced-16.png")
    shell(*source, "-compress", "LZW", "lzw-16.tif")
    shell(*source, "-compress", "Zip", "-define", "tiff:endian=msb", "-define", "tiff:predictor=2", "zip-16-msb.tif")
    shell("convert-im6.q16", "scene.png", "-interlace", "Plane", "-compress", "None", "planar-8.tif")
    linear = np.round(65535 * light).astype(">u2")
    raw.write_bytes(linear.tobytes())
    (HERE / "linear.icc").write_bytes(LINEAR)
    shell(*source, "-profile", "linear.icc", "-compress", "LZW", "linear-16.tif")
    shell("rm", "linear.icc", "scene.raw")
    grey = np.round(65535 * srgb(light[..., 1])).astype(np.uint16)
    save("grey-16.png", Image.fromarray(grey))
    save("raw-8.tif")
    save("cmyk.tif", rgb.convert("CMYK"), compression="tiff_lzw")
    save("lossy.webp", quality=96)
    save("lossless.webp", lossless=True)

    # HEIC and its kin.
    pillow_heif.register_heif_opener()
    save("plain.heic", quality=95, chroma=420)
    save("display-p3.heic", quality=95, chroma=444, icc_profile=P3)
    # The orientation must be in plain bytes for the writer to say it in the container, too.
    turned = exif.tobytes()
    save("turned.heic", rgb.transpose(Image.Transpose.ROTATE_90), quality=95, chroma=444, exif=turned)
    exif[0x0112] = 5
    mirrored = exif.tobytes()
    save("mirrored.heic", rgb.transpose(Image.Transpose.TRANSPOSE), quality=95, chroma=444, exif=mirrored)
    ten = pillow_heif.from_bytes("RGB;16", (W, H), np.round(65535 * srgb(light)).astype("<u2").tobytes())
    ten.save(HERE / "ten-bits.heic", quality=95, chroma=444)
    save("other.avif", quality=90)


main()
