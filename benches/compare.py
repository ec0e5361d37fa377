#!/usr/bin/env python3
"""Times twinload, the NumPy/SciPy script and the floor on the same takes, and writes the table of benches/README.md.

    cargo build --release && cargo bench --no-run
    python3 benches/compare.py [--runs 7] [--python PYTHON] [--keep FOLDER]

All of them in one session, in turns, on one core (taskset, RAYON_NUM_THREADS=1, one thread of linear algebra).
twinload and the floor are timed as whole processes, the script from after its imports to its last figure.
"""

import argparse
import json
import os
import pathlib
import statistics
import subprocess
import sys
import tempfile
import time

ROOT = pathlib.Path(__file__).resolve().parent.parent
TWINLOAD = ROOT / "target/release/twinload"
CORE = "0"


def arguments():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--python", default=sys.executable, help="a Python with numpy and scipy")
    parser.add_argument("--keep", help="folder for the takes, used again if it holds them")
    parser.add_argument("--rates", default="48000,192000")
    return parser.parse_args()


def built(name):
    """The newest build of a bench."""
    found = [p for p in (ROOT / "target/release/deps").glob(f"{name}-*") if os.access(p, os.X_OK) and p.suffix == ""]
    if not found:
        sys.exit(f"no {name}: run `cargo bench --no-run` first")
    return max(found, key=lambda p: p.stat().st_mtime)


def run(command, cores=CORE, **environment):
    """Wall seconds and standard output of one process."""
    env = os.environ | environment
    began = time.perf_counter()
    process = subprocess.Popen(
        ["taskset", "-c", cores, *map(str, command)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=env
    )
    out, err = process.communicate()
    seconds = time.perf_counter() - began
    if process.returncode != 0:
        sys.exit(f"{command}: {err.decode()}")
    return seconds, out


def peak_mb(command):
    """Peak resident memory in MB, read by the system when the process ends."""
    pid = os.fork()
    if pid == 0:
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, 1)
        os.dup2(null, 2)
        os.execvp("taskset", ["taskset", "-c", CORE, *map(str, command)])
    _, status, usage = os.wait4(pid, 0)
    if status != 0:
        sys.exit(f"{command} failed")
    return usage.ru_maxrss / 1024


def spread(values):
    """Median and range as text."""
    return f"{statistics.median(values):.3f} ({min(values):.3f}–{max(values):.3f})"


def main():
    options = arguments()
    folder = pathlib.Path(options.keep or tempfile.mkdtemp())
    folder.mkdir(parents=True, exist_ok=True)
    floor = built("floor")
    one = {"RAYON_NUM_THREADS": "1"}
    for rate in options.rates.split(","):
        take = folder / f"take-{rate}.wav"
        if not take.exists():
            run([built("take"), rate, take, folder / "plan.json"], cores="0,1")
    lines = []
    for rate in options.rates.split(","):
        take = folder / f"take-{rate}.wav"
        analyse, script, bottom, check, imports = [], [], [], [], []
        for _ in range(options.runs):
            analyse.append(run([TWINLOAD, "analyse", take, "--json"], **one)[0])
            check.append(run([TWINLOAD, "check", take], **one)[0])
            bottom.append(run([floor, take])[0])
            _, out = run(
                [options.python, ROOT / "tests/reference/measure.py", "--one-core", "--seconds", take, folder / "plan.json"]
            )
            spans = json.loads(out)
            script.append(spans["analysis"])
            imports.append(spans["import"])
        a, s, b, c = map(statistics.median, (analyse, script, bottom, check))
        lines += [
            f"| {rate} Hz: `twinload analyse` | {spread(analyse)} | {a / b:.1f} × the floor |",
            f"| {rate} Hz: NumPy/SciPy script, after {statistics.median(imports):.1f} s of imports | {spread(script)} | {s / a:.1f} × twinload |",
            f"| {rate} Hz: floor | {spread(bottom)} | |",
            f"| {rate} Hz: `twinload check` | {spread(check)} | {c / a:.2f} × analyse |",
            f"| {rate} Hz: peak memory of `analyse` / script / floor | "
            f"{peak_mb([TWINLOAD, 'analyse', take, '--json']):.0f} / "
            f"{peak_mb([options.python, ROOT / 'tests/reference/measure.py', '--one-core', '--seconds', take, folder / 'plan.json']):.0f} / "
            f"{peak_mb([floor, take]):.0f} MB | |",
        ]
    print(f"| what | seconds, median of {options.runs} (range) | ratio |\n| --- | --- | --- |")
    print("\n".join(lines))


if __name__ == "__main__":
    main()
