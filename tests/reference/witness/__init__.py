"""A second implementation of twinload's figures, in NumPy and SciPy, that shares nothing with `src/`.

It was written from the description of the methods alone (the numbers in comments
are that description's sections) and reads the same WAV files and the same plan.json.
"""
