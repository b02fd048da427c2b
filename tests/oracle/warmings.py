#!/usr/bin/env python3
"""Heatsinks in air that grows warmer for four hours and then stays, by scipy's ODE solver. Usage: warmings.py CASES.

Each row: heatsink now, where it settles in the air as it is, time constant, K/h, seconds, a limit; then the truth: the
temperature after those seconds, and when the limit is reached (-1: never).
"""
import sys

import numpy as np
from scipy.integrate import solve_ivp

random = np.random.default_rng(404)
LASTS_S = 4 * 3600

print("# now, settles, time constant, K/h, seconds, limit, then: after those seconds, seconds to the limit")
for case in range(int(sys.argv[1])):
    now, settles = random.uniform(0, 60), random.uniform(20, 80)
    tau, rate = random.uniform(60, 2400), random.uniform(0.2, 8)
    after = random.uniform(60, 8 * 3600)
    limit = max(now, settles) + random.uniform(-5, 30)

    def slope(t, y):
        return [(settles + rate / 3600 * min(t, LASTS_S) - y[0]) / tau]

    def reached(t, y):
        return y[0] - limit

    options = {"rtol": 1e-9, "atol": 1e-9, "max_step": 200}
    later = float(solve_ivp(slope, (0, after), [now], **options).y[0, -1])
    found = solve_ivp(slope, (0, LASTS_S + 40 * tau), [now], events=reached, **options).t_events[0]
    time = 0.0 if now >= limit else float(found[0]) if found.size else -1.0
    print(",".join(repr(float(x)) for x in (now, settles, tau, rate, after, limit, later, time)))
print("end")
