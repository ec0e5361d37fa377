#!/usr/bin/env python3
"""Measures a take with NumPy and SciPy, independently of twinload.

    measure.py TAKE.wav PLAN.json [--channel N] [--one-core] [--seconds]

Writes the figures as JSON. With --seconds it writes the CPU seconds of each part instead (libraries already
loaded). With --one-core the linear algebra uses one thread.
"""

import argparse
import json
import os
import sys
import time


def arguments():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("take")
    parser.add_argument("plan")
    parser.add_argument("--channel", type=int, default=1)
    parser.add_argument("--one-core", action="store_true")
    parser.add_argument("--seconds", action="store_true")
    return parser.parse_args()


def plain(value):
    """NumPy's types as JSON's; what is not finite becomes null."""
    import numpy as np

    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value


def measure(path, plan_path, channel, clock):
    """All figures of a take; clock(name) is called as each part is done."""
    from witness import burst, pairs, quiet, sweep, tone
    from witness.clock import find_clock
    from witness.recording import Take, read_plan, read_wav

    samples, rate = read_wav(path, channel)
    plan = read_plan(plan_path)
    clock("load")
    found = find_clock(samples, rate, plan)
    # An inverted recording is turned over, so that "positive" is where the amp's input is positive.
    take = Take(found["polarity"] * samples, rate, found["ratio"], found["delay"])
    clock("markers")
    by_kind = {}
    for segment in plan["segments"]:
        by_kind.setdefault(segment["signal"]["kind"], []).append(segment)
    out = {
        # The recorder's clock re the player's.
        "clock_drift": (1 / found["ratio"] - 1) * 1e6,
        "delay": found["delay"],
        "polarity": found["polarity"],
    }
    mains = None
    for segment in by_kind.get("quiet", []):
        out["quiet"] = quiet.measure(take, segment)
        mains = out["quiet"]["mains_frequency"] if out["quiet"]["hum_lines"] else None
    clock("quiet")
    for segment in by_kind.get("tone", []) + by_kind.get("ladder", []):
        fitted = tone.steady(take, segment)
        out[segment["id"]] = tone.table(*fitted)
        if segment["id"] == "ladder_up":
            out["headroom"] = tone.headroom(plan, *fitted[:3])
    if "ladder_up" in out and "ladder_down" in out:
        out["headroom"]["hysteresis"] = tone.hysteresis(out["ladder_up"], out["ladder_down"])
    clock("ladders")
    for segment in by_kind.get("sweep", []):
        out[segment["id"]] = sweep.measure(take, plan, segment, mains)
    clock("sweeps")
    out.update(pairs.measure(take, by_kind.get("pair", [])))
    clock("pairs")
    for segment in by_kind.get("burst", []):
        out[segment["id"]] = burst.measure(take, segment)
    clock("bursts")
    return out


def main():
    options = arguments()
    if options.one_core:
        for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
            os.environ[name] = "1"
    began = time.process_time()
    sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
    import witness.burst, witness.clock, witness.pairs, witness.quiet, witness.sweep, witness.tone  # noqa: E401, F401

    loaded = last = time.process_time()
    spans = {"import": loaded - began}

    def clock(name):
        nonlocal last
        now = time.process_time()
        spans[name] = now - last
        last = now

    out = measure(options.take, options.plan, options.channel, clock)
    spans["analysis"] = time.process_time() - loaded
    json.dump(spans if options.seconds else plain(out), sys.stdout, indent=1, allow_nan=False)
    sys.stdout.write("\n")


if __name__ == "__main__":
    main()
