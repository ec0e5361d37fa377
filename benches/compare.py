#!/usr/bin/env python3
"""Times twinload, the NumPy/SciPy script and the floor on the same takes, and writes the table of benches/README.md.

    cargo build --release && cargo bench --no-run
    python3 benches/compare.py [--runs 7] [--python PYTHON] [--keep FOLDER]

All of them in one session, in turns, on one core (taskset, RAYON_NUM_THREADS=1, one thread of linear algebra), in
CPU seconds. twinload and the floor are counted as whole processes, the script from after its imports to its last figure.
"""

import argparse
import json
import os
import pathlib
import statistics
import sys
import tempfile

ROOT = pathlib.Path(__file__).resolve().parent.parent
TWINLOAD = pathlib.Path(os.environ.get("TWINLOAD", ROOT / "target/release/twinload"))
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
    """(CPU seconds, peak memory in MB, standard output) of one process on these cores.

    CPU seconds, user and system: on a shared machine wall time says how busy the others are.
    """
    with tempfile.TemporaryFile() as out:
        pid = os.fork()
        if pid == 0:
            os.dup2(out.fileno(), 1)
            os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
            os.environ.update(environment)
            os.execvp("taskset", ["taskset", "-c", cores, *map(str, command)])
        _, status, usage = os.wait4(pid, 0)
        if status != 0:
            sys.exit(f"{command} failed")
        out.seek(0)
        return usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024, out.read()


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
        script = [options.python, ROOT / "tests/reference/measure.py", "--one-core", "--seconds", take, folder / "plan.json"]
        commands = {
            "analyse": [TWINLOAD, "analyse", take, "--json"],
            "check": [TWINLOAD, "check", take],
            "floor": [floor, take],
            "script": script,
        }
        seconds = {name: [] for name in commands}
        memory = {name: 0 for name in commands}
        imports = []
        for _ in range(options.runs):
            for name, command in commands.items():
                used, peak, out = run(command, **one)
                if name == "script":
                    spans = json.loads(out)
                    imports.append(spans["import"])
                    used = spans["analysis"]
                seconds[name].append(used)
                memory[name] = max(memory[name], peak)
        a, s, b, c = (statistics.median(seconds[name]) for name in ("analyse", "script", "floor", "check"))
        lines += [
            f"| {rate} Hz: `twinload analyse` | {spread(seconds['analyse'])} | {memory['analyse']:.0f} | {a / b:.1f} × the floor |",
            f"| {rate} Hz: NumPy/SciPy script, after {statistics.median(imports):.1f} s of imports | {spread(seconds['script'])} | {memory['script']:.0f} | {s / a:.1f} × twinload |",
            f"| {rate} Hz: floor | {spread(seconds['floor'])} | {memory['floor']:.0f} | |",
            f"| {rate} Hz: `twinload check` | {spread(seconds['check'])} | {memory['check']:.0f} | {c / a:.2f} × analyse |",
        ]
    print(f"| what | CPU seconds, median of {options.runs} (range) | peak MB | ratio |\n| --- | --- | --- | --- |")
    print("\n".join(lines))


if __name__ == "__main__":
    main()
