"""Plane fits by numpy and SciPy on generated points. Run: python generate.py"""
import pathlib
import numpy as np
import scipy
from scipy.optimize import least_squares

HERE = pathlib.Path(__file__).parent
rng = np.random.default_rng(20260305)
F_SCALE_MM = 0.15


def points(n, plane, noise, outliers, lift):
    x = rng.uniform(0, 400, n)
    y = rng.uniform(0, 250, n)
    a, b, c = plane
    z = a * x + b * y + c + rng.normal(0, noise, n)
    out = rng.random(n) < outliers
    z[out] += rng.uniform(0.2 * lift, lift, out.sum())
    return np.round(np.column_stack([x, y, z]), 4)


CASES = {
    "clean": points(200, (0.0021, -0.0008, 0.35), 0.05, 0.0, 0.0),
    "outliers_5": points(300, (-0.0034, 0.0012, -1.2), 0.05, 0.05, 40.0),
    "outliers_20": points(400, (0.0009, 0.0027, 2.0), 0.08, 0.20, 30.0),
    "steep": points(60, (0.08, -0.05, -3.0), 0.02, 0.0, 0.0),
}


def exact_m_estimate(xyz, loss):
    """least_squares with tight tolerances from the ordinary solution."""
    design = np.column_stack([xyz[:, :2], np.ones(len(xyz))])
    start = np.linalg.lstsq(design, xyz[:, 2], rcond=None)[0]
    fit = least_squares(lambda p: design @ p - xyz[:, 2], start, jac=lambda p: design, loss=loss,
                        f_scale=F_SCALE_MM, x_scale=[1e-3, 1e-3, 1], xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=10000)
    return fit.x, fit.cost


rows = ["case,method,a,b,c,cost,rms_mm"]
for name, xyz in CASES.items():
    np.savetxt(HERE / f"{name}.csv", xyz, fmt="%.4f", delimiter=",", header="x_mm,y_mm,z_mm", comments="")
    design = np.column_stack([xyz[:, :2], np.ones(len(xyz))])
    p, *_ = np.linalg.lstsq(design, xyz[:, 2], rcond=None)
    residual = design @ p - xyz[:, 2]
    results = {"ols": (p, 0.5 * (residual**2).sum())}
    centroid = xyz.mean(axis=0)
    normal = np.linalg.svd(xyz - centroid)[2][2]
    a, b = -normal[0] / normal[2], -normal[1] / normal[2]
    distance = (xyz - centroid) @ normal
    results["tls"] = (np.array([a, b, centroid[2] - a * centroid[0] - b * centroid[1]]), 0.5 * (distance**2).sum())
    for loss in ("huber", "soft_l1"):
        results[loss] = exact_m_estimate(xyz, loss)
    for method, (p, cost) in results.items():
        residual = design @ p - xyz[:, 2]
        rows.append(f"{name},{method},{p[0]:.10e},{p[1]:.10e},{p[2]:.10e},{cost:.10e},{np.sqrt((residual**2).mean()):.10e}")
(HERE / "planes.csv").write_text("\n".join(rows) + "\n")
print("numpy", np.__version__, "scipy", scipy.__version__)
