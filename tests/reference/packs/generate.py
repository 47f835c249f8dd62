"""Writes other-writer.zarr.zip, a pack made by zarr-python and numcodecs. Run by hand:

    pip install zarr==3.1.6 numcodecs==0.16.6 numpy==2.4.6
    python generate.py

The ZIP's entries carry the time of writing; all else is the same each time.
"""

import warnings
import zipfile

import numpy as np
import zarr
from zarr.codecs import BytesCodec, TransposeCodec, ZstdCodec
from zarr.codecs.numcodecs import Delta, Shuffle

warnings.simplefilter("ignore")
NAME = "other-writer.zarr.zip"
ROWS, COLUMNS = 300, 11
SCAN = """format = "weighlight-scan/1"
id = "one"
captured = 2026-03-04T09:12:33Z
scanner = "line-2"
[height]
file = "height.png"
pitch_across_mm = 0.4
pitch_along_mm = 0.4
scale_mm = 0.01
offset_mm = -5.0
invalid = 0
[colour]
file = "colour.png"
pitch_across_mm = 0.4
pitch_along_mm = 0.4
"""

row, column = np.mgrid[0:ROWS, 0:COLUMNS]
heights = ((row * 131 + column * column * 7) % 65521).astype("<u2")
row, column, channel = np.mgrid[0:ROWS, 0:COLUMNS, 0:3]
colours = ((row * 3 + column * 5 + channel * 77) % 256).astype("u1")

store = zarr.storage.ZipStore(NAME, mode="w", compression=zipfile.ZIP_STORED)
root = zarr.create_group(
    store,
    attributes={"format": "weighlight-pack/1", "recording": "one", "frames": [{"group": "0000", "id": "one"}]},
)
frame = root.create_group("0000", attributes={"id": "one", "colour_lossy": False})
zstd = ZstdCodec(level=5, checksum=True)
for name, data, filters, serializer, compressors in [
    ("height", heights, [Delta(dtype="<u2", astype="<u2")], BytesCodec(), [Shuffle(elementsize=2), zstd]),
    ("colour", colours, [TransposeCodec(order=(0, 2, 1)), Delta(dtype="|u1", astype="|u1")], BytesCodec(endian=None), [zstd]),
]:
    frame.create_array(
        name, shape=data.shape, dtype=data.dtype, chunks=(256,) + data.shape[1:], filters=filters,
        serializer=serializer, compressors=compressors, fill_value=0,
    )[:] = data
store.close()
with zipfile.ZipFile(NAME, "a", zipfile.ZIP_STORED) as pack:
    pack.writestr("0000/scan.toml", SCAN)
