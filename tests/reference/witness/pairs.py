"""Two tones at once (methods 6, reference 2)."""

import numpy as np

from .tone import db, hann


def products(low, high, limit):
    """[(n, m, Hz)] of DC's neighbours to fifth order, the lower frequency first, no frequency twice."""
    found = {}
    for n in range(-5, 6):
        for m in range(-5, 6):
            order = abs(n) + abs(m)
            frequency = n * low + m * high
            if not 1 <= order <= 5 or not 0 < frequency < limit:
                continue
            key = round(frequency, 6)
            if key not in found or order < abs(found[key][0]) + abs(found[key][1]):
                found[key] = (n, m, frequency)
    return [found[key] for key in sorted(found)]


def fit(rows, rate, frequencies):
    """Hann-weighted least squares on DC and the lines: peak amplitudes, one row a recording of the same pair."""
    count = rows.shape[1]
    t = np.arange(count) / rate
    weight = hann(count)
    angle = 2 * np.pi * np.outer(t, frequencies)
    basis = np.hstack([np.ones((count, 1)), np.cos(angle), np.sin(angle)])
    weighted = basis * weight[:, None]
    solution = np.linalg.solve(basis.T @ weighted, weighted.T @ rows.T)
    k = len(frequencies)
    return np.hypot(solution[1 : 1 + k], solution[1 + k :]).T


def figures(lines, ratio):
    """d2, d3 and total in per cent from {(n, m): peak}; a product that was out of reach counts as none."""

    def u(n, m):
        return lines.get((n, m), lines.get((-n, -m), 0.0))

    low, high = u(1, 0), u(0, 1)
    if ratio > 2:
        d2 = (u(1, 1) + u(-1, 1)) / high
        d3 = (u(2, 1) + u(-2, 1)) / high
    else:
        d2 = u(-1, 1) / (low + high)
        d3 = (u(-1, 2) + u(2, -1)) / (low + high)
    mixed = [v for (n, m), v in lines.items() if n and m]
    total = np.sqrt(np.sum(np.square(mixed))) / np.hypot(low, high)
    return {"d2": 100 * d2, "d3": 100 * d3, "total": 100 * total}


def measure(take, segments):
    """{id: figures} of all pairs; the levels of one pair share a fit."""
    same = {}
    for segment in segments:
        spec = segment["signal"]
        same.setdefault((spec["low_hz"], spec["high_hz"], spec["tone_seconds"]), []).append(segment)
    out = {}
    for (low, high, tone_seconds), group in same.items():
        spare = 0.0625 * tone_seconds
        pieces = [
            take.cut(s["start_seconds"] + spare, s["start_seconds"] + tone_seconds - spare)[0] for s in group
        ]
        wanted = products(low, high, 0.48 * take.rate)
        frequencies = np.array([f for _, _, f in wanted]) * take.ratio
        for segment, peaks in zip(group, fit(np.stack(pieces), take.rate, frequencies)):
            lines = {(n, m): float(p) for (n, m, _), p in zip(wanted, peaks)}
            out[segment["id"]] = {
                "pair": [low, high],
                "level": segment["signal"]["level_db"],
                **figures(lines, segment["signal"]["low_over_high"]),
                "products": [
                    {"orders": [n, m], "frequency": f, "level": float(db(lines[n, m]))} for n, m, f in wanted
                ],
            }
    return out
