#!/usr/bin/env python3
"""Plays tones through stage.cir in ngspice; writes recordings and what ngspice itself says of them.

    make.py [FOLDER]      (default: beside this script; needs ngspice, numpy and scipy)

tones.csv and pairs.csv hold ngspice's own Fourier analysis, never this script's.
"""

import csv
import math
import pathlib
import re
import subprocess
import sys
import tempfile

import numpy as np
from scipy import signal
from scipy.interpolate import CubicSpline
from scipy.io import wavfile

HERE = pathlib.Path(__file__).resolve().parent
SETTLE, LENGTH, RATE, VOLTS_PER_UNIT = 0.8, 0.4, 48_000, 20.0
TONE, DRIVES = 1000.0, (0.05, 0.15, 0.4, 1.0)
PAIR, PAIR_PEAKS = (250.0, 8000.0), (0.16, 0.04)


def valve_values():
    rows = [line for line in (HERE.parent / "koren_params.csv").read_text().splitlines() if line[0] != "#"]
    values = {}
    for row in csv.DictReader(rows):
        for prefix, kind in (("t_", "12AX7"), ("p_", "6V6GT")):
            if row["type"] == kind:
                values |= {prefix + key.lower(): row[key] for key in ("MU", "EX", "KG1", "KG2", "KP", "KVB")}
    return values


def run(source, base, lines, node="in"):
    """(times, volts at the load, {multiple of base: (peak volts, phase in degrees, sine form)})."""
    with tempfile.TemporaryDirectory() as folder:
        data = pathlib.Path(folder) / "out.txt"
        text = (HERE / "stage.cir").read_text()
        values = valve_values() | {
            "source": source,
            "input": node,
            "stop": f"{SETTLE + LENGTH + 0.05}",
            "base": f"{base}",
            "lines": f"{lines + 1}",
            "data": str(data),
        }
        for key, value in values.items():
            text = text.replace("{" + key + "}", value)
        netlist = pathlib.Path(folder) / "stage.cir"
        netlist.write_text(text)
        said = subprocess.run(["ngspice", "-b", str(netlist)], capture_output=True, text=True, check=False).stdout
        t, v = np.loadtxt(data, unpack=True)
    table = {}
    for line in said.splitlines():
        found = re.match(r"\s*(\d+)\s+([-+.\de]+)\s+([-+.\de]+)\s+([-+.\de]+)\s+", line)
        if found:
            table[int(found[1])] = (float(found[3]), float(found[4]))
    if len(table) < lines:
        raise SystemExit(said)
    return t, v, table


def record(path, t, v):
    """The last LENGTH seconds as 24-bit samples."""
    over = 8
    fine = SETTLE + np.arange(int(LENGTH * RATE * over) + 4 * over * 256) / (RATE * over)
    fine = fine[fine < t[-1]]
    values = CubicSpline(t, v)(fine)
    taps = signal.firwin(2 * 128 * over + 1, 0.5 * RATE * 0.96, fs=RATE * over, window=("kaiser", 12))
    slow = np.convolve(values, taps, "valid")[::over][: int(LENGTH * RATE)]
    assert len(slow) == int(LENGTH * RATE)
    samples = np.round(slow / VOLTS_PER_UNIT * 2**23).astype(np.int32)
    assert np.max(np.abs(samples)) < 2**23
    # 24 bits packed by hand: scipy writes 32-bit integers only.
    raw = samples.astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    head = b"RIFF" + (36 + len(raw)).to_bytes(4, "little") + b"WAVEfmt " + (16).to_bytes(4, "little")
    head += (1).to_bytes(2, "little") + (1).to_bytes(2, "little") + RATE.to_bytes(4, "little")
    head += (3 * RATE).to_bytes(4, "little") + (3).to_bytes(2, "little") + (24).to_bytes(2, "little")
    path.write_bytes(head + b"data" + len(raw).to_bytes(4, "little") + raw)


def relative_phase(table, n):
    """theta_n of the cosine form from ngspice's sine-form phases, degrees in -180..180."""
    theta = table[n][1] - n * table[1][1] + (n - 1) * 90
    return (theta + 180) % 360 - 180


def main():
    folder = pathlib.Path(sys.argv[1]) if len(sys.argv) > 1 else HERE
    version = re.search(r"ngspice-\S+", subprocess.run(["ngspice", "--version"], capture_output=True, text=True).stdout)
    source = f"# truth: Fourier analysis by {version[0]} itself of tests/reference/spice/stage.cir, 8 ohm load; a sample of 1.0 is {VOLTS_PER_UNIT:g} V peak at the load\n"
    with open(folder / "tones.csv", "w", encoding="utf-8", newline="") as file:
        file.write(source)
        file.write("# phases: theta_n of the cosine form (reference.md section 1), from ngspice's sine-form phases\n")
        out = csv.writer(file, lineterminator="\n")
        orders = range(2, 11)
        names = [f"h{n}_db" for n in orders] + [f"h{n}_phase_deg" for n in orders]
        out.writerow(["file", "drive_volts_peak", "frequency_hz", "fundamental_volts_peak", "thd_percent_h2_h20", *names])
        for drive in DRIVES:
            t, v, table = run(f"SIN(0 {drive} {TONE})", TONE, 20)
            name = f"stage-tone-{round(1000 * drive)}mv.wav"
            record(folder / name, t, v)
            one = table[1][0]
            thd = 100 * math.sqrt(sum(table[n][0] ** 2 for n in range(2, 21))) / one
            decibels = [f"{20 * math.log10(table[n][0] / one):.3f}" for n in orders]
            phases = [f"{relative_phase(table, n):.3f}" for n in orders]
            out.writerow([name, drive, TONE, f"{one:.7g}", f"{thd:.6g}", *decibels, *phases])
    with open(folder / "pairs.csv", "w", encoding="utf-8", newline="") as file:
        file.write(source)
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["file", "line_hz", "line_volts_peak"])
        low, high = PAIR
        # Two sources in series make one pair.
        source_text = f"SIN(0 {PAIR_PEAKS[0]} {low})\nVin2 in2 in SIN(0 {PAIR_PEAKS[1]} {high})"
        t, v, table = run(source_text, low, 70, "in2")
        name = "stage-pair-250-8000hz.wav"
        record(folder / name, t, v)
        for n in sorted(table):
            if n >= 1 and table[n][0] > 1e-4 * table[1][0]:
                out.writerow([name, n * low, f"{table[n][0]:.6g}"])


if __name__ == "__main__":
    main()
