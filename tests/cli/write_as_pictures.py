"""The FITS frames of the first folder as 16-bit TIFF (odd ones) and PNG (even ones) in the second, and
taken for a mosaic: as DNG in the third, as FITS with the letters of the mosaic in the fourth."""
import glob
import os
import sys

from astropy.io import fits
from PIL import Image

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "support"))
sys.dont_write_bytecode = True
from dng import write_dng

source, pictures, raw, mosaic = sys.argv[1:]
for number, name in enumerate(sorted(glob.glob(os.path.join(source, "*.fits")))):
    stem = os.path.basename(name)[:-5]
    pixels, header = fits.getdata(name, header=True)
    pixels = pixels.astype("<u2")
    Image.fromarray(pixels).save(os.path.join(pictures, stem + (".tif" if number % 2 else ".png")))
    position = "_pos%g" % header["FOCUSPOS"]
    write_dng(os.path.join(raw, stem + position + ".dng"), pixels, "GRBG")
    header["BAYERPAT"] = "GRBG"
    fits.writeto(os.path.join(mosaic, stem + ".fits"), pixels, header)
