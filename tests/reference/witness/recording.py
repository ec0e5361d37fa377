"""A WAV file as samples, and the plan as a table."""

import json
import warnings

import numpy as np
from scipy.io import wavfile


def read_wav(path, channel=1):
    """Samples of one channel (from 1) in -1..1, and the sample rate in Hz."""
    with warnings.catch_warnings():
        # Chunks that are not audio (a time stamp, a name) are none of our business.
        warnings.simplefilter("ignore", wavfile.WavFileWarning)
        rate, data = wavfile.read(path)
    if data.ndim == 2:
        data = data[:, channel - 1]
    if data.dtype.kind == "f":
        return data.astype(np.float64), float(rate)
    # 24-bit data arrives left-justified in 32 bits, so the container's width is the scale.
    return data / float(2 ** (8 * data.dtype.itemsize - 1)), float(rate)


def read_plan(path):
    """The plan as a dict; every signal becomes {"kind": ..., its fields}."""
    with open(path, encoding="utf-8") as file:
        plan = json.load(file)
    for segment in plan["segments"]:
        (kind, fields), = segment["signal"].items()
        segment["signal"] = {"kind": kind, **fields}
    return plan


def amplitude(plan, level_db):
    """Peak in sample units that was played at a level re the programme's top."""
    return 10 ** ((plan["top_dbfs"] + level_db) / 20)


class Take:
    """Samples with their clock: t_prog = ratio * (t_rec - delay)  (1)."""

    def __init__(self, samples, rate, ratio, delay):
        self.samples, self.rate, self.ratio, self.delay = samples, rate, ratio, delay

    def recorded(self, programme_seconds):
        """When the recorder heard what the programme plays at this time."""
        return self.delay + programme_seconds / self.ratio

    def first_frame(self, programme_seconds):
        """First frame not before this programme time, and its own programme time."""
        frame = int(np.ceil(self.recorded(programme_seconds) * self.rate))
        return frame, (frame / self.rate - self.delay) * self.ratio

    def cut(self, from_seconds, to_seconds):
        """Samples between two programme times, and the programme time of the first one."""
        frame, start = self.first_frame(from_seconds)
        count = int((to_seconds - from_seconds) / self.ratio * self.rate)
        if frame < 0 or frame + count > len(self.samples):
            raise ValueError(f"the recording does not hold {from_seconds:.2f}..{to_seconds:.2f} s")
        return self.samples[frame : frame + count], start
