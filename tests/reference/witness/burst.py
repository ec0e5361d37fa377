"""Sag and recovery (methods 8)."""

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.optimize import minimize_scalar

from .tone import db


def envelope(samples, rate, frequency):
    """Amplitude of the tone: demodulated, two averages over four cycles in a row."""
    t = np.arange(len(samples)) / rate
    z = 2 * samples * np.exp(-2j * np.pi * frequency * t)
    width = int(round(4 * rate / frequency))
    for _ in range(2):
        z = uniform_filter1d(z.real, width) + 1j * uniform_filter1d(z.imag, width)
    # An even width puts each average half a sample late, both together one sample: below 0.1 ms.
    return np.abs(z)


def exponential(t, y):
    """a, b, tau of a + b exp(-t/tau)."""

    def linear(log_tau):
        basis = np.stack([np.ones_like(t), np.exp(-t / np.exp(log_tau))], axis=1)
        solution, *_ = np.linalg.lstsq(basis, y, rcond=None)
        return np.sum((y - basis @ solution) ** 2), solution

    trial = np.linspace(np.log(0.004), np.log(1.0), 40)
    best = int(np.argmin([linear(x)[0] for x in trial]))
    low, high = trial[max(best - 1, 0)], trial[min(best + 1, len(trial) - 1)]
    log_tau = minimize_scalar(lambda x: linear(x)[0], bounds=(low, high), method="bounded").x
    a, b = linear(log_tau)[1]
    return a, b, float(np.exp(log_tau))


def measure(take, segment):
    """Medians over the bursts; levels in dB (a dip is positive), times in seconds."""
    spec = segment["signal"]
    before, high, after = spec["before_seconds"], spec["high_seconds"], spec["after_seconds"]
    period = before + high + after
    rate, ratio = take.rate, take.ratio
    rows = []
    for k in range(spec["times"]):
        begin = segment["start_seconds"] + k * period
        samples, start = take.cut(begin, begin + period)
        t = start - begin + np.arange(len(samples)) * ratio / rate
        y = envelope(samples, rate, spec["frequency_hz"] * ratio)

        def part(from_seconds, to_seconds):
            return (t >= from_seconds) & (t <= to_seconds)

        on, off = before, before + high
        # The envelope is smooth over 8 ms: every millisecond is enough for the fit.
        thin = np.arange(len(t)) % max(1, int(rate / 1000)) == 0
        use = part(on + 0.006, off - 0.008) & thin
        a, b, tau = exponential(t[use] - on, y[use])
        # The last burst's tone fades out over 10 ms at the end, which the averages see 4 ms earlier.
        use = part(off + 0.006, period - 0.015) & thin
        c, d, recovery = exponential(t[use] - off, y[use])
        immediate = y[part(on + 0.006, on + 0.016)].mean()
        # The first 20 ms by the fitted course: the average itself needs 6 ms to get over the step.
        first = a + b * tau / 0.020 * (1 - np.exp(-0.020 / tau))
        sustained = y[part(off - 0.2, off - 0.008)].mean()
        rows.append(
            [db((a + b) / a), tau, db(immediate), db(sustained), db(first / sustained), -db((c + d) / c), recovery]
        )
    names = ("sag", "sag_time", "immediate", "sustained", "burst_margin", "recovery_dip", "recovery_time")
    out = dict(zip(names, map(float, np.median(rows, axis=0))))
    # Below a tenth of a decibel a time constant means nothing.
    if abs(out["sag"]) < 0.1:
        out["sag_time"] = None
    if abs(out["recovery_dip"]) < 0.1:
        out["recovery_time"] = None
    return out
