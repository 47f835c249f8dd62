"""Average run lengths of EWMA and two-sided CUSUM by their integral equations (Gauss-Legendre, Nystroem).

Another method than the program's, which cuts the range into the states of a Markov chain. Writes run_lengths.csv.
"""
import numpy as np
from scipy.stats import norm

N = 80


def ewma(lam, width, shift):
    # L(u) = 1 + 1/lam * int_{-c}^{c} L(y) phi((y - (1 - lam) u)/lam - shift) dy   (Crowder 1987)
    c = width * np.sqrt(lam / (2 - lam))
    x, w = np.polynomial.legendre.leggauss(N)
    x, w = x * c, w * c
    kernel = norm.pdf((x[None, :] - (1 - lam) * x[:, None]) / lam - shift) / lam * w[None, :]
    inside = np.linalg.solve(np.eye(N) - kernel, np.ones(N))
    return 1 + np.sum(w * inside * norm.pdf(x / lam - shift) / lam)


def one_sided(k, h, shift):
    # L(u) = 1 + L(0) Phi(k - u - shift) + int_0^h L(y) phi(y + k - u - shift) dy   (Page 1954)
    x, w = np.polynomial.legendre.leggauss(N)
    x, w = (x + 1) * h / 2, w * h / 2
    at = np.concatenate([[0.0], x])
    kernel = np.zeros((N + 1, N + 1))
    kernel[:, 0] = norm.cdf(k - at - shift)
    kernel[:, 1:] = norm.pdf(x[None, :] + k - at[:, None] - shift) * w[None, :]
    return np.linalg.solve(np.eye(N + 1) - kernel, np.ones(N + 1))[0]


def cusum(k, h, shift):
    return 1 / (1 / one_sided(k, h, shift) + 1 / one_sided(k, h, -shift))


with open("run_lengths.csv", "w") as out:
    out.write("# Zero-state average run lengths by integral equations; generate.py, numpy 2.4.6, scipy 1.17.1.\n")
    out.write("# a: lambda or allowance k; b: width L or decision interval h; shift in standard deviations.\n")
    out.write("chart,a,b,shift,arl\n")
    for lam, width in [(0.4, 3.054), (0.2, 2.962), (0.1, 2.814), (0.05, 2.615)]:
        for shift in [0, 0.25, 0.5, 0.75, 1, 1.5, 2, 3]:
            out.write(f"ewma,{lam},{width},{shift},{ewma(lam, width, shift):.6f}\n")
    for h in [4, 5]:
        for shift in [0, 0.25, 0.5, 0.75, 1, 1.5, 2, 3]:
            out.write(f"cusum,0.5,{h},{shift},{cusum(0.5, h, shift):.6f}\n")
