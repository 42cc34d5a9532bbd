"""FITS frames of the first folder as 16-bit TIFF (odd ones) and PNG (even ones) in the second."""
import glob
import os
import sys

from astropy.io import fits
from PIL import Image

for number, name in enumerate(sorted(glob.glob(os.path.join(sys.argv[1], "*.fits")))):
    pixels = fits.getdata(name).astype("<u2")
    stem = os.path.join(sys.argv[2], os.path.basename(name)[:-5])
    Image.fromarray(pixels).save(stem + (".tif" if number % 2 else ".png"))
