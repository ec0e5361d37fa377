"""Synchronised sweeps: response and harmonics against frequency (methods 5)."""

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft

from .recording import amplitude
from .tone import db, hann

POINTS_PER_DECADE = 160
AFTER, BEFORE = 0.15, 0.10
ORDERS = 5
CLEARED = 9
MAINS_LINES = 20
HALF_POWER_DB = -10 * np.log10(2)


class Sweep:
    """One sweep with its deconvolution."""

    def __init__(self, take, plan, segment):
        spec = segment["signal"]
        self.rate = take.rate
        self.f1 = spec["start_hz"] * take.ratio
        self.growth = spec["growth_seconds"] / take.ratio
        self.a = amplitude(plan, spec["level_db"])
        frame, _ = take.first_frame(segment["start_seconds"])
        # How much later than the sweep's own begin the first sample was taken.
        self.late = frame / take.rate - take.recorded(segment["start_seconds"])
        room = int(segment["length_seconds"] / take.ratio * take.rate)
        count = room - 1
        while next_fast_len(count, real=True) > room:
            count -= max(1, count // 1000)
        count = next_fast_len(count, real=True)
        self.samples = take.samples[frame : frame + count]
        f = np.fft.rfftfreq(count, 1 / take.rate)
        self.f = f
        with np.errstate(divide="ignore", invalid="ignore"):
            turn = 2 * np.pi * f * (self.growth * (1 - np.log(f / self.f1)) + self.late)
        turn[0] = 0.0
        self.inverse = 2 * np.sqrt(f / self.growth) * np.exp(1j * (np.pi / 4 - turn)) / (self.a * take.rate)
        self.inverse[0] = 0.0

    def response(self, samples):
        """The deconvolved response, harmonic n at -L ln n (wrapped)."""
        return irfft(rfft(samples) * self.inverse, len(samples))

    def window(self, order):
        """Frames (may be negative) and weights of the window round the response of this order."""
        centre = -self.growth * np.log(order)
        before = min(BEFORE, 0.3 * self.growth * np.log((order + 1) / order))
        after = AFTER
        if order > 1:
            gap = self.growth * np.log(order / (order - 1))
            after = min(after, max(gap - 0.06, 0.5 * gap))
        frames = np.arange(np.ceil((centre - before) * self.rate), np.floor((centre + after) * self.rate) + 1)
        t = frames / self.rate - centre
        rise = np.clip((t + before) / (0.8 * before), 0, 1)
        fall = np.clip((after - t) / (0.3 * after), 0, 1)
        weight = (0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall))
        return frames.astype(int), weight, centre

    def harmonic(self, h, order, frequencies):
        """H_n at these output frequencies, its own origin as time 0."""
        frames, weight, centre = self.window(order)
        piece = np.zeros(1 << int(np.ceil(np.log2(8 * len(frames)))))
        piece[: len(frames)] = h[frames] * weight
        spectrum = rfft(piece)
        # Turned so that the response sits at time 0, the spectrum is smooth and can be interpolated.
        step = self.rate / len(piece)
        spectrum *= np.exp(-2j * np.pi * np.arange(len(spectrum)) * step * (frames[0] / self.rate - centre))
        return interpolate(spectrum, frequencies / step)

    def without_mains(self, mains):
        """The samples less the mains lines that the remainder between the responses shows (5.4).

        The windows take a part of the lines with them, so what is left is looked at once more.
        """
        samples = self.samples
        for _ in range(2):
            samples = samples - self.mains_lines(self.response(samples), mains)
        return samples

    def mains_lines(self, h, mains):
        """The mains lines in what lies between the responses."""
        rest = h.copy()
        for order in range(1, CLEARED + 1):
            frames, weight, _ = self.window(order)
            rest[frames] *= 1 - weight
        spectrum = rfft(rest)
        spectrum[1:] /= self.inverse[1:]
        return mains_model(irfft(spectrum, len(rest)), self.rate, mains)


def interpolate(values, at):
    """Four-point Lagrange interpolation of evenly spaced complex values."""
    base = np.clip(np.floor(at).astype(int), 1, len(values) - 3)
    x = at - base
    return (
        values[base - 1] * (-x * (x - 1) * (x - 2) / 6)
        + values[base] * ((x + 1) * (x - 1) * (x - 2) / 2)
        + values[base + 1] * (-(x + 1) * x * (x - 2) / 2)
        + values[base + 2] * ((x + 1) * x * (x - 1) / 6)
    )


