#!/usr/bin/env python3
"""Measures every NAME.wav of a folder by its plan NAME.json and writes the figures as one CSV.

    tabulate.py FOLDER OUT.csv
"""

import csv
import pathlib
import sys

import numpy as np
import scipy

from measure import measure, plain


def rows(figures):
    """(figure, where, value) of everything that is a number; a crossing that is none keeps its word."""
    for name, value in figures.items():
        if not isinstance(value, dict):
            if isinstance(value, (int, float, str)):
                yield name, "", value
            continue
        if "drive" in value or "frequency" in value:
            along = "drive" if "drive" in value else "frequency"
            for column, numbers in value.items():
                # Six orders of ten show as much.
                if column == along or column.endswith(("_7", "_8", "_9", "_10")):
                    continue
                if not isinstance(numbers, list):
                    if numbers is not None:
                        yield f"{name}.{column}", "", numbers
                    continue
                # A response has 480 points; every eighth shows as much (the 34th is 1 kHz).
                step = 1 if along == "drive" else 8
                for where, number in list(zip(value[along], numbers))[271 % step if step > 1 else 0 :: step]:
                    if number is not None:
                        yield f"{name}.{column}", where, number
            continue
        for column, number in value.items():
            if column == "hum_lines":
                for line in number:
                    yield f"{name}.hum_line", line["order"], line["level"]
            elif column == "products":
                for line in number:
                    n, m = line["orders"]
                    yield f"{name}.product", f"{n} {m}", line["level"]
            elif isinstance(number, (int, float, str)):
                yield f"{name}.{column}", "", number


def text(value):
    return f"{value:.9g}" if isinstance(value, float) else str(value)


def main():
    folder, out_path = map(pathlib.Path, sys.argv[1:3])
    with open(out_path, "w", encoding="utf-8", newline="") as file:
        file.write(
            "# source: tests/reference/measure.py, "
            f"numpy {np.__version__}, scipy {scipy.__version__}; rerun: see tests/witness.rs\n"
        )
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["take", "figure", "at", "value"])
        for path in sorted(folder.glob("*.wav")):
            figures = plain(measure(str(path), str(path.with_suffix(".json")), 1, lambda name: None))
            for name, where, value in rows(figures):
                out.writerow([path.stem, name, text(where), text(value)])


if __name__ == "__main__":
    main()
