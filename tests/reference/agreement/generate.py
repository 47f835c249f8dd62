"""Writes pairs.csv, noncentral_t.csv, shares.csv, lines.csv, concordance.csv and sandwich.csv with SciPy, statsmodels and NumPy. Run by hand."""

import numpy as np
import scipy
import statsmodels.api
from scipy import odr, stats
from statsmodels.stats.proportion import proportion_confint

HEAD = f"# generate.py with scipy {scipy.__version__}, statsmodels {statsmodels.__version__}, numpy {np.__version__}\n"


def noncentral_t():
    rows = ["p,freedom,noncentrality,quantile"]
    for freedom in (2, 5, 16, 49, 499):
        for delta in (0.0, 1.96 * np.sqrt(freedom + 1), -3.0):
            for p in (0.025, 0.5, 0.975):
                rows.append(f"{p},{freedom},{float(delta)!r},{float(stats.nct.ppf(p, freedom, delta))!r}")
    return rows


def shares():
    rows = ["count,of,low,high"]
    for count, of in ((0, 12), (1, 12), (7, 20), (475, 500), (1499, 1500), (30, 30)):
        low, high = proportion_confint(count, of, alpha=0.05, method="beta")
        rows.append(f"{count},{of},{float(low)!r},{float(high)!r}")
    return rows


def pairs():
    """Forty pairs from a small linear congruential generator, so that any language makes the same."""
    state, out = 12345, []

    def draw():
        nonlocal state
        state = (1103515245 * state + 12345) % 2**31
        return state / 2**31

    for _ in range(40):
        true = 100 + 150 * draw()
        weighed = true + 4 * (draw() + draw() - 1)
        estimate = 1.5 + 1.01 * true + 8 * (draw() + draw() - 1)
        out.append((round(weighed, 3), round(estimate, 3)))
    return np.array(out)


def lines(data):
    """Deming's line as orthogonal distance regression with the ratio as weight."""
    rows = ["variance_ratio,slope,intercept"]
    for ratio in (0.25, 1.0, 4.0):
        model = odr.Model(lambda b, x: b[0] * x + b[1])
        fit = odr.ODR(
            odr.RealData(data[:, 0], data[:, 1], sx=1.0, sy=np.sqrt(ratio)),
            model, beta0=[1.0, 0.0], maxit=1000, sstol=1e-15, partol=1e-15,
        ).run()
        rows.append(f"{ratio},{float(fit.beta[0])!r},{float(fit.beta[1])!r}")
    return rows


def concordance(data):
    """Lin's coefficient, and its interval by the delta method with numerical derivatives for normal pairs: not the printed formula."""
    n = len(data)
    x, y = data.T
    moments = np.array([x.mean(), y.mean(), x.var(), y.var(), np.cov(x, y, bias=True)[0, 1]])

    def z(m):
        rho_c = 2 * m[4] / (m[2] + m[3] + (m[0] - m[1]) ** 2)
        return np.arctanh(rho_c)

    _, _, a, b, c = moments
    covariance = np.zeros((5, 5))
    covariance[:2, :2] = [[a, c], [c, b]]
    covariance[2:, 2:] = [[2 * a * a, 2 * c * c, 2 * a * c], [2 * c * c, 2 * b * b, 2 * b * c], [2 * a * c, 2 * b * c, a * b + c * c]]
    slope = np.array([(z(moments + h) - z(moments - h)) / (2 * h.sum()) for h in np.diag(1e-6 * np.maximum(np.abs(moments), 1))])
    half = stats.norm.ppf(0.975) * np.sqrt(slope @ covariance @ slope / (n - 2))
    rows = ["coefficient,low,high", f"{float(np.tanh(z(moments)))!r},{float(np.tanh(z(moments) - half))!r},{float(np.tanh(z(moments) + half))!r}"]
    return rows


def sandwich(data):
    """Weighed by estimate and a constant, least squares with the covariance of White, scaled by n/(n - p)."""
    weighed, estimate = data.T
    fit = statsmodels.api.OLS(weighed, np.column_stack([estimate, np.ones(len(data))])).fit(cov_type="HC1")
    rows = ["name,coefficient,standard_error"]
    for name, value, error in zip(("slope", "constant"), fit.params, fit.bse):
        rows.append(f"{name},{float(value)!r},{float(error)!r}")
    return rows


def write(name, rows):
    with open(name, "w", encoding="utf-8") as out:
        out.write(HEAD + "\n".join(rows) + "\n")


data = pairs()
write("pairs.csv", ["weighed_g,estimate_g"] + [f"{a},{b}" for a, b in data])
write("noncentral_t.csv", noncentral_t())
write("shares.csv", shares())
write("lines.csv", lines(data))
write("concordance.csv", concordance(data))
write("sandwich.csv", sandwich(data))
