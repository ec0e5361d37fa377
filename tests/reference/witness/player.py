"""A plan played through a static curve, as a recorder with its own clock hears it: to try the measurement out."""

import numpy as np

from .clock import CODES, analytic_chirp, SPACING  # noqa: F401
from .recording import amplitude


def fade(t, length):
    return 0.5 - 0.5 * np.cos(np.pi * np.clip(t / length, 0, 1))


def ends(t, length, seconds):
    return fade(t, seconds) * fade(length - t, seconds)


def chirp(direction, t, length=0.25):
    slope = 4800.0 / length
    phase = 600.0 * t + slope * t**2 / 2 if direction == "U" else 5400.0 * t - slope * t**2 / 2
    return np.where((t >= 0) & (t < length), ends(t, length, 0.005) * np.sin(2 * np.pi * phase), 0.0)


def segment_value(plan, segment, t):
    spec, length = segment["signal"], segment["length_seconds"]
    kind = spec["kind"]
    if kind == "tone":
        return amplitude(plan, spec["level_db"]) * ends(t, length, 0.01) * np.sin(2 * np.pi * spec["frequency_hz"] * t)
    if kind == "ladder":
        peaks = amplitude(plan, np.array(spec["levels_db"]))
        step = spec["step_seconds"]
        k = np.floor(t / step).astype(int)
        inside = k < len(peaks)
        k = np.minimum(k, len(peaks) - 1)
        before = np.concatenate([[0.0], peaks])[k]
        now = before + (peaks[k] - before) * fade(t - k * step, 0.01)
        now = np.where(k == len(peaks) - 1, now * fade(step * len(peaks) - t, 0.01), now)
        return inside * now * np.sin(2 * np.pi * spec["frequency_hz"] * t)
    if kind == "sweep":
        f1, growth = spec["start_hz"], spec["growth_seconds"]
        when = lambda hz: growth * np.log(hz / f1)  # noqa: E731
        total = when(spec["end_hz"])
        shape = fade(t, when(spec["full_from_hz"])) * fade(total - t, total - when(spec["full_until_hz"]))
        u = np.minimum(t, total)
        return amplitude(plan, spec["level_db"]) * shape * np.sin(2 * np.pi * f1 * growth * np.exp(u / growth))
    if kind == "pair":
        total, r = amplitude(plan, spec["level_db"]), spec["low_over_high"]
        tones = r * np.sin(2 * np.pi * spec["low_hz"] * t) + np.sin(2 * np.pi * spec["high_hz"] * t)
        return total / (1 + r) * ends(t, spec["tone_seconds"], 0.02) * tones
    if kind == "burst":
        once = spec["before_seconds"] + spec["high_seconds"] + spec["after_seconds"]
        u = np.mod(t, once)
        on = (u >= spec["before_seconds"]) & (u < spec["before_seconds"] + spec["high_seconds"])
        peak = amplitude(plan, np.where(on, spec["high_db"], spec["low_db"]))
        return peak * ends(t, once * spec["times"], 0.01) * np.sin(2 * np.pi * spec["frequency_hz"] * t)
    return np.zeros_like(t)


def heard(plan, rate, device, ratio=1.0, delay=0.0, tail=0.5):
    """Samples of a recorder at `rate` whose clock map is t_prog = ratio * (t_rec - delay)."""
    count = int((plan["length_seconds"] / ratio + delay + tail) * rate)
    t_prog = ratio * (np.arange(count) / rate - delay)
    x = np.zeros(count)

    def add(start, length, value):
        a, b = np.searchsorted(t_prog, [start, start + length])
        x[a:b] += value(t_prog[a:b] - start)

    for marker in plan["markers"]:
        peak = amplitude(plan, plan["marker_db"])
        for k, direction in enumerate(CODES[marker["code"]]):
            add(marker["start_seconds"] + k * SPACING, 0.25, lambda t, d=direction: peak * chirp(d, t))
    for segment in plan["segments"]:
        add(segment["start_seconds"], segment["length_seconds"], lambda t, s=segment: segment_value(plan, s, t))
    return device(x)
