#!/usr/bin/env python3
"""A mismatched source on a mismatched power head, as scikit-rf sees them: what the head is given against what it would
be given by a matched source. Usage: mismatch.py CASES."""
import contextlib
import sys

import numpy as np

with contextlib.redirect_stdout(sys.stderr):  # it talks when it is imported
    import skrf

random = np.random.default_rng(11)
frequency = skrf.Frequency.from_f([1.26], unit="ghz")
print("# source_reflection,head_reflection,given_ratio")
for case in range(int(sys.argv[1])):
    source, head = random.uniform(0, 0.5, 2)
    worst = case % 4 == 0
    source_s = source * np.exp(1j * (0.0 if worst else random.uniform(0, 2 * np.pi)))
    head_s = head * np.exp(1j * (np.pi * (case % 8 == 0) if worst else random.uniform(0, 2 * np.pi)))
    # A source: port 0 excites without reflection, port 1 is its output with its reflection.
    s = np.array([[[0, 0], [1, source_s]]], dtype=complex)
    generator = skrf.Network(frequency=frequency, s=s, z0=50)
    # The head: port 0 its input, port 1 takes what it absorbs and reflects nothing.
    absorbed = np.sqrt(1 - abs(head_s) ** 2)
    sensor = skrf.Network(frequency=frequency, s=np.array([[[head_s, 0], [absorbed, 0]]], dtype=complex), z0=50)
    whole = generator ** sensor
    print(",".join(repr(float(x)) for x in (source, head, abs(whole.s[0, 1, 0]) ** 2 / absorbed ** 2)))
print("end")
