#!/usr/bin/env python3
"""Check values for src/compare/statistics.rs, made by SciPy; shares nothing with the Rust code.

Run from the repository's root:  python3 tests/reference/statistics.py
Writes tests/reference/statistics_*.csv. Seeded, so a second run changes no byte
(with the SciPy version named in each file's first line).
"""
import csv
import pathlib

import numpy as np
import scipy
from scipy import stats

HERE = pathlib.Path(__file__).parent
SOURCE = f"# source: scipy {scipy.__version__}, numpy {np.__version__}, tests/reference/statistics.py"


def write(name, header, rows):
    with open(HERE / name, "w", newline="") as file:
        file.write(SOURCE + "\n")
        out = csv.writer(file, lineterminator="\n")
        out.writerow(header)
        out.writerows(rows)


def quantiles():
    rows = []
    for freedom in [1, 1.25, 2, 2.7, 3, 4, 5.5, 8.898234, 12, 30, 36, 120, 5000]:
        for confidence in [0.5, 0.9, 0.95, 0.99, 0.999]:
            rows.append([freedom, confidence, repr(float(stats.t.ppf(0.5 + confidence / 2, freedom)))])
    write("statistics_quantiles.csv", ["freedom", "confidence", "quantile"], rows)


def p_values():
    rows = []
    for freedom in [1, 2, 2.7, 4, 8.898234, 30, 200]:
        for t in [0.0, 0.01, 0.5, 1, 2.3, 5.013027, 12, 80]:
            rows.append([freedom, t, repr(float(2 * stats.t.sf(t, freedom)))])
    write("statistics_p_values.csv", ["freedom", "t", "p"], rows)


def differences():
    rng = np.random.default_rng(20250301)
    rows = []
    for n_a, n_b in [(2, 2), (2, 3), (3, 2), (2, 6), (3, 3), (3, 4), (3, 8), (5, 6), (6, 3), (8, 8)]:
        for spread in [0.01, 1.0, 30.0]:
            a = np.round(rng.normal(14.9, 0.2, n_a), 6)
            b = np.round(rng.normal(15.3, 0.2 * spread, n_b), 6)
            pooled = min(n_a, n_b) < 3
            result = stats.ttest_ind(b, a, equal_var=pooled)
            low, high = result.confidence_interval(0.95)
            rows.append([" ".join(map(repr, map(float, a))), " ".join(map(repr, map(float, b))),
                         "pooled" if pooled else "welch", repr(float(b.mean() - a.mean())), repr(float(result.statistic)),
                         repr(float(result.df)), repr(float(result.pvalue)), repr(float(low)), repr(float(high))])
    write("statistics_differences.csv",
          ["reference", "other", "method", "difference", "t", "freedom", "p", "low", "high"], rows)


def binomial():
    rows = [[n, k, repr(float(stats.binomtest(k, n, 0.5, alternative="greater").pvalue))]
            for n in [1, 5, 10, 16, 40, 100, 1000] for k in sorted({0, 1, n // 2, (3 * n) // 4, n - 1, n})]
    write("statistics_binomial.csv", ["answers", "right", "p_at_least"], rows)


def coverage():
    """How often the textbook intervals hold the truth: a million draws a case, SciPy's quantiles."""
    rng = np.random.default_rng(7)
    draws, rows = 1_000_000, []
    for n_a, n_b, ratio in [(2, 2, 1), (2, 4, 1), (3, 3, 1), (3, 3, 4), (5, 5, 1), (8, 8, 1), (8, 5, 4)]:
        a, b = rng.normal(0, 1, (draws, n_a)), rng.normal(0, ratio, (draws, n_b))
        va, vb = a.var(axis=1, ddof=1), b.var(axis=1, ddof=1)
        if min(n_a, n_b) < 3:
            freedom = n_a + n_b - 2
            error = np.sqrt(((n_a - 1) * va + (n_b - 1) * vb) / freedom * (1 / n_a + 1 / n_b))
        else:
            va, vb = va / n_a, vb / n_b
            freedom = (va + vb) ** 2 / (va**2 / (n_a - 1) + vb**2 / (n_b - 1))
            error = np.sqrt(va + vb)
        held = np.abs(b.mean(axis=1) - a.mean(axis=1)) <= stats.t.ppf(0.975, freedom) * error
        rows.append([n_a, n_b, ratio, draws, repr(float(held.mean()))])
    write("statistics_coverage.csv", ["takes_reference", "takes_other", "deviation_ratio", "draws", "coverage"], rows)


if __name__ == "__main__":
    coverage()
    quantiles()
    p_values()
    differences()
    binomial()
