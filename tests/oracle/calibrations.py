#!/usr/bin/env python3
"""Random calibrations of random log detectors, with the truth at random powers. Usage: calibrations.py CASES.

The stated law is a data sheet's. The true detector has an intercept of its own (within 3 dB), a slope within 5 % of it, and
ripple and curvature that together stay within the stated conformance of that line. Four families: any mixture; ripple that
uses most of the conformance; curvature that does; and a good part that uses a fifth of it. Two to eight levels, 3 dB and
more apart, anywhere in the range; the reference is off by a constant, normal with its half-width at two standard
deviations. Where a power is read, converter, temperature and mismatch are off within the chain's usual terms.

A row: family,slope,intercept,conformance,reference,levels,(volts,dbm of the reference)...,powers,(volts,true dbm)...
"""
import sys

import numpy as np

random = np.random.default_rng(20260301)
FLOOR, CEILING = -50.0, 5.0
MIDDLE, HALF = (FLOOR + CEILING) / 2, (CEILING - FLOOR) / 2
for case in range(int(sys.argv[1])):
    family = ("any", "ripple", "curvature", "good")[case % 4]
    rising = random.random() < 0.5
    slope = random.uniform(0.017, 0.055) * (1 if rising else -1)
    intercept = random.uniform(-65, -55) if rising else random.uniform(10, 25)
    conformance = random.choice([0.5, 1.0, 1.0])
    ripple = conformance * {"any": random.uniform(0, 1), "ripple": random.uniform(0.7, 1),
                            "curvature": random.uniform(0, 0.3), "good": random.uniform(0, 0.15)}[family]
    bend = (conformance - ripple) * random.choice([-1, 1]) * {"any": random.uniform(0, 1), "ripple": random.uniform(0, 1),
                                                              "curvature": 1.0, "good": 0.05}[family]
    period, phase = random.uniform(6, 20), random.uniform(0, 2 * np.pi)
    true_slope = slope * (1 + random.uniform(-0.05, 0.05))
    offset = random.uniform(-3, 3)

    def volts(dbm, extra_db=0.0):
        x = dbm + extra_db
        away = ripple * np.sin(2 * np.pi * x / period + phase) + bend * (2 * ((x - MIDDLE) / HALF) ** 2 - 1)
        return true_slope * (x + away - MIDDLE) + slope * (MIDDLE + offset - intercept)

    count = int(random.integers(2, 9))
    steps = 3.05 + random.dirichlet(np.ones(count - 1)) * random.uniform(0, 25)
    steps *= min(1.0, (CEILING - FLOOR - 3) / steps.sum())
    if steps.sum() < 10:
        steps *= 10 / steps.sum()
    first = random.uniform(FLOOR + 1, CEILING - 1 - steps.sum())
    levels = first + np.concatenate([[0.0], steps.cumsum()])
    reference = random.uniform(0.1, 0.4)
    off = random.normal(0, reference / 2)
    row = [slope, intercept, conformance, reference, count]
    for dbm in levels:
        row += [volts(dbm) + random.normal(0, 0.01) * abs(slope), dbm + off]
    powers = np.concatenate([random.uniform(levels[0], levels[-1], 3), random.uniform(FLOOR + 3, CEILING - 4, 3)])
    row.append(len(powers))
    for dbm in powers:
        error = random.uniform(-0.1, 0.1) + random.uniform(-0.3, 0.3) + 0.2 * np.sin(random.uniform(0, 2 * np.pi))
        row += [volts(dbm, error), dbm]
    print(family + "," + ",".join(repr(float(x)) for x in row))
