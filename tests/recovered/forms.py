"""Writes one picture in every form that a photo may come in, by programs that have nothing to do with this one.

    forms.py pictures SCENE.jpg FOLDER
    forms.py dng MOSAIC.f32 WIDTH HEIGHT EXPOSURE_S ISO FOLDER

Needs NumPy, Pillow, pillow-heif, tifffile and imagecodecs. Each form lies in a folder of its own below FOLDER.
"""

import pathlib
import struct
import sys

import imagecodecs
import numpy as np
import tifffile


def profile(trc):
    """An ICC profile (ICC.1:2022) with three equal curves and the primaries of Display P3."""

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
    head = struct.pack(">I4xI4s4s4s", start + len(data), 0x02400000, b"mntr", b"RGB ", b"XYZ ")
    head += struct.pack(">6H", 2026, 1, 1, 0, 0, 0) + b"acsp"
    head = head.ljust(68, b"\0") + struct.pack(">3i", 63190, 65536, 54061)
    return head.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + data


def para(*values):
    return b"para\0\0\0\0\0\3\0\0" + struct.pack(">5i", *(round(v * 65536) for v in values))


P3 = profile(para(2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045))
GAMMA = profile(b"curv\0\0\0\0" + struct.pack(">IH", 1, 563))
LINEAR = profile(b"curv\0\0\0\0" + struct.pack(">I", 0))


def light(code):
    """IEC 61966-2-1."""
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def pictures(scene, folder):
    import pillow_heif
    from PIL import Image

    source = Image.open(scene)
    exif = source.getexif().tobytes()
    rgb = source.convert("RGB")
    codes = np.asarray(rgb)
    linear = light(codes / 255.0)

    def at(name):
        path = folder / name.replace(".", "-") / ("lamp-01." + name.rsplit(".", 1)[1])
        path.parent.mkdir(parents=True)
        return path

    def save(name, image=rgb, **options):
        image.save(at(name), exif=exif, **options)

    # Without loss.
    save("plain.png")
    alpha = rgb.copy()
    alpha.putalpha(77)
    save("alpha.png", alpha)
    save("lossless.webp", lossless=True, quality=0, method=0)
    save("plain.tif")
    # tifffile: 16 bits; in strips, tiles, one piece, deflated with a predictor, linear with its profile.
    wide = codes.astype(np.uint16) * 257
    tifffile.imwrite(at("strips-16.tif"), wide, photometric="rgb", rowsperstrip=16)
    tifffile.imwrite(at("tiles-16.tif"), wide, photometric="rgb", tile=(256, 256))
    tifffile.imwrite(at("deflated-16.tif"), wide, photometric="rgb", compression="zlib", byteorder=">")
    deep = np.round(linear * 65535).astype(np.uint16)
    tifffile.imwrite(at("linear-16.tif"), deep, photometric="rgb", iccprofile=LINEAR)
    # One channel, of all the light.
    grey = np.round(65535 * linear.mean(axis=-1)).astype(np.uint16)
    tifffile.imwrite(at("grey-16.tif"), grey, photometric="minisblack", iccprofile=LINEAR)

    # With loss, at the quality that phones use or better.
    save("baseline.jpg", quality=95, subsampling=2)
    save("progressive.jpg", quality=95, subsampling=2, progressive=True)
    save("restart.jpg", quality=95, subsampling=2, restart_marker_blocks=64)
    save("display-p3.jpg", quality=95, subsampling=0, icc_profile=P3)
    gamma = Image.fromarray(np.round(255 * linear ** (256 / 563)).astype(np.uint8))
    save("gamma.jpg", gamma, quality=95, subsampling=0, icc_profile=GAMMA)
    # A base picture and a map of gains in one file: a multi-picture file (CIPA DC-007), as HDR photos are.
    gains = rgb.convert("L").resize((rgb.width // 4, rgb.height // 4))
    rgb.save(at("gain-map.jpg"), format="MPO", exif=exif, quality=95, save_all=True, append_images=[gains])
    motion = at("motion.jpg")
    rgb.save(motion, exif=exif, quality=95)
    with motion.open("ab") as file:
        file.write(b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom\0\0\x40\x08mdat" + bytes(16384))
    save("lossy.webp", quality=95, method=2)
    pillow_heif.register_heif_opener()
    save("plain.heic", quality=90, chroma=420)
    save("display-p3.heic", quality=90, chroma=444, icc_profile=P3)
    ten = pillow_heif.from_bytes("RGB;16", rgb.size, wide.astype("<u2").tobytes())
    ten.save(at("ten-bits.heic"), quality=90, chroma=444, exif=exif)


def dng(mosaic, width, height, exposure_s, iso, folder):
    light = np.fromfile(mosaic, "<f4").reshape(height, width)
    black, white = 512, 16383
    codes = np.clip(np.round(black + light * (white - black)), 0, white).astype(np.uint16)

    def rational(values):
        return [int(v) for x in values for v in (round(x * 10000), 10000)]

    common = [
        (271, "s", 0, "Harbour Works", True),
        (272, "s", 0, "Tern 3", True),
        (36867, "s", 0, "2026:11:12 19:00:00", True),
        (33434, "2I", 1, (round(exposure_s * 1e6), 1000000), True),
        (34855, "H", 1, round(iso), True),
        (50706, "B", 4, (1, 4, 0, 0), True),
        (50708, "s", 0, "Tern 3", True),
        (50721, "2i", 9, rational([0.9, -0.2, -0.1, -0.4, 1.2, 0.2, -0.1, 0.2, 0.6]), True),
        (50728, "2I", 3, rational([0.5, 1, 0.6]), True),
        (50778, "H", 1, 21, True),
    ]
    cfa = [(33421, "H", 2, (2, 2), True), (33422, "B", 4, (0, 1, 1, 2), True)]
    levels = [(50714, "H", 1, black, True), (50717, "H", 1, white, True)]

    def at(name):
        path = folder / name / "lamp-01.dng"
        path.parent.mkdir(parents=True)
        return path

    options = {"photometric": 32803, "extratags": common + cfa + levels, "metadata": None, "software": None}
    tifffile.imwrite(at("tifffile-whole"), codes, **options)
    tifffile.imwrite(at("tifffile-strips"), codes, rowsperstrip=64, **options)
    tifffile.imwrite(at("tifffile-tiles"), codes, tile=(256, 256), **options)

    # As phones pack them: TIFF's compression 7 with lossless JPEG in it (ITU-T T.81, process 14), and JPEG XL (DNG 1.7).
    side = 256
    padded = np.pad(codes, ((0, -height % side), (0, -width % side)), mode="edge")

    def packed(pack):
        for y in range(0, height, side):
            for x in range(0, width, side):
                yield pack(np.ascontiguousarray(padded[y : y + side, x : x + side]))

    forms = {
        "lossless-jpeg": (7, lambda tile: imagecodecs.ljpeg_encode(tile, bitspersample=14)),
        "jpeg-xl": (52546, lambda tile: imagecodecs.jpegxl_encode(tile, lossless=True)),
    }
    for name, (compression, pack) in forms.items():
        shape = {"shape": codes.shape, "dtype": codes.dtype, "tile": (side, side)}
        tifffile.imwrite(at(name), packed(pack), compression=compression, **shape, **options)


if sys.argv[1] == "pictures":
    pictures(sys.argv[2], pathlib.Path(sys.argv[3]))
else:
    name, width, height, exposure_s, iso, target = sys.argv[2:]
    dng(name, int(width), int(height), float(exposure_s), float(iso), pathlib.Path(target))
