"""Steady tones and ladders (methods 3 and 4)."""

import numpy as np
from scipy.interpolate import PchipInterpolator

from .recording import amplitude

GRID_DB = 0.02
HOLD_DB = 0.5


def hann(n):
    """Periodic Hann window."""
    return 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)


def db(x):
    """20 log10, floor at -400 dB so that an exact zero is a number."""
    return 20 * np.log10(np.maximum(np.abs(x), 1e-20))


def step_window(step_seconds):
    """Which part of a step is used (3.4)."""
    begin = 0.15 if step_seconds >= 0.7 else min(0.10, 0.2 * step_seconds)
    end = min(step_seconds - 0.02, 0.48) if step_seconds < 0.7 else min(step_seconds - 0.02, 0.68)
    return begin, end


def harmonic_fit(rows, rate, frequency):
    """Hann-weighted least squares on DC and harmonics, for all rows (steps) at once (3.2).

    Returns c (rows x K, complex peak amplitudes, phase at the row's first sample), n (rows x K,
    noise of one amplitude) and the rows' distortion-and-noise power without the fundamental, 20 Hz..20 kHz.
    """
    count = rows.shape[1]
    t = np.arange(count) / rate
    top = min(20_000.0, 0.45 * rate)
    orders = np.arange(1, int(top / frequency + 1e-9) + 1)
    weight = hann(count)
    angle = 2 * np.pi * frequency * np.outer(t, orders)
    basis = np.hstack([np.ones((count, 1)), np.cos(angle), -np.sin(angle)])
    weighted = basis * weight[:, None]
    solution = np.linalg.solve(basis.T @ weighted, weighted.T @ rows.T)
    k = len(orders)
    c = (solution[1 : 1 + k] + 1j * solution[1 + k :]).T

    rest = rows - (basis @ solution).T
    spectrum = np.abs(2 * np.fft.rfft(rest * weight, axis=1) / weight.sum()) ** 2
    centre = np.round(orders * frequency * count / rate).astype(int)
    offsets = np.concatenate([np.arange(-10, -3), np.arange(4, 11)])
    around = np.clip(centre[:, None] + offsets[None, :], 1, spectrum.shape[1] - 1)
    noise = np.sqrt(np.median(spectrum[:, around], axis=2) / np.log(2))

    one = np.hstack([basis[:, :1], basis[:, 1:2], basis[:, 1 + k : 2 + k]])
    only = solution[[0, 1, 1 + k]]
    other = np.fft.rfft((rows - (one @ only).T) * weight, axis=1)
    f = np.arange(other.shape[1]) * rate / count
    inside = (f >= 20) & (f <= 20_000)
    power = 2 * np.sum(np.abs(other[:, inside]) ** 2, axis=1) / (count * np.sum(weight**2))
    return c, noise, power


def thd(c, noise):
    """THD re the fundamental, harmonics to the fit's limit, noise taken off (3.2)."""
    clean = np.maximum(np.abs(c[..., 1:]) ** 2 - noise[..., 1:] ** 2, 0)
    return np.sqrt(clean.sum(axis=-1)) / np.abs(c[..., 0])


def cut_steps(take, segment):
    """The used part of every step as the rows of a matrix."""
    spec = segment["signal"]
    levels = spec.get("levels_db", [spec.get("level_db")])
    step = spec.get("step_seconds", segment["length_seconds"])
    begin, end = step_window(step)
    starts = segment["start_seconds"] + step * np.arange(len(levels)) + begin
    pieces = [take.cut(s, s + end - begin)[0] for s in starts]
    count = min(map(len, pieces))
    return np.array(levels, float), np.stack([p[:count] for p in pieces])


def steady(take, segment):
    """Levels (dB re top) and the fits of a ladder or a single tone."""
    levels, rows = cut_steps(take, segment)
    c, noise, power = harmonic_fit(rows, take.rate, segment["signal"]["frequency_hz"] * take.ratio)
    return levels, c, noise, power


def table(levels, c, noise, power):
    """Per step: drive, H1 in dBFS, THD %, THD+N %, H2..H10 in dB re H1 and their phase in degrees."""
    h1 = np.abs(c[:, 0])
    phase = np.angle(c) - np.arange(1, c.shape[1] + 1) * np.angle(c[:, :1])
    wrapped = np.degrees(np.angle(np.exp(1j * phase)))
    last = min(10, c.shape[1])
    return {
        "drive": levels,
        "level": db(h1),
        "thd": 100 * thd(c, noise),
        "thd_floor": 100 * np.sqrt(np.sum(noise[:, 1:] ** 2, axis=1)) / h1,
        "thd_n": 100 * np.sqrt(2 * power) / h1,
        **{f"harmonic_{k}": db(c[:, k - 1] / h1) for k in range(2, last + 1)},
        **{f"phase_{k}": wrapped[:, k - 1] for k in range(2, last + 1)},
    }


