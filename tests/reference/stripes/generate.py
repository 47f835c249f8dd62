"""Laser stripes of a target plate as a camera sees them, by OpenCV. Run: python generate.py

A camera looks at an upright laser plane (x across, z up) at 30 degrees. Points of the plane where the laser meets belt and
plate are projected by cv2.projectPoints with lens distortion; where they cross whole sensor columns, the row is the stripe's.
What the surface hides from the camera is left out. Nothing here shares code with the program.
"""
import pathlib
import tomllib
import cv2
import numpy as np

HERE = pathlib.Path(__file__).parent
ROOT = HERE.parents[2]
PLATE = tomllib.loads((ROOT / "calibration/targets/plate-420x260.toml").read_text())

MATRIX = np.array([[2910.0, 0.0, 1012.5], [0.0, 2905.0, 530.25], [0.0, 0.0, 1.0]])
DISTORTION = np.array([-0.21, 0.09, 0.0, 0.0, 0.0])
ANGLE = np.radians(30.0)
DISTANCE = 905.0          # from the camera to the point of the belt it looks at, mm
LOOK_AT = np.array([300.0, 0.0, 12.0])
TILT = np.radians(0.7)    # turn of the camera about its own axis
NOISE_PX = 0.08
ROW_STEP_MM = 5.0
COLUMN_STEP = 16
# corner x, y (mm) and turn (rad) of the plate in two scans
POSES = [(70.0, 60.0, 0.10), (420.0, 20.0, 1.35)]
# what the transport does beside: scale along, skew, lean (rad)
ALONG, SKEW, LEAN = 1.0021, 0.0013, -0.0024

centre = LOOK_AT + DISTANCE * np.array([0.0, -np.sin(ANGLE), np.cos(ANGLE)])
axis = (LOOK_AT - centre) / DISTANCE
right = np.array([1.0, 0.0, 0.0])
down = np.cross(axis, right)
turn = np.array([[np.cos(TILT), np.sin(TILT), 0], [-np.sin(TILT), np.cos(TILT), 0], [0, 0, 1]])
rotation = turn @ np.vstack([right, down, axis])
rvec, _ = cv2.Rodrigues(rotation)
tvec = -rotation @ centre


def project(x, z):
    points = np.column_stack([x, np.zeros_like(x), z])
    pixels, _ = cv2.projectPoints(points, rvec, tvec, MATRIX, DISTORTION)
    return pixels[:, 0, :]


def height(x, y, pose):
    px, py, yaw = pose
    dx, dy = x - px, y - py
    u = np.cos(yaw) * dx + np.sin(yaw) * dy
    v = np.cos(yaw) * dy - np.sin(yaw) * dx
    plate = PLATE["plate"]
    rise = np.zeros_like(u)
    for f in PLATE["frustum"]:
        away = np.maximum(np.abs(u - f["x_mm"]), np.abs(v - f["y_mm"]))
        slope = f["height_mm"] * (f["base_mm"] / 2 - away) / ((f["base_mm"] - f["top_mm"]) / 2)
        rise = np.maximum(rise, np.clip(slope, 0, f["height_mm"]))
    on = (u >= 0) & (u <= plate["across_mm"]) & (v >= 0) & (v <= plate["along_mm"])
    return np.where(on, plate["thickness_mm"] + rise, 0.0)


def true_y(y_measured, x, z):
    return y_measured / ALONG - SKEW * (x - 300.0) - LEAN * z


def stripe(y_measured, pose):
    x = np.arange(-10.0, 610.0, 0.02)
    z = np.zeros_like(x)
    for _ in range(6):
        z = height(x, true_y(y_measured, x, z), pose)
    y = true_y(y_measured, x, z)
    # The camera stands at smaller y: a point is hidden where the surface rises over its view.
    seen = np.ones_like(x, bool)
    for step in np.arange(0.25, 28.0, 0.25):
        along = step * np.array([(centre[0] - x) / DISTANCE, np.full_like(x, -np.sin(ANGLE)), np.full_like(x, np.cos(ANGLE))])
        seen &= height(x + along[0], y + along[1], pose) <= z + along[2] + 1e-9
    pixels = project(x, z)
    columns = np.arange(8, 2048, COLUMN_STEP)
    rows = np.full(len(columns), np.nan)
    for k, column in enumerate(columns):
        here = np.where((pixels[:-1, 0] <= column) & (pixels[1:, 0] > column))[0]
        if len(here) != 1:
            continue
        i = here[0]
        if not (seen[i] and seen[i + 1]) or abs(z[i + 1] - z[i]) > 0.1:
            continue
        share = (column - pixels[i, 0]) / (pixels[i + 1, 0] - pixels[i, 0])
        rows[k] = pixels[i, 1] + share * (pixels[i + 1, 1] - pixels[i, 1])
    return columns, rows


rng = np.random.default_rng(20261125)
lines = ["scan,y_mm,column,row_px"]
for number, pose in enumerate(POSES):
    reach = 380.0 if number == 0 else 480.0
    for y in np.arange(ROW_STEP_MM / 2, reach, ROW_STEP_MM):
        columns, rows = stripe(y, pose)
        for column, row in zip(columns, rows):
            if np.isfinite(row) and rng.random() > 0.01:
                lines.append(f"{number},{y:g},{column},{row + NOISE_PX * rng.standard_normal():.2f}")
(HERE / "stripes.csv").write_text("\n".join(lines) + "\n")

grid_x, grid_z = np.meshgrid(np.linspace(10, 590, 30), np.linspace(0, 42, 8))
pixels = project(grid_x.ravel(), grid_z.ravel())
field = ["column,row,x_mm,z_mm"]
for (u, v), x, z in zip(pixels, grid_x.ravel(), grid_z.ravel()):
    if 0 <= u <= 2047:
        field.append(f"{u:.9f},{v:.9f},{x:.9f},{z:.9f}")
(HERE / "field.csv").write_text("\n".join(field) + "\n")
print("OpenCV", cv2.__version__, "numpy", np.__version__, len(lines) - 1, "samples,", len(field) - 1, "points")
