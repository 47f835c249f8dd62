"""Exact confidence limits of a share from SciPy, for tests/runs/summaries.rs. Run by hand; writes the same bytes each time."""

import csv
import pathlib

from scipy.stats import binomtest

CASES = [(0, 1), (1, 1), (0, 20), (1, 20), (10, 20), (19, 20), (3, 100), (50, 100), (7, 1000), (499, 1000), (12, 100000),
         (99990, 100000), (123456, 1000000), (1, 10000000)]

with open(pathlib.Path(__file__).with_name("intervals.csv"), "w", newline="") as file:
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(["hits", "trials", "confidence", "low", "high"])
    for hits, trials in CASES:
        for confidence in (0.9, 0.95, 0.99):
            found = binomtest(hits, trials).proportion_ci(confidence, method="exact")
            writer.writerow([hits, trials, confidence, repr(float(found.low)), repr(float(found.high))])
