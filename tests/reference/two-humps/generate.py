"""Histograms of two humps, parted by scikit-image, OpenCV and a mixture fitted with SciPy. Run: python generate.py"""
import pathlib
import cv2
import numpy as np
import scipy
import skimage
from scipy.optimize import brentq, minimize
from scipy.special import logsumexp
from scipy.stats import norm
from skimage.filters import threshold_otsu

HERE = pathlib.Path(__file__).parent
rng = np.random.default_rng(20261125)
BINS = 256
X = np.arange(BINS) + 0.5
CASES = {
    # name: (share of the low hump, mean, sd, mean, sd), bins
    "even": (0.5, 90, 12, 170, 12),
    "little_high": (0.92, 80, 14, 175, 9),
    "unequal": (0.7, 70, 8, 150, 25),
    "near": (0.55, 100, 18, 165, 16),
}


def draw(case, n=40000):
    share, m1, s1, m2, s2 = case
    low = rng.random(n) < share
    values = np.where(low, rng.normal(m1, s1, n), rng.normal(m2, s2, n))
    return np.bincount(np.clip(np.floor(values), 0, BINS - 1).astype(int), minlength=BINS)


def cost(p, counts):
    share = 1 / (1 + np.exp(-p[0]))
    parts = [np.log(share) + norm.logpdf(X, p[1], np.exp(p[2])), np.log1p(-share) + norm.logpdf(X, p[3], np.exp(p[4]))]
    return -(counts * logsumexp(parts, axis=0)).sum() / counts.sum()


rows = ["case,otsu_skimage,otsu_opencv,between_variance,share,mean_low,sd_low,mean_high,sd_high,limit"]
histograms = []
for name, case in CASES.items():
    counts = draw(case)
    histograms.append(name + "," + ",".join(map(str, counts)))
    sk = int(threshold_otsu(hist=(counts, np.arange(BINS))))
    pixels = np.repeat(np.arange(BINS, dtype=np.uint8), counts)[None, :]
    cv = int(cv2.threshold(pixels, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)[0])
    w = counts[: sk + 1].sum() / counts.sum()
    k = np.arange(BINS)
    m1, m2 = np.average(k[: sk + 1], weights=counts[: sk + 1]), np.average(k[sk + 1 :], weights=counts[sk + 1 :])
    between = w * (1 - w) * (m2 - m1) ** 2
    share, a, s, b, t = case
    p = np.array([np.log(share / (1 - share)), a, np.log(s), b, np.log(t)], float)
    for _ in range(4):
        p = minimize(cost, p, args=(counts,), method="Nelder-Mead",
                     options={"xatol": 1e-9, "fatol": 1e-15, "maxiter": 20000, "maxfev": 20000}).x
    share = 1 / (1 + np.exp(-p[0]))
    apart = lambda x: np.log(share) + norm.logpdf(x, p[1], np.exp(p[2])) - np.log1p(-share) - norm.logpdf(x, p[3], np.exp(p[4]))
    limit = brentq(apart, p[1], p[3], xtol=1e-12)
    rows.append(f"{name},{sk},{cv},{between:.9e},{share:.8f},{p[1]:.6f},{np.exp(p[2]):.6f},{p[3]:.6f},{np.exp(p[4]):.6f},{limit:.6f}")
(HERE / "histograms.csv").write_text("\n".join(histograms) + "\n")
(HERE / "parted.csv").write_text("\n".join(rows) + "\n")
print("numpy", np.__version__, "scipy", scipy.__version__, "scikit-image", skimage.__version__, "opencv", cv2.__version__)
