"""Masks with their labelling and region areas by scikit-image. Run: python generate.py"""
import pathlib
import numpy as np
import skimage
from scipy import ndimage
from skimage import measure

HERE = pathlib.Path(__file__).parent
rng = np.random.default_rng(20260304)


def smooth(shape, sigma, quantile):
    field = ndimage.gaussian_filter(rng.standard_normal(shape), sigma)
    return field > np.quantile(field, quantile)


def checkerboard(rows, columns):
    return np.indices((rows, columns)).sum(axis=0) % 2 == 0


def spiral(size):
    """One long arm, one cell wide, with one cell between its turns."""
    mask = np.zeros((size, size), bool)
    top, left, bottom, right = 0, 0, size - 1, size - 1
    while top <= bottom and left <= right:
        mask[top, max(left - 2, 0):right + 1] = True
        mask[top:bottom + 1, right] = True
        mask[bottom, left:right + 1] = True
        mask[top + 2:bottom + 1, left] = True
        top, left, bottom, right = top + 2, left + 2, bottom - 2, right - 2
    return mask


MASKS = {
    "noise_sparse": rng.random((24, 40)) < 0.25,
    "noise_critical": rng.random((40, 60)) < 0.5,
    "blobs": smooth((48, 72), 2.5, 0.6),
    "stripes": smooth((30, 90), (1.0, 6.0), 0.5),
    "checkerboard": checkerboard(12, 15),
    "spiral": spiral(33),
}

lines = ["mask,connectivity,label,area,first_row,first_column,min_row,min_column,max_row,max_column,centroid_row,centroid_column"]
for name, mask in MASKS.items():
    text = "\n".join("".join("#" if cell else "." for cell in row) for row in mask)
    (HERE / f"{name}.txt").write_text(text + "\n")
    for connectivity in (1, 2):
        labels = measure.label(mask, connectivity=connectivity)
        for region in measure.regionprops(labels):
            row, column = region.coords[np.lexsort((region.coords[:, 1], region.coords[:, 0]))][0]
            r0, c0, r1, c1 = region.bbox
            y, x = region.centroid
            lines.append(f"{name},{connectivity},{region.label},{int(region.area)},{row},{column},{r0},{c0},{r1 - 1},{c1 - 1},{y:.6f},{x:.6f}")
(HERE / "regions.csv").write_text("\n".join(lines) + "\n")
print("numpy", np.__version__, "scikit-image", skimage.__version__, "regions", len(lines) - 1)
