#!/usr/bin/env python3
"""Amplifiers on heatsinks as networks of two heat capacities, solved by scipy's ODE solver. Usage: heat.py CASES.

Each case: `case` rows, seconds of idling and then of heat for one time constant, as the sensors would show them (a
12-bit 1-Wire part's steps, heat with noise, ambient measured in every second case); then `truth`: where it settles,
when it reaches the limit, how hot it is half an hour on, and the resistance that scipy's curve_fit finds.
"""
import sys

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import curve_fit

random = np.random.default_rng(1905)
IDLE_S = 60
for case in range(int(sys.argv[1])):
    ambient = random.uniform(-10, 35)
    rise, heat = random.uniform(20, 60), random.uniform(30, 500)
    sink_r = rise / heat
    tau = random.uniform(150, 1200)
    sink_c = tau / sink_r
    flange_r, flange_c = sink_r * random.uniform(0.05, 0.3), sink_c * random.uniform(0.005, 0.03)

    def slope(_, state, power):
        flow = (state[0] - state[1]) / flange_r
        return [(power - flow) / flange_c, (flow - (state[1] - ambient) / sink_r) / sink_c]

    def run(seconds, start, power, **more):
        return solve_ivp(slope, (0, seconds), start, args=(power,), method="LSODA", rtol=1e-9, atol=1e-9, **more)

    seconds = int(tau)
    warm = run(seconds, [ambient, ambient], heat, t_eval=np.arange(1, seconds + 1))
    shown = np.concatenate([np.full(IDLE_S, ambient), warm.y[1]])
    shown = np.floor((shown + random.normal(0, 0.03, shown.size)) / 0.0625) * 0.0625
    powers = np.concatenate([np.zeros(IDLE_S), np.full(seconds, heat)])
    print(f"case,{int(case % 2 == 0)}")
    for temperature, power in zip(shown, powers):
        measured = max(0.0, power * (1 + random.normal(0, 0.02)))
        print(f"s,{float(temperature)!r},{float(measured)!r},{float(ambient)!r}")

    now = warm.y[:, -1]
    settling = ambient + rise
    limit = now[1] + random.uniform(0.2, 0.8) * (settling - now[1])

    def reached(_, state, power):
        return state[1] - limit

    reached.terminal = True
    later = run(30 * tau, now, heat, events=reached)
    after = run(1800, now, heat, t_eval=[1800])
    found, _ = curve_fit(lambda t, r, c: ambient + r * heat * (1 - np.exp(-t / (r * c))), np.arange(1, seconds + 1),
                         shown[IDLE_S:], p0=(0.5 * sink_r, 0.5 * sink_c))
    print("truth," + ",".join(repr(float(x)) for x in (heat, settling, limit, later.t_events[0][0], after.y[1, 0],
                                                        found[0], sink_r, tau)))
print("end")
