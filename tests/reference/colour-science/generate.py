"""CIELAB of fifty 8-bit sRGB colours by two libraries. Run: python generate.py"""
import pathlib
import warnings
import numpy as np
warnings.simplefilter("ignore")
import colour
import skimage
from skimage.color import rgb2lab

HERE = pathlib.Path(__file__).parent
rng = np.random.default_rng(20260306)
rgb = rng.integers(0, 256, (50, 3))
lab_skimage = rgb2lab(rgb.astype(float)[None] / 255.0)[0]
white = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
lab_colour = colour.XYZ_to_Lab(colour.sRGB_to_XYZ(rgb / 255.0), white)
order = np.roll(np.arange(50), 1)
de00_skimage = skimage.color.deltaE_ciede2000(lab_skimage, lab_skimage[order])
de00_colour = colour.delta_E(lab_colour, lab_colour[order], method="CIE 2000")
lines = ["r,g,b,l_skimage,a_skimage,b_skimage,l_colour,a_colour,b_colour,de00_to_previous_skimage,de00_to_previous_colour"]
for i in range(50):
    numbers = [*lab_skimage[i], *lab_colour[i], de00_skimage[i], de00_colour[i]]
    lines.append(",".join(map(str, rgb[i])) + "," + ",".join(f"{v:.6f}" for v in numbers))
(HERE / "lab.csv").write_text("\n".join(lines) + "\n")
print("colour-science", colour.__version__, "scikit-image", skimage.__version__, "numpy", np.__version__)
print("largest difference of the two", np.abs(lab_skimage - lab_colour).max(), np.abs(de00_skimage - de00_colour).max())