def mains_model(samples, rate, mains):
    """The mains lines of a signal that holds nothing else of note, followed in 2 s Hann blocks at half overlap."""
    block = min(int(2 * rate), len(samples))
    weight = hann(block)
    t = np.arange(block) / rate
    angle = 2 * np.pi * mains * np.outer(t, np.arange(1, MAINS_LINES + 1))
    basis = np.hstack([np.cos(angle), np.sin(angle)])
    weighted = basis * weight[:, None]
    starts = list(range(0, len(samples) - block + 1, max(1, block // 2)))
    if starts[-1] != len(samples) - block:
        starts.append(len(samples) - block)
    blocks = np.stack([samples[s : s + block] for s in starts], axis=1)
    fitted = basis @ np.linalg.solve(basis.T @ weighted, weighted.T @ blocks)
    model, total = np.zeros(len(samples)), np.full(len(samples), 1e-9)
    for at, piece in zip(starts, fitted.T):
        model[at : at + block] += (weight + 1e-9) * piece
        total[at : at + block] += weight
    return model / total


def first_below(f, values, limit, upwards):
    """Where values fall below the limit first, from 1 kHz outwards, linear in log f; None if they never do."""
    index = np.arange(len(f)) if upwards else np.arange(len(f))[::-1]
    lf = np.log(f)
    start = np.flatnonzero(f[index] >= 999.999 if upwards else f[index] <= 1000.001)[0]
    for one, two in zip(index[start:], index[start + 1 :]):
        if values[two] < limit <= values[one]:
            part = (limit - values[one]) / (values[two] - values[one])
            return float(np.exp(lf[one] + part * (lf[two] - lf[one])))
    return None


def nearer(one, two, upwards):
    """The end that is met first on the way outwards."""
    there = [x for x in (one, two) if x is not None]
    return (min(there) if upwards else max(there)) if there else None


def measure(take, plan, segment, mains):
    """Curves and corners of one sweep."""
    sweep = Sweep(take, plan, segment)
    h = sweep.response(sweep.samples if mains is None else sweep.without_mains(mains))
    # 1 kHz is among them, 20 Hz to 20 kHz.
    f = 1000 * 10 ** (np.arange(-271, 209) / POINTS_PER_DECADE)
    f = f[f < 0.45 * take.rate]
    # Programme frequencies are played; the recorder hears them times the clock ratio.
    first = sweep.harmonic(h, 1, f * take.ratio)
    at_1k = sweep.harmonic(h, 1, np.array([1000.0]) * take.ratio)[0]
    level = db(first / at_1k)
    band = (f >= 300) & (f <= 3000)
    phase = np.unwrap(np.angle(first))
    # The straight line through the phase, every hertz alike.
    slope = np.polyfit(f[band], phase[band], 1, w=np.sqrt(np.gradient(f)[band]))[0]
    delay = -slope / (2 * np.pi)
    turned = phase + 2 * np.pi * f * delay
    turned -= 2 * np.pi * np.round(np.interp(1000, f, turned) / (2 * np.pi))
    out = {
        "frequency": f,
        "level": level,
        "gain": db(first),
        "phase": np.degrees(turned),
        "delay": delay,
        "low_corner": first_below(f, level, HALF_POWER_DB, False),
        "high_corner": first_below(f, level, HALF_POWER_DB, True),
    }
    squares = np.zeros(len(f))
    for order in range(2, ORDERS + 1):
        heard = order * f
        fits = (heard <= 20_000) & (heard < 0.45 * take.rate)
        values = np.full(len(f), np.nan)
        values[fits] = np.abs(sweep.harmonic(h, order, heard[fits] * take.ratio) / first[fits])
        out[f"harmonic_{order}"] = db(values)
        squares += np.where(np.isnan(values), 0, values) ** 2
    distortion = np.sqrt(squares)
    if np.interp(1000, f, distortion) < 0.10:
        for name, upwards in (("low", False), ("high", True)):
            clean = first_below(f, -distortion, -0.10, upwards)
            out[f"power_bandwidth_{name}"] = nearer(out[f"{name}_corner"], clean, upwards)
    return out
