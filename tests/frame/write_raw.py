"""Writes DNG files, and beside each NAME a NAME.raw: what has to be read of it, as little-endian
doubles."""
import os
import sys

import numpy as np

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "support"))
sys.dont_write_bytecode = True
from dng import write_dng

os.chdir(sys.argv[1])
random = np.random.default_rng(23)
HEIGHT, WIDTH = SHAPE = (60, 94)  # with the covered margins
EVEN_AREA = (4, 2, 57, 91)  # top, left, bottom, right
ODD_AREA = (5, 3, 57, 90)
def expect(name, plane):
    np.asarray(plane).astype("<f8").tofile(name + ".raw")


mosaic = random.integers(300, 15000, SHAPE)
visible = mosaic[4:57, 2:91]
for cfa in ("RGGB", "BGGR", "GRBG", "GBRG"):
    write_dng("%s.dng" % cfa, mosaic, cfa, white=15000, area=EVEN_AREA)
    expect("%s.dng" % cfa, visible)
    write_dng("whole_%s.dng" % cfa, mosaic, cfa)
    expect("whole_%s.dng" % cfa, mosaic)
    # Of odd margins a row and a column more is cut off: the tile then begins with its last letter.
    write_dng("odd_%s.dng" % cfa, mosaic, cfa[::-1], area=ODD_AREA)
    expect("odd_%s.dng" % cfa, mosaic[6:57, 4:90])
# The same black level everywhere stays in; differences between the sites are taken off.
write_dng("even_black_RGGB.dng", mosaic, "RGGB", black=[256] * 4, white=15000, area=EVEN_AREA)
expect("even_black_RGGB.dng", visible)
black = [256, 260, 290, 256]
write_dng("odd_black_RGGB.dng", mosaic, "RGGB", black=black, white=15000, area=EVEN_AREA)
steps = np.array(black).reshape(2, 2) - 256
expect("odd_black_RGGB.dng", visible - np.tile(steps, (27, 45))[:53, :89])

os.mkdir("refused")
write_dng("refused/six_by_six.dng", mosaic, "GBGGRGRGRBGBGBGGRGGRGGBGBGBRGRGRGGBG", repeat=6)
write_dng("refused/no_mosaic.dng", random.integers(0, 9000, (*SHAPE, 3)), None, meaning=34892)
