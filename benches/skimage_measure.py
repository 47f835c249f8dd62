"""The same job as `weighlight measure`, written for scikit-image: a yardstick for time, not for accuracy.

    python skimage_measure.py ARCHIVE [PROCESSES]

Reads, levels, labels and measures as opencv_measure.py does, with what scikit-image and NumPy offer for each step. Needs scikit-image
and numpy. One process per core.
"""

import json
import multiprocessing
import pathlib
import sys
import tomllib

import numpy as np
from skimage import color, io, measure as regions, transform

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
    scan = tomllib.loads((folder / "scan.toml").read_text())
    part, colour = scan["height"], scan["colour"]
    counts = io.imread(folder / part["file"])
    rgb = io.imread(folder / colour["file"])
    seen = counts != part["invalid"]
    heights = counts.astype(np.float32) * np.float32(part["scale_mm"]) + np.float32(part["offset_mm"])
    level, along, across = belt_plane(heights, seen)
    rows, columns = heights.shape
    heights -= (level + along * np.arange(rows, dtype=np.float32))[:, None]
    heights -= (across * np.arange(columns, dtype=np.float32))[None, :]
    heights[~seen] = 0.0
    labels = regions.label(heights > LOW_MM, connectivity=2)
    if rgb.shape[:2] != heights.shape:
        rgb = transform.resize(rgb, (rows, columns), order=0, preserve_range=True, anti_aliasing=False).astype(np.uint8)
    cell_mm2 = part["pitch_across_mm"] * part["pitch_along_mm"]
    least_cells = LEAST_CM2 * 100 / cell_mm2
    pieces = []
    for region in regions.regionprops(labels, intensity_image=heights):
        if region.num_pixels < least_cells or region.intensity_max < LEAST_MM:
            continue
        own = region.image
        # Colours of the pieces only: the conversion costs more than all the rest.
        lab = color.rgb2lab(rgb[region.slice][own].astype(np.float32) / 255)
        fat = np.logical_and.reduce([(low <= lab[:, k]) & (lab[:, k] <= high) for k, (low, high) in enumerate(zip(*FAT_LAB))])
        pieces.append(
            {
                "x_mm": region.centroid[1] * part["pitch_across_mm"],
                "y_mm": region.centroid[0] * part["pitch_along_mm"],
                "area_cm2": region.num_pixels * cell_mm2 / 100,
                "volume_cm3": float(region.image_intensity.sum()) * cell_mm2 / 1000,
                "max_height_mm": float(region.intensity_max),
                "length_mm": region.axis_major_length * part["pitch_across_mm"],
                "width_mm": region.axis_minor_length * part["pitch_across_mm"],
                "perimeter_mm": region.perimeter * part["pitch_across_mm"],
                "fat_fraction": float(fat.mean()),
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
