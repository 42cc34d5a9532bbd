"""Uncompressed DNG files byte by byte from the DNG 1.4 and TIFF 6.0 specifications."""
import struct

BYTE, ASCII, SHORT, LONG, RATIONAL, SRATIONAL = 1, 2, 3, 4, 5, 10
FORMS = {BYTE: "B", ASCII: "s", SHORT: "H", LONG: "I", RATIONAL: "I", SRATIONAL: "i"}
COLOURS = {"R": 0, "G": 1, "B": 2}


def directory(entries, offset):
    """The bytes of a directory that begins at `offset`, and of the values that do not fit in it."""
    entries = sorted(entries)
    values_at = offset + 2 + 12 * len(entries) + 4
    table, values = struct.pack("<H", len(entries)), b""
    for tag, form, content in entries:
        if form == ASCII:
            packed, count = content.encode() + b"\0", len(content) + 1
        else:
            packed = struct.pack("<%d%s" % (len(content), FORMS[form]), *content)
            count = len(content) // (2 if form in (RATIONAL, SRATIONAL) else 1)
        if len(packed) <= 4:
            table += struct.pack("<HHI", tag, form, count) + packed.ljust(4, b"\0")
        else:
            table += struct.pack("<HHII", tag, form, count, values_at + len(values))
            values += packed + b"\0" * (len(packed) % 2)
    return table + struct.pack("<I", 0) + values


def write_dng(name, pixels, cfa, repeat=2, black=None, white=None, area=None, meaning=32803):
    """`cfa`: the letters of the mosaic, from the corner of the active area; `area`: top, left, bottom,
    right."""
    exif_at = 8
    exif = directory([(33434, RATIONAL, [5, 2]), (36867, ASCII, "2027:02:03 20:11:05")], exif_at)
    pixels_at = exif_at + len(exif) + len(exif) % 2
    data = pixels.astype("<u2").tobytes()
    main_at = pixels_at + len(data)
    entries = [
        (254, LONG, [0]), (256, LONG, [pixels.shape[1]]), (257, LONG, [pixels.shape[0]]),
        (258, SHORT, [16] * (1 if pixels.ndim == 2 else 3)), (259, SHORT, [1]),
        (262, SHORT, [meaning]), (271, ASCII, "Made up"), (272, ASCII, "Made up one"),
        (273, LONG, [pixels_at]), (274, SHORT, [1]),
        (277, SHORT, [1 if pixels.ndim == 2 else 3]), (278, LONG, [pixels.shape[0]]),
        (279, LONG, [len(data)]), (284, SHORT, [1]), (306, ASCII, "2027:02:03 20:11:05"),
        (34665, LONG, [exif_at]), (50706, BYTE, [1, 4, 0, 0]), (50708, ASCII, "Made up one"),
        (50721, SRATIONAL, [1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1]),
        (50778, SHORT, [21])]
    if cfa:
        entries += [(33421, SHORT, [repeat, repeat]), (33422, BYTE, [COLOURS[c] for c in cfa]),
                    (50710, BYTE, [0, 1, 2]), (50711, SHORT, [1])]
    if black:
        entries += [(50713, SHORT, [2, 2]), (50714, LONG, black)]
    if white:
        entries.append((50717, LONG, [white]))
    if area:
        entries.append((50829, LONG, area))
    with open(name, "wb") as out:
        out.write(struct.pack("<2sHI", b"II", 42, main_at))
        out.write(exif.ljust(pixels_at - exif_at, b"\0") + data)
        out.write(directory(entries, main_at))
