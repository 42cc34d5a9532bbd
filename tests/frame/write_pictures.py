"""Writes TIFF and PNG files with Pillow, raw2tiff, tiffcp and zlib, and beside each NAME a NAME.raw of
little-endian doubles, the plane that has to be read (green where the name says no other)."""
import os
import struct
import subprocess
import sys
import zlib

import numpy as np
from PIL import Image

os.chdir(sys.argv[1])
random = np.random.default_rng(7)
HEIGHT, WIDTH = SHAPE = (40, 61)
PLANES = ("red", "green", "blue")


def expect(name, plane):
    np.asarray(plane).astype("<f8").tofile(name + ".raw")


def by_pillow(name, data, expected, **how):
    Image.fromarray(data, how.pop("mode", None)).save(name, **how)
    expect(name, expected)


def by_raw2tiff(name, data, kind, expected, meaning="minisblack", bands=1):
    data.tofile("pixels.bin")
    subprocess.run(
        ["raw2tiff", "-w", str(WIDTH), "-l", str(HEIGHT), "-b", str(bands), "-d", kind,
         "-p", meaning, "pixels.bin", name],
        check=True, stdout=subprocess.DEVNULL)
    expect(name, expected)


def by_tiffcp(name, source, expected, *how):
    subprocess.run(["tiffcp", *how, source, name], check=True)
    expect(name, expected)


def png_by_zlib(name, data, color_type, expected):
    """A 16-bit PNG from the specification: signature, IHDR, IDAT, IEND; rows without a filter."""
    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in data)
    with open(name, "wb") as out:
        out.write(b"\x89PNG\r\n\x1a\n")
        out.write(chunk(b"IHDR", struct.pack(">IIBBBBB", WIDTH, HEIGHT, 16, color_type, 0, 0, 0)))
        out.write(chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b""))
    expect(name, expected)


u8 = random.integers(0, 256, SHAPE).astype("u1")
u16 = random.integers(0, 65536, SHAPE).astype("<u2")
f32 = random.normal(100, 9, SHAPE).astype("<f4")
f32[3, 4] = np.nan
rgb8 = random.integers(0, 256, (*SHAPE, 3)).astype("u1")
rgb16 = random.integers(0, 65536, (*SHAPE, 3)).astype("<u2")
i16 = random.integers(-32768, 32768, SHAPE).astype("<i2")
alpha = random.integers(0, 2, SHAPE).astype("u1") * 255

for how in (None, "tiff_lzw", "tiff_adobe_deflate", "packbits"):
    end = "_%s.tif" % how
    by_pillow("u8" + end, u8, u8, compression=how)
    by_pillow("u16" + end, u16, u16, compression=how)
    by_pillow("f32" + end, f32, f32, compression=how)
    by_pillow("rgb8" + end, rgb8, rgb8[:, :, 1], compression=how)

by_raw2tiff("rgb16.tif", rgb16, "short", rgb16[:, :, 1], "rgb", bands=3)
for band, plane in enumerate(PLANES):
    by_tiffcp("rgb16_%s.tif" % plane, "rgb16.tif", rgb16[:, :, band])
    by_tiffcp("rgb8_apart_%s.tif" % plane, "rgb8_None.tif", rgb8[:, :, band], "-p", "separate")
    by_tiffcp("rgb16_tiles_%s.tif" % plane, "rgb16.tif", rgb16[:, :, band],
              "-t", "-w", "32", "-l", "16", "-c", "zip:2")
    by_tiffcp("rgb8_apart_tiles_%s.tif" % plane, "rgb8_None.tif", rgb8[:, :, band],
              "-t", "-w", "16", "-l", "32", "-p", "separate", "-c", "lzw")
by_raw2tiff("i8.tif", u8.view("i1"), "sbyte", u8.view("i1"))
by_raw2tiff("i16.tif", i16, "sshort", i16)
by_raw2tiff("u32.tif", u16.astype("<u4") * 65536 + 5, "long", u16.astype("f8") * 65536 + 5)
by_raw2tiff("f64.tif", f32.astype("<f8"), "double", f32)
by_raw2tiff("white_is_zero_8.tif", u8, "byte", 255 - u8.astype("f8"), "miniswhite")
by_raw2tiff("white_is_zero_16.tif", u16, "short", 65535 - u16.astype("f8"), "miniswhite")
# A maker's name alone makes no raw file.
for source in ("u16_None.tif", "u16_tiff_lzw.tif"):
    by_tiffcp("signed_" + source, source, u16)
    subprocess.run(["tiffset", "-s", "271", "Canon", "signed_" + source], check=True)
    subprocess.run(["tiffset", "-s", "272", "Canon EOS 5D", "signed_" + source], check=True)
for source, plane in (("u16_None.tif", u16), ("f32_None.tif", f32)):
    by_tiffcp("big_endian_" + source, source, plane, "-B")
    by_tiffcp("big_" + source, source, plane, "-8")
    by_tiffcp("one_strip_" + source, source, plane, "-r", str(HEIGHT), "-c", "lzw:2")
    by_tiffcp("tiles_" + source, source, plane, "-t", "-w", "48", "-l", "16", "-c", "zip")

by_pillow("u8.png", u8, u8)
by_pillow("u16.png", u16, u16)
by_pillow("rgb8.png", rgb8, rgb8[:, :, 1])
for band, plane in enumerate(PLANES):
    by_pillow("rgb8_%s.png" % plane, rgb8, rgb8[:, :, band])
    by_pillow("rgba8_%s.png" % plane, np.dstack([rgb8, alpha]), rgb8[:, :, band])
    png_by_zlib("rgb16_%s.png" % plane, rgb16.reshape(HEIGHT, -1), 2, rgb16[:, :, band])
by_pillow("la8.png", np.dstack([u8, alpha]), u8, mode="LA")
Image.fromarray(u8 > 127).save("one_bit.png")
expect("one_bit.png", u8 > 127)
png_by_zlib("by_zlib.png", u16, 0, u16)

# Not to be read as one frame.
os.mkdir("refused")
Image.fromarray(rgb8).quantize(16).save("refused/palette.png")
Image.fromarray(rgb8).quantize(16).save("refused/palette.tif")
Image.fromarray(rgb8).save("refused/jpeg.tif", compression="jpeg")
Image.fromarray(rgb8).convert("CMYK").save("refused/cmyk.tif")
Image.fromarray(u8).save("refused/pages.tif", save_all=True, append_images=[Image.fromarray(u8)])
Image.fromarray(u8 > 127).save("refused/one_bit.tif")
Image.fromarray(rgb8).save("refused/photo.jpg")

# Each to be damaged by the test.
os.mkdir("whole")
for name in ("u8_None.tif", "u16_tiff_lzw.tif", "u16_tiff_adobe_deflate.tif", "f32_None.tif", "u8.png",
             "u16.png", "rgb16_red.png", "rgb16_tiles_red.tif", "rgb16_red.tif"):
    with open(name, "rb") as source, open("whole/" + name, "wb") as copy:
        copy.write(source.read())
