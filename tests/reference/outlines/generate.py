"""Outlines of masks by scikit-image and OpenCV. Run: python generate.py"""
import math
import pathlib

import cv2
import numpy as np
import skimage
from skimage import draw, measure

HERE = pathlib.Path(__file__).parent


def ellipse(shape, row, column, half_rows, half_columns, degrees):
    mask = np.zeros(shape, bool)
    mask[draw.ellipse(row, column, half_rows, half_columns, shape=shape, rotation=math.radians(degrees))] = True
    return mask


def rectangle(shape, row, column, length, width, degrees):
    rows, columns = np.indices(shape)
    sin, cos = math.sin(math.radians(degrees)), math.cos(math.radians(degrees))
    x, y = columns - column, rows - row
    return (abs(x * cos + y * sin) <= length / 2) & (abs(y * cos - x * sin) <= width / 2)


def lobed(shape, row, column, radius, lobes, depth, phase):
    rows, columns = np.indices(shape)
    angle = np.arctan2(rows - row, columns - column)
    return np.hypot(rows - row, columns - column) <= radius * (1 + depth * np.cos(lobes * angle + phase))


MASKS = {
    "disc": ellipse((90, 90), 44.3, 45.1, 38.2, 38.2, 0),
    "ellipse": ellipse((80, 120), 40.2, 59.7, 22.0, 51.0, 24),
    "rectangle_15": rectangle((90, 120), 44.6, 59.3, 98.0, 40.0, 15),
    "rectangle_62": rectangle((120, 90), 59.8, 44.1, 96.0, 33.0, 62),
    "lobed": lobed((110, 110), 54.4, 55.2, 40.0, 5, 0.22, 0.7),
    "crescent": ellipse((100, 100), 50, 50, 42, 42, 0) & ~ellipse((100, 100), 38, 58, 34, 34, 0),
}

lines = ["mask,cells,perimeter_crofton_4,rectangle_long,rectangle_short,rectangle_angle_deg"]
for name, mask in MASKS.items():
    text = "\n".join("".join("#" if cell else "." for cell in row) for row in mask)
    (HERE / f"{name}.txt").write_text(text + "\n")
    perimeter = measure.perimeter_crofton(mask, directions=4)
    rows, columns = np.nonzero(mask)
    corners = np.concatenate([np.stack([columns + a, rows + b], 1) for a in (-0.5, 0.5) for b in (-0.5, 0.5)])
    _, (one, two), angle = cv2.minAreaRect(corners.astype(np.float32))
    if one < two:
        one, two, angle = two, one, angle + 90
    lines.append(f"{name},{int(mask.sum())},{perimeter:.9f},{one:.4f},{two:.4f},{(angle + 90) % 180 - 90:.4f}")
(HERE / "outlines.csv").write_text("\n".join(lines) + "\n")
print("numpy", np.__version__, "scikit-image", skimage.__version__, "opencv", cv2.__version__)
