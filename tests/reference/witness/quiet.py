"""Noise, weighting and mains lines of the quiet segment (methods 7, reference 3)."""

import numpy as np

from .tone import db, hann

LINES = 20


def a_weight(f):
    """|A(f)|, IEC 61672-1 Annex E, 1 at 1 kHz."""
    poles = (20.598997058, 107.652648643, 737.862230736, 12194.217147998)

    def raw(x):
        x = np.asarray(x, float) ** 2
        p = [q * q for q in poles]
        return p[3] * x**2 / ((x + p[0]) * np.sqrt((x + p[1]) * (x + p[2])) * (x + p[3]))

    return raw(f) / raw(1000.0)


def weight_468(f):
    """|W(f)| of the ITU-R BS.468-4 network, 1 at 1 kHz."""

    def raw(x):
        x = np.asarray(x, float)
        h1 = (
            -4.737338981378384e-24 * x**6
            + 2.043828333606125e-15 * x**4
            - 1.363894795463638e-7 * x**2
            + 1
        )
        h2 = 1.306612257412824e-19 * x**5 - 2.118150887518656e-11 * x**3 + 5.559488023498642e-4 * x
        return 1.246332637532143e-4 * x / np.sqrt(h1**2 + h2**2)

    return raw(f) / raw(1000.0)


def line_floor(power, bins, per_hz):
    """Median power of +-1..+-4 Hz round each bin."""
    near = np.arange(int(np.ceil(per_hz)), int(4 * per_hz) + 1)
    offsets = np.concatenate([-near[::-1], near])
    index = np.clip(np.asarray(bins)[..., None] + offsets, 0, len(power) - 1)
    return np.maximum(np.median(power[index], axis=-1), 1e-300)


def mains_frequency(samples, rate):
    """The mains frequency in the recorder's Hz, found from the lines themselves."""
    count = len(samples)
    power = np.abs(np.fft.rfft(samples * hann(count), 2 * count)) ** 2
    per_hz = 2 * count / rate
    orders = np.arange(1, LINES + 1)
    candidates = np.concatenate([base * np.linspace(1 - 0.0025, 1 + 0.0025, 101) for base in (50.0, 60.0)])
    bins = np.round(np.outer(candidates, orders) * per_hz).astype(int)
    floors = line_floor(power, bins, per_hz)
    score = np.minimum(np.log1p(power[bins] / floors), 6).sum(axis=1)
    best = int(np.argmax(score))
    frequency = candidates[best]
    total, weights = 0.0, 0.0
    for k, at, floor in zip(orders, bins[best], floors[best]):
        reach = int(np.ceil(per_hz / 4)) + 1
        at = at - reach + int(np.argmax(power[at - reach : at + reach + 1]))
        if power[at] < 30 * floor:
            continue
        left, middle, right = np.log(power[at - 1 : at + 2])
        peak = (at + 0.5 * (left - right) / (left - 2 * middle + right)) / per_hz
        weight = k**2 * power[at] / floor
        total += weight * peak / k
        weights += weight
    return total / weights if weights > 0 else frequency


def fit_lines(samples, rate, frequencies):
    """Hann least squares of DC and lines: complex peak amplitudes, the remainder."""
    count = len(samples)
    t = np.arange(count) / rate
    weight = hann(count)
    angle = 2 * np.pi * np.outer(t, frequencies)
    basis = np.hstack([np.ones((count, 1)), np.cos(angle), -np.sin(angle)])
    weighted = basis * weight[:, None]
    solution = np.linalg.solve(basis.T @ weighted, weighted.T @ samples)
    k = len(frequencies)
    return solution[1 : 1 + k] + 1j * solution[1 + k :], samples - basis @ solution


def measure(take, segment):
    """Noise and hum in dBFS (a full-scale sine is 0)."""
    start = segment["start_seconds"] + 0.3
    length = min(4.0, segment["length_seconds"] - 0.4)
    samples, _ = take.cut(start, start + length)
    samples = samples - samples.mean()
    rate = take.rate
    mains = mains_frequency(samples, rate)
    orders = np.arange(1, LINES + 1)
    amplitudes, rest = fit_lines(samples, rate, mains * orders)
    count = len(rest)
    weight = hann(count)
    spectrum = np.abs(np.fft.rfft(rest * weight)) ** 2
    f = np.arange(len(spectrum)) * rate / count
    inside = (f >= 20) & (f <= 20_000)
    psd = 2 * spectrum[inside] / (count * np.sum(weight**2))

    # A line counts if it stands 6 dB over what the remainder holds beside it.
    near = np.abs(2 * np.fft.rfft(rest * weight, 2 * count) / weight.sum()) ** 2
    per_hz = 2 * count / rate
    floor = np.sqrt(line_floor(near, np.round(mains * orders * per_hz).astype(int), per_hz) / np.log(2))
    counts = np.abs(amplitudes) >= 2 * floor
    total = np.sqrt(np.sum(np.abs(amplitudes[counts]) ** 2))

    def level(weighting):
        return float(db(np.sqrt(2 * np.sum(psd * weighting**2))))

    return {
        "mains_frequency": float(mains),
        "hum_total": float(db(total)) if counts.any() else None,
        "hum_lines": [
            {"order": int(k), "level": float(db(abs(a)))} for k, a, yes in zip(orders, amplitudes, counts) if yes
        ],
        "noise": level(1.0),
        "noise_a_weighted": level(a_weight(f[inside])),
        "noise_468": level(weight_468(f[inside])),
    }
