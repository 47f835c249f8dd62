"""Turns recordings by `weighlight simulate` into the archive under sample-scans/. Run: python convert.py MADE

MADE holds belly-strips, fillets and rolls as sample-scans/README.md says how to make them. Frames are copied as they are, except fillets: there,
rows are left out as if the belt had not run evenly under a scanner that takes rows at a steady rate, `profiles.csv` tells where each row
lies, the heights are stored as TIFF and the colours as JPEG. Checked with numpy 2.4.6, pillow 13.0.0 and tifffile 2026.3.3; other versions may
compress to other bytes.
"""

import csv
import math
import pathlib
import re
import shutil
import sys
from datetime import datetime, timedelta

import numpy as np
import tifffile
from PIL import Image

OUT = pathlib.Path(__file__).parents[3] / "sample-scans"
ROW_MM = 0.4
NOMINAL_MM = 0.6
SPEED_MM_S = 450.0
SWELL_MM = 130.0  # the belt is fast and slow in turn over this length


def kept_rows(rows):
    """Rows 1 or 2 apart, 1.5 on the mean: the nearest to where a belt of swelling speed would be."""
    kept, place = [], 0.0
    while round(place) < rows:
        kept.append(round(place))
        place += 1.5 + 0.5 * math.sin(2 * math.pi * place * ROW_MM / SWELL_MM)
    return kept


def uneven(source, target):
    shutil.copytree(source, target)
    heights = np.array(Image.open(source / "height.png"))
    kept = kept_rows(len(heights))
    tifffile.imwrite(target / "height.tif", heights[kept], compression="zlib", predictor=True, photometric="minisblack", metadata=None)
    (target / "height.png").unlink()
    Image.open(source / "colour.png").save(target / "colour.jpg", quality=92, subsampling=0)
    (target / "colour.png").unlink()
    text = (target / "scan.toml").read_text()
    captured = datetime.fromisoformat(re.search(r"captured = (\S+)", text)[1].replace("Z", "+00:00"))
    text = text.replace("height.png", "height.tif").replace("colour.png", "colour.jpg")
    text = text.replace("pitch_along_mm = 0.4", f"pitch_along_mm = {NOMINAL_MM}", 1)
    text += '\n[profiles]\nfile = "profiles.csv"\n'
    (target / "scan.toml").write_text(text)
    with open(target / "profiles.csv", "w", newline="") as file:
        lines = csv.writer(file, lineterminator="\n")
        lines.writerow(["profile", "encoder_mm", "time"])
        for profile, row in enumerate(kept):
            time = captured + timedelta(seconds=profile * NOMINAL_MM / SPEED_MM_S)
            lines.writerow([profile, f"{(row + 0.5) * ROW_MM:.1f}", time.strftime("%Y-%m-%dT%H:%M:%S.%fZ")])


def main():
    made = pathlib.Path(sys.argv[1])
    for name in ["belly-strips", "fillets", "rolls"]:
        target = OUT / name
        if target.exists():
            shutil.rmtree(target)
        target.mkdir()
        shutil.copy(made / name / "truth.csv", target / "truth.csv")
        for frame in sorted(path.parent for path in (made / name).glob("*/scan.toml")):
            (uneven if name == "fillets" else shutil.copytree)(frame, target / frame.name)


main()
