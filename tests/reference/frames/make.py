"""Small frames written by other people's software, to be read back exactly.

Every frame is 13 rows x 17 columns. Counts are (4099*row + 257*column) mod 65536, floats are counts/100 - 5 as float32 with NaN
at (2, 3), colours are red = 19*row, green = 15*column, blue = row XOR column.
Run: python make.py FOLDER
"""

import hashlib
import io
import struct
import sys
import zipfile
import zlib
from pathlib import Path

import cv2
import numpy as np
import tifffile

out = Path(sys.argv[1])
row, column = np.mgrid[0:13, 0:17]
counts = ((4099 * row + 257 * column) % 65536).astype("<u2")
floats = (counts.astype("f8") / 100 - 5).astype("<f4")
floats[2, 3] = np.nan
rgb = np.dstack([19 * row, 15 * column, row ^ column]).astype("u1")

cv2.imwrite(str(out / "u16.png"), counts)
cv2.imwrite(str(out / "u8.png"), (counts >> 8).astype("u1"))
cv2.imwrite(str(out / "rgb.png"), rgb[:, :, ::-1])
cv2.imwrite(str(out / "rgba.png"), np.dstack([rgb, rgb[:, :, 0]]))
cv2.imwrite(str(out / "rgb16.png"), rgb.astype("<u2") * 257)
# A flat colour: JPEG keeps it to within rounding whatever the decoder.
cv2.imwrite(str(out / "flat.jpg"), np.full((13, 17, 3), (40, 90, 200), "u1"), [cv2.IMWRITE_JPEG_QUALITY, 95])
cv2.imwrite(str(out / "grey.jpg"), (counts >> 8).astype("u1"))

np.save(out / "u16.npy", counts)
np.save(out / "f32.npy", floats)
np.save(out / "i32.npy", counts.astype("<i4"))
np.save(out / "fortran.npy", np.asfortranarray(counts))
np.save(out / "flat.npy", counts.ravel())
np.save(out / "big.npy", counts.astype(">u2"))

tiff = lambda name, data, **kw: tifffile.imwrite(out / name, data, metadata=None, **kw)
tiff("u16_strips.tif", counts, rowsperstrip=4, photometric="minisblack")
tiff("u16_big_endian.tif", counts, byteorder=">", photometric="minisblack")
tiff("u16_tiled.tif", counts, tile=(16, 16), photometric="minisblack")
tiff("f32.tif", floats, rowsperstrip=5, photometric="minisblack")
tiff("f32_tiled.tif", floats, tile=(16, 16), photometric="minisblack")
tiff("rgb.tif", rgb, rowsperstrip=3, photometric="rgb")
tiff("u8.tif", (counts >> 8).astype("u1"), photometric="minisblack")
tiff("i16.tif", counts.astype("<i2"), photometric="minisblack")
tiff("white_is_zero.tif", counts, photometric="miniswhite")
tiff("planar.tif", rgb.transpose(2, 0, 1), photometric="rgb", planarconfig="separate")
tiff("pages.tif", np.stack([counts, counts]), photometric="minisblack")


def chunk(kind, data):
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


# Adam7 (PNG specification, section 8): start and step of the columns and rows of each pass.
passes = [(0, 8, 0, 8), (4, 8, 0, 8), (0, 4, 4, 8), (2, 4, 0, 4), (0, 2, 2, 4), (1, 2, 0, 2), (0, 1, 1, 2)]
lines = b"".join(
    b"\0" + line.astype(">u2").tobytes()
    for x0, dx, y0, dy in passes
    for line in counts[y0::dy, x0::dx]
    if line.size
)
(out / "u16_interlaced.png").write_bytes(
    b"\x89PNG\r\n\x1a\n"
    + chunk(b"IHDR", struct.pack(">IIBBBBB", 17, 13, 16, 0, 0, 0, 1))
    + chunk(b"IDAT", zlib.compress(lines))
    + chunk(b"IEND", b"")
)
# A header alone that claims 40 000 x 25 000 samples.
(out / "huge.png").write_bytes(
    b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", struct.pack(">IIBBBBB", 40000, 25000, 16, 0, 0, 0, 0)) + chunk(b"IDAT", b"")
)
palette = (
    b"\x89PNG\r\n\x1a\n"
    + chunk(b"IHDR", struct.pack(">IIBBBBB", 17, 13, 8, 3, 0, 0, 0))
    + chunk(b"PLTE", bytes(range(48)))
    + chunk(b"IDAT", zlib.compress(b"".join(b"\0" + bytes(c % 16 for c in range(17)) for _ in range(13))))
    + chunk(b"IEND", b"")
)
(out / "palette.png").write_bytes(palette)


def x3p(name, kind, data, increment, valid=None):
    """ISO 25178-72: lengths in metres; columns 0.4 mm, rows 0.5 mm apart."""
    raw = data.tobytes()
    mask = "<ValidPointsLink>bindata/valid.bin</ValidPointsLink>" if valid is not None else ""
    xml = f"""<?xml version="1.0" encoding="UTF-8"?>
<p:ISO5436_2 xmlns:p="http://www.opengps.eu/2008/ISO5436_2">
  <Record1><Revision>ISO5436 - 2000</Revision><FeatureType>SUR</FeatureType><Axes>
    <CX><AxisType>I</AxisType><DataType>D</DataType><Increment>4e-4</Increment><Offset>0</Offset></CX>
    <CY><AxisType>I</AxisType><DataType>D</DataType><Increment>5e-4</Increment><Offset>0</Offset></CY>
    <CZ><AxisType>A</AxisType><DataType>{kind}</DataType><Increment>{increment}</Increment><Offset>{-5e-3}</Offset></CZ>
  </Axes></Record1>
  <Record3><MatrixDimension><SizeX>17</SizeX><SizeY>13</SizeY><SizeZ>1</SizeZ></MatrixDimension>
    <DataLink><PointDataLink>bindata/data.bin</PointDataLink>
      <MD5ChecksumPointData>{hashlib.md5(raw).hexdigest()}</MD5ChecksumPointData>{mask}</DataLink></Record3>
</p:ISO5436_2>
"""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        def put(member, content):
            archive.writestr(zipfile.ZipInfo(member, (2026, 1, 1, 0, 0, 0)), content, zipfile.ZIP_DEFLATED)

        put("main.xml", xml)
        put("bindata/data.bin", raw)
        if valid is not None:
            put("bindata/valid.bin", np.packbits(valid.ravel(), bitorder="little").tobytes())
    (out / name).write_bytes(packed.getvalue())


metres = counts.astype("f8") * 1e-5
metres[2, 3] = np.nan
x3p("d.x3p", "D", metres.astype("<f8"), 1)
x3p("f.x3p", "F", metres.astype("<f4"), 1)
valid = np.ones_like(counts, bool)
valid[2, 3] = False
x3p("l.x3p", "L", counts.astype("<i4"), 1e-5, valid)
x3p("i.x3p", "I", (counts // 4).astype("<i2"), 4e-5, valid)
