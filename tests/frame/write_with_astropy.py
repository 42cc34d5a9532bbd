"""Writes FITS files with Astropy and fpack, and beside each NAME a NAME.raw of little-endian doubles."""
import os
import subprocess
import sys
import warnings

import numpy as np
from astropy.io import fits

warnings.simplefilter("ignore")
os.chdir(sys.argv[1])
random = np.random.default_rng(3)
SHAPE = (40, 61)


def write(name, hdu):
    hdu.writeto(name, overwrite=True)
    with fits.open(name) as opened:
        for part in opened:
            if part.data is not None and part.data.ndim == 2:
                np.asarray(part.data).astype("<f8").tofile(name + ".raw")
                return


forms = {
    "u8": random.integers(0, 256, SHAPE).astype("u1"),
    "i16": random.integers(-32768, 32768, SHAPE).astype("i2"),
    "u16": random.integers(0, 65536, SHAPE).astype("u2"),
    "i32": random.integers(-(2**31), 2**31, SHAPE).astype("i4"),
    "u32": random.integers(0, 2**32, SHAPE).astype("u4"),
    "i64": random.integers(-(2**50), 2**50, SHAPE).astype("i8"),
    "f32": random.normal(100, 9, SHAPE).astype("f4"),
    "f64": random.normal(100, 9, SHAPE),
}
forms["f32"][3, 4] = np.nan
forms["f64"][5, 6] = np.nan
for form, data in forms.items():
    write(form + ".fits", fits.PrimaryHDU(data))
    write(form + "_extension.fits", fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(data)]))
    write(form + ".fits.gz", fits.PrimaryHDU(data))
for form in ("u8", "i16", "u16", "i32", "u32"):
    for kind in ("RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1"):
        tiles = fits.CompImageHDU(forms[form], compression_type=kind)
        write("%s_%s.fits" % (form, kind), fits.HDUList([fits.PrimaryHDU(), tiles]))
for form in ("f32", "f64"):
    # Level 0 keeps floats whole; the default quantizes them with dither, and Astropy's own reading
    # of its file is then what has to come back.
    for kind, level in (("GZIP_1", 0), ("GZIP_2", 0), ("RICE_1", 16.0), ("GZIP_1", 16.0)):
        tiles = fits.CompImageHDU(forms[form], compression_type=kind, quantize_level=level)
        name = "%s_%s_%d.fits" % (form, kind, level)
        write(name, fits.HDUList([fits.PrimaryHDU(), tiles]))
for bits, kind in ((8, "u1"), (16, "i2"), (32, "i4")):
    raw = random.integers(0, 200, SHAPE).astype(kind)
    name = "scaled_blank_%d.fits" % bits
    fits.PrimaryHDU(raw).writeto(name, overwrite=True)
    with fits.open(name, mode="update", do_not_scale_image_data=True) as opened:
        opened[0].header["BSCALE"] = 0.25
        opened[0].header["BZERO"] = 10.0
        opened[0].header["BLANK"] = 17
    expected = raw.astype("f8") * 0.25 + 10
    expected[raw == 17] = np.nan
    expected.astype("<f8").tofile(name + ".raw")
for form in ("i16", "u16", "f32"):
    for option in (["-r"], ["-g"], ["-h"]) if form != "f32" else (["-g", "-q", "0"],):
        name = "%s_fpack%s.fits.fz" % (form, option[0])
        subprocess.run(["fpack", *option, "-Y", "-O", name, form + ".fits"], check=True)
        np.fromfile(form + ".fits.raw").tofile(name + ".raw")
