"""Rigid registration in the plane by SciPy and scikit-image. Run: python generate.py"""
import pathlib
import numpy as np
from scipy.spatial.transform import Rotation
from skimage.transform import EuclideanTransform

HERE = pathlib.Path(__file__).parent
rng = np.random.default_rng(20260311)
points = ["case,from_x_mm,from_y_mm,to_x_mm,to_y_mm"]
motions = ["case,method,yaw_mrad,x_mm,y_mm"]
for case in range(12):
    count = int(rng.integers(2, 12))
    source = np.round(rng.uniform(0, 420, (count, 2)), 4)
    yaw = rng.uniform(-np.pi, np.pi)
    turn = np.array([[np.cos(yaw), -np.sin(yaw)], [np.sin(yaw), np.cos(yaw)]])
    noise = [0.0, 0.05, 2.0][case % 3]
    target = np.round(source @ turn.T + rng.uniform(-200, 600, 2) + rng.normal(0, 1, (count, 2)) * noise, 4)
    for a, b in zip(source, target):
        points.append(f"{case},{a[0]},{a[1]},{b[0]},{b[1]}")
    flat = lambda p: np.column_stack([p - p.mean(0), np.zeros(len(p))])
    # A third direction that both share keeps the turn in the plane.
    up = np.array([[0.0, 0.0, 1e4]])
    found = Rotation.align_vectors(np.vstack([flat(target), up]), np.vstack([flat(source), up]))[0]
    move = target.mean(0) - (found.as_matrix()[:2, :2] @ source.mean(0))
    motions.append(f"{case},scipy,{1e3 * found.as_rotvec()[2]:.9f},{move[0]:.9f},{move[1]:.9f}")
    fit = EuclideanTransform.from_estimate(source, target)
    motions.append(f"{case},scikit-image,{1e3 * fit.rotation:.9f},{fit.translation[0]:.9f},{fit.translation[1]:.9f}")
(HERE / "points.csv").write_text("\n".join(points) + "\n")
(HERE / "motions.csv").write_text("\n".join(motions) + "\n")