def first_stay(grid, holds):
    """Index of the lowest grid point from which `holds` is true for the next 0.5 dB; None if there is none."""
    span = int(round(HOLD_DB / GRID_DB))
    for at in np.flatnonzero(holds & ~np.concatenate(([False], holds[:-1]))):
        if np.all(holds[at : at + span + 1]):
            return at
    return None


def crossing(grid, values, limit):
    """Drive at which values pass the limit upwards and stay (4.1): a number, "below" or "not reached"."""
    at = first_stay(grid, values >= limit)
    if at is None:
        return "not reached"
    if at == 0:
        return "below"
    part = (limit - values[at - 1]) / (values[at] - values[at - 1])
    return float(grid[at - 1] + part * GRID_DB)


def headroom(plan, levels, c, noise):
    """Figures of the rising ladder (4.1, 4.2)."""
    a = amplitude(plan, levels)
    orders = np.arange(1, c.shape[1] + 1)
    relative = c * np.exp(-1j * orders * np.angle(c[:, :1])) / a[:, None]
    grid = np.arange(round((levels[-1] - levels[0]) / GRID_DB) + 1) * GRID_DB + levels[0]
    r = PchipInterpolator(levels, relative.real)(grid) + 1j * PchipInterpolator(levels, relative.imag)(grid)
    n = np.sqrt(np.maximum(PchipInterpolator(levels, (noise / a[:, None]) ** 2)(grid), 0))
    a_grid = amplitude(plan, grid)
    distortion = thd(r, n)
    usable = np.abs(c[:, 0]) >= 100 * noise[:, 0]
    gain0 = np.mean(np.abs(relative[usable, 0])[:10])
    total = db(np.sqrt(np.sum(np.abs(r) ** 2, axis=1)) * a_grid)
    figures = {"gain": db(gain0)}
    drives = {}
    for percent in (1, 3, 5, 10):
        drive = crossing(grid, distortion, percent / 100)
        drives[percent] = drive
        figures[f"drive_at_thd_{percent}_percent"] = drive
        reached = isinstance(drive, float)
        figures[f"level_at_thd_{percent}_percent"] = float(np.interp(drive, grid, total)) if reached else drive
    if isinstance(drives[1], float) and isinstance(drives[10], float):
        figures["onset_span"] = drives[10] - drives[1]
    drive = crossing(grid, -db(np.abs(r[:, 0]) / gain0), 1.0)
    figures["drive_at_1_db_compression"] = drive
    if isinstance(drive, float):
        figures["level_at_1_db_compression"] = float(np.interp(drive, grid, total))
    for name, value in zip(("positive", "negative"), clip_points(grid, r * a_grid[:, None], a_grid, gain0)):
        figures[f"clip_drive_{name}"] = value
    figures["cranked_level"] = float(total[-1])
    return figures


def clip_points(grid, d, a, gain0):
    """Drives at which each half's crest stops following (4.2)."""
    points = 1024
    padded = np.zeros((len(grid), points // 2 + 1), complex)
    padded[:, 1 : d.shape[1] + 1] = d
    wave = np.fft.irfft(padded, points, axis=1) * points / 2
    even = np.arange(2, d.shape[1] + 1, 2)
    middle = np.sum((-1.0) ** (even // 2) * d[:, even - 1].real, axis=1)
    half = int(round(0.5 / GRID_DB))
    out = []
    for crest in (wave.max(axis=1) - middle, middle - wave.min(axis=1)):
        growth = (crest[2 * half :] - crest[: -2 * half]) / (gain0 * (a[2 * half :] - a[: -2 * half]))
        out.append(crossing(grid[half:-half], -growth, -0.5))
    return out


def hysteresis(up, down):
    """Largest H1 difference falling - rising at equal drive, dB."""
    differences = [
        lower - up["level"][at]
        for drive, lower in zip(down["drive"], down["level"])
        for at in np.flatnonzero(np.abs(up["drive"] - drive) < 1e-6)
    ]
    return float(max(differences, key=abs)) if differences else None
