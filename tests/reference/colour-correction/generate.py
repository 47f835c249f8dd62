"""Colour correction matrices by colour-science for 24 patches. Run: python generate.py"""
import pathlib
import warnings
import numpy as np
warnings.simplefilter("ignore")
import colour
from colour.characterisation import matrix_colour_correction_Cheung2004

HERE = pathlib.Path(__file__).parent
# The 24-patch chart, the set of 2005 (the sets differ by some units); xyY under D50.
CHART = next(chart for name, chart in colour.CCS_COLOURCHECKERS.items() if name.endswith(" 2005"))
xyz = colour.xyY_to_XYZ(np.array(list(CHART.data.values())))
matrix = np.array([[1.8, -0.6, -0.2], [-0.3, 1.6, -0.3], [0.05, -0.55, 1.5]])
device = xyz @ np.linalg.inv(matrix).T
rng = np.random.default_rng(20261125)
noisy = device * (1 + 0.02 * rng.standard_normal(device.shape))
exact = matrix_colour_correction_Cheung2004(device, xyz, terms=3)
fitted = matrix_colour_correction_Cheung2004(noisy, xyz, terms=3)
lines = ["x,y,z,r,g,b,noisy_r,noisy_g,noisy_b"]
for row in np.hstack([xyz, device, noisy]):
    lines.append(",".join(f"{v:.17g}" for v in row))
(HERE / "patches.csv").write_text("\n".join(lines) + "\n")
lines = ["case,m00,m01,m02,m10,m11,m12,m20,m21,m22"]
for name, m in (("exact", exact), ("noisy", fitted)):
    lines.append(name + "," + ",".join(f"{v:.17g}" for v in np.asarray(m).ravel()))
(HERE / "matrices.csv").write_text("\n".join(lines) + "\n")
print("colour-science", colour.__version__, "numpy", np.__version__, "largest error", np.abs(exact - matrix).max())
