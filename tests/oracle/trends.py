#!/usr/bin/env python3
"""Air that grows warmer or cooler, as a 12-bit 1-Wire part shows it each minute; numpy's weighted polyfit as reference.
Usage: trends.py CASES.

Each row: the true slope in K/h, polyfit's (points weighted by their age, 30 min), then 60 readings.
"""
import sys

import numpy as np

random = np.random.default_rng(60)
POINTS = 60
hours = np.arange(POINTS) / 60
weights = np.exp(-(hours[-1] - hours) / 0.5)

print("# true K/h, polyfit's K/h, readings")
for case in range(int(sys.argv[1])):
    rate = random.uniform(-6, 6) if case % 2 else random.uniform(-0.5, 0.5)
    # Gusts: what a minute has too much, the next one has in part.
    gusts, gust = np.zeros(POINTS), 0.0
    for i in range(POINTS):
        gust = 0.6 * gust + random.normal(0, 0.15)
        gusts[i] = gust
    shown = np.floor((random.uniform(-10, 35) + rate * hours + gusts) / 0.0625) * 0.0625
    fitted = np.polyfit(hours, shown, 1, w=np.sqrt(weights))[0]
    print(",".join(repr(float(x)) for x in (rate, fitted, *shown)))
print("end")
