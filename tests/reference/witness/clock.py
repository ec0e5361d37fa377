"""Markers and the clock ratio (methods 2)."""

import numpy as np
from scipy import signal

LOW, HIGH, CHIRP, SPACING, FADE = 600.0, 5400.0, 0.25, 0.30, 0.005
CODES = {"up_down": "UD", "down_down": "DD", "down_up": "DU", "up_up": "UU"}
THRESHOLD = 0.30
# How far a chirp's peak moves with the clock ratio: f_c / k (2.2).
SHIFT = (LOW + HIGH) / 2 / ((HIGH - LOW) / CHIRP)


def analytic_chirp(direction, rate):
    """The chirp as a complex signal whose imaginary part lags its real part, which is what is played."""
    t = np.arange(int(round(CHIRP * rate))) / rate
    slope = (HIGH - LOW) / CHIRP
    phase = LOW * t + slope * t**2 / 2 if direction == "U" else HIGH * t - slope * t**2 / 2
    edge = np.minimum(t, CHIRP - t)
    shape = np.where(edge < FADE, 0.5 - 0.5 * np.cos(np.pi * np.clip(edge / FADE, 0, 1)), 1.0)
    return shape * np.exp(1j * (2 * np.pi * phase - np.pi / 2))


def correlations(x, rate):
    """|rho| of both chirps at every lag of a signal that holds little but the chirps' band."""
    out = {}
    n = int(round(CHIRP * rate))
    energy = moving_sum(x**2, n)
    for direction in "UD":
        chirp = analytic_chirp(direction, rate)
        found = np.abs(signal.oaconvolve(x, np.conj(chirp[::-1]), "valid"))
        scale = np.sum(chirp.real**2)
        # The floor keeps digital silence from dividing by nothing.
        floor = 1e-9 * np.max(energy, initial=0.0) + 1e-30
        out[direction] = found / np.sqrt(np.maximum(energy, floor) * scale)
    return out


def moving_sum(x, n):
    """Sums over n samples at every lag."""
    total = np.cumsum(np.concatenate(([0.0], x)))
    return total[n:] - total[:-n]


def spread(x, by=2):
    """The largest value within +-by places."""
    padded = np.pad(x, by, mode="edge")
    return np.max(np.lib.stride_tricks.sliding_window_view(padded, 2 * by + 1), axis=1)


def coarse_hits(samples, rate):
    """[(score, code, seconds of the first chirp's begin)], best first."""
    # To about 16 kHz first, where the band-pass is short; what folds over lies above 8.5 kHz.
    step = max(1, int(rate // 14_500))
    slow_rate = rate / step
    low_pass = signal.firwin(20 * step + 1, 7000, fs=rate)
    band = signal.firwin(321, [450, 5800], fs=slow_rate, pass_zero=False)
    slow = signal.oaconvolve(signal.upfirdn(low_pass, samples, 1, step), band)
    # Neither filter's own delay is taken off above.
    early = 10 * step / rate + 160 / slow_rate
    rho = correlations(slow, slow_rate)
    peaks = {d: spread(r) for d, r in rho.items()}
    gap = int(round(SPACING * slow_rate))
    codes = sorted(set(CODES.values()))
    scores = np.stack([np.minimum(peaks[c[0]][:-gap], peaks[c[1]][gap:]) for c in codes])
    best = np.max(scores, axis=0)
    hits = []
    radius = int(0.3 * slow_rate)
    for at in np.flatnonzero(best >= THRESHOLD):
        low = max(0, at - radius)
        if best[at] == np.max(best[low : at + radius + 1]):
            hits.append((best[at], codes[int(np.argmax(scores[:, at]))], at / slow_rate - early))
    # A plateau of equal values is one hit.
    hits.sort(key=lambda h: -h[0])
    kept = []
    for hit in hits:
        if all(abs(hit[2] - other[2]) > 0.3 for other in kept):
            kept.append(hit)
    return kept


def refine(samples, rate, direction, seconds):
    """Where a chirp's middle lies (seconds), and the correlation there, at the full rate."""
    chirp = analytic_chirp(direction, rate)
    # 1 ms holds the coarse rate's grain and the shift that 200 ppm brings.
    reach = int(0.001 * rate) + 3
    first = int(round(seconds * rate)) - reach
    first = min(max(first, 0), len(samples) - len(chirp) - 2 * reach - 1)
    piece = samples[first : first + len(chirp) + 2 * reach]
    found = signal.fftconvolve(piece, np.conj(chirp[::-1]), "valid")
    at = int(np.clip(np.argmax(np.abs(found)), 1, len(found) - 2))
    left, middle, right = np.log(np.abs(found[at - 1 : at + 2]))
    peak = 0.5 * (left - right) / (left - 2 * middle + right)
    return (first + at + peak + len(chirp) / 2) / rate, found[at]


def find_clock(samples, rate, plan):
    """{"ratio", "delay", "polarity", "markers": {code: seconds of its centre}}; needs two of the plan's markers."""
    hits = coarse_hits(samples, rate)
    centres, places, polarity = [], [], 0.0
    markers = {}
    for marker in plan["markers"]:
        code = CODES[marker["code"]]
        best = next((h for h in hits if h[1] == code), None)
        if best is None:
            continue
        one, first = refine(samples, rate, code[0], best[2])
        two, second = refine(samples, rate, code[1], best[2] + SPACING)
        for value in (first, second):
            polarity += np.cos(np.angle(value))
        centres.append((one + two) / 2)
        places.append((marker["start_seconds"] + (SPACING + CHIRP) / 2, code))
        markers[code] = (one + two) / 2
    if len(centres) < 2:
        raise ValueError("fewer than two markers found")
    t_prog = np.array([p[0] for p in places])
    t_rec = np.array(centres)
    sign = np.array([{"UU": 1.0, "DD": -1.0}.get(p[1], 0.0) for p in places])
    ratio = 1.0
    for _ in range(3):
        ratio, offset = np.polyfit(t_rec + (ratio - 1) * SHIFT * sign, t_prog, 1)
    return {
        "ratio": ratio,
        "delay": -offset / ratio,
        "polarity": 1 if polarity >= 0 else -1,
        "markers": markers,
    }
