"""The same job as `weighlight measure`, written for OpenCV: a yardstick for time, not for accuracy.

    python opencv_measure.py ARCHIVE [PROCESSES]

For every scan folder below ARCHIVE: both frames are read, counts become mm, a belt plane is fitted through low quantiles,
what stands 1 mm above it is labelled, and each component gets volume, area, smallest rectangle and fat share by CIELAB.
Needs opencv-python 5 and numpy. One process per core; OpenCV's own threads are off, so that processes do not fight.
"""

import json
import multiprocessing
import pathlib
import sys
import tomllib

import cv2
import numpy as np

LOW_MM, LEAST_MM, LEAST_CM2 = 0.25, 1.0, 4.0
FAT_LAB = ((62.0, -20.0, -10.0), (100.0, 16.0, 40.0))


def belt_plane(heights, seen):
    """Plane through the low quantiles of a 24 x 24 grid of patches, twice freed of what lies above it."""
    rows, columns = heights.shape
    points = []
    for block in np.array_split(np.arange(0, rows, 4), 24):
        for zone in np.array_split(np.arange(0, columns, 4), 24):
            patch = heights[np.ix_(block, zone)]
            patch = patch[seen[np.ix_(block, zone)]]
            if patch.size > 20:
                points.append((block.mean(), zone.mean(), np.quantile(patch, 0.1)))
    r, c, z = np.array(points).T
    design = np.column_stack([np.ones_like(r), r, c])
    keep = z < np.quantile(z, 0.6)
    for _ in range(3):
        plane = np.linalg.lstsq(design[keep], z[keep], rcond=None)[0]
        keep = np.abs(z - design @ plane) < 0.6
    return plane


def measure(folder):
    cv2.setNumThreads(1)
    scan = tomllib.loads((folder / "scan.toml").read_text())
    part, colour = scan["height"], scan["colour"]
    counts = cv2.imread(str(folder / part["file"]), cv2.IMREAD_UNCHANGED)
    bgr = cv2.imread(str(folder / colour["file"]), cv2.IMREAD_COLOR)
    seen = counts != part["invalid"]
    heights = counts.astype(np.float32)
    cv2.multiply(heights, part["scale_mm"], dst=heights)
    cv2.add(heights, part["offset_mm"], dst=heights)
    level, along, across = belt_plane(heights, seen)
    rows, columns = heights.shape
    heights -= (level + along * np.arange(rows, dtype=np.float32))[:, None]
    heights -= (across * np.arange(columns, dtype=np.float32))[None, :]
    heights[~seen] = 0.0
    mask = cv2.compare(heights, LOW_MM, cv2.CMP_GT)
    number, labels, stats, centroids = cv2.connectedComponentsWithStats(mask, connectivity=8)
    if bgr.shape[:2] != heights.shape:
        bgr = cv2.resize(bgr, (columns, rows), interpolation=cv2.INTER_NEAREST)
    lab = cv2.cvtColor(bgr.astype(np.float32) * np.float32(1 / 255), cv2.COLOR_BGR2LAB)
    fat = cv2.inRange(lab, *FAT_LAB)
    cell_mm2 = part["pitch_across_mm"] * part["pitch_along_mm"]
    pieces = []
    for label in range(1, number):
        x, y, width, height, cells = stats[label]
        if cells * cell_mm2 < LEAST_CM2 * 100:
            continue
        window = np.s_[y : y + height, x : x + width]
        own = (labels[window] == label).astype(np.uint8)
        sums = cv2.mean(heights[window], own)[0] * cells
        highest = cv2.minMaxLoc(heights[window], own)[1]
        if highest < LEAST_MM:
            continue
        outline = max(cv2.findContours(own, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)[0], key=len)
        rectangle = cv2.minAreaRect(outline)
        pieces.append(
            {
                "x_mm": centroids[label][0] * part["pitch_across_mm"],
                "y_mm": centroids[label][1] * part["pitch_along_mm"],
                "area_cm2": cells * cell_mm2 / 100,
                "volume_cm3": sums * cell_mm2 / 1000,
                "max_height_mm": highest,
                "length_mm": max(rectangle[1]) * part["pitch_across_mm"],
                "width_mm": min(rectangle[1]) * part["pitch_across_mm"],
                "perimeter_mm": cv2.arcLength(outline, True) * part["pitch_across_mm"],
                "fat_fraction": cv2.countNonZero(fat[window] & (own * 255)) / int(cells),
            }
        )
    return {"scan": scan["id"], "pieces": pieces}


def main():
    folders = sorted(path.parent for path in pathlib.Path(sys.argv[1]).rglob("scan.toml"))
    processes = int(sys.argv[2]) if len(sys.argv) > 2 else multiprocessing.cpu_count()
    with multiprocessing.Pool(processes) as pool:
        found = pool.map(measure, folders, chunksize=1)
    json.dump(found, sys.stdout)
    print(f"{len(found)} scans, {sum(len(f['pieces']) for f in found)} pieces", file=sys.stderr)


if __name__ == "__main__":
    main()
