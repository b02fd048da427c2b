#!/usr/bin/env python3
"""Random comparisons of a detector with a reference, and what they make of a voltage: the level by numpy's interpolation and
line, its doubt by numpy and scipy's chi squared. Usage: corrections.py CASES.

A row: slope,intercept,conformance,levels,(volts,dbm) eight times,doubt of each,volts asked for,dbm,doubt
"""
import sys

import numpy as np
from scipy import stats

random = np.random.default_rng(99)


def away(distance):
    return distance / np.sqrt(distance ** 2 + 1.2 ** 2)


for case in range(int(sys.argv[1])):
    slope = random.choice([-1, 1]) * random.uniform(0.017, 0.055)
    intercept, conformance = random.uniform(10, 25), random.choice([0.0, 0.3, 1.0])
    count = int(random.integers(1, 9))
    steps = random.uniform(3, 5 if case % 2 else 12, count)
    true = random.uniform(-45, -30) + steps.cumsum()
    shown = true + random.uniform(-2, 2) + random.uniform(-0.04, 0.04) * true + random.uniform(-0.5, 0.5, count)
    add, own = true - shown, random.uniform(0.02, 0.4)
    # Between the levels, and beyond them.
    asked = random.uniform(shown[0] - 25, shown[-1] + 25)
    span = shown[-1] - shown[0]
    weights = np.array([1 / 0.08 ** 2, (span / max(3 * conformance, 1e-3 * span)) ** 2 if count > 1 else 0.0])
    carried = (add[-1] - add[0]) / span * weights[1] / weights.sum() if count > 1 else 0.0
    waviness = conformance
    if count >= 4 and np.diff(shown).max() <= 5:
        left = add - np.polyval(np.polyfit(shown, add, 1), shown)
        waviness = min(conformance, max(0.15, np.sqrt(2 * (left ** 2).sum() / stats.chi2.ppf(0.05, count - 2))))
    if shown[0] < asked < shown[-1]:
        dbm = asked + np.interp(asked, shown, add)
        doubt = np.hypot(own, 1.8 * waviness * away(np.abs(shown - asked).min()))
    else:
        end = 0 if asked <= shown[0] else -1
        distance = abs(asked - shown[end])
        dbm = asked + add[end] + carried * (asked - shown[end])
        doubt = np.sqrt(own ** 2 + (2.0 * conformance * away(distance)) ** 2 + distance ** 2 / weights.sum())
    row = [slope, intercept, conformance, count]
    for i in range(8):
        row += [slope * (shown[i] - intercept), true[i]] if i < count else [0, 0]
    print(",".join(repr(float(x)) for x in row + [own, slope * (asked - intercept), dbm, doubt]))
print("end")
