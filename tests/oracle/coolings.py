#!/usr/bin/env python3
"""Class AB amplifiers on heatsinks of one heat capacity, heated for one time constant and then for ever by scipy's ODE
solver, at the power and the duty that just fit by bracketing (brentq). Usage: coolings.py CASES.

Each row: ambient, resistance, forward, DC, quiescent DC, drive, the level; then the truth: where it settles as it runs,
the largest power that settles below the level (0: none), and the share of the time.
"""
import sys

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

random = np.random.default_rng(86)


def settles(heat, ambient, resistance):
    """By the differential equation, to the end, and not by Ohm's law of heat. One time constant is 1 s here."""
    run = solve_ivp(lambda t, y: [heat * resistance - (y[0] - ambient)], (0, 40), [ambient], rtol=1e-10, atol=1e-10)
    return float(run.y[0, -1])


print("# ambient, resistance, forward, dc, quiescent, drive, level, then: settles, power that fits, duty")
for case in range(int(sys.argv[1])):
    ambient, forward = random.uniform(-10, 35), random.uniform(10, 500)
    dc = forward / random.uniform(0.25, 0.6)
    quiescent, drive = dc * random.uniform(0.05, 0.4), forward * random.uniform(0.005, 0.05)
    heat = lambda p: quiescent + (dc - quiescent) * np.sqrt(p / forward) + drive * p / forward - p
    resistance = random.uniform(15, 90) / heat(forward)
    level = ambient + random.uniform(20, 60)
    settling = settles(heat(forward), ambient, resistance)
    powers = np.linspace(0, forward, 4001)
    over = ambient + resistance * heat(powers) >= level
    first = int(np.argmax(over))
    if not over.any():
        fits = forward
    elif first == 0:
        fits = 0.0
    else:
        fits = brentq(lambda p: ambient + resistance * heat(p) - level, powers[first - 1], powers[first])
        assert abs(settles(heat(fits), ambient, resistance) - level) < 1e-4
    if settling < level:
        duty = 1.0
    elif quiescent * resistance + ambient >= level:
        duty = 0.0
    else:
        duty = brentq(lambda d: settles(d * heat(forward) + (1 - d) * quiescent, ambient, resistance) - level, 0, 1, xtol=1e-6)
    print(",".join(repr(float(x)) for x in (ambient, resistance, forward, dc, quiescent, drive, level, settling, fits, duty)))
print("end")
