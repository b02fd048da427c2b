#!/usr/bin/env python3
"""Couplers with finite directivity before a feeder and an antenna, as scikit-rf sees them. One CSV row per case.

Usage: networks.py CASES. The truth comes from connected S-parameter matrices, never from the formulae under test.
"""
import contextlib
import sys

import numpy as np

with contextlib.redirect_stdout(sys.stderr):  # it talks when it is imported
    import skrf

CASES = int(sys.argv[1])
random = np.random.default_rng(20240917)
print("# forward_v,forward_slope,forward_intercept,forward_coupling,reflected_v,reflected_slope,reflected_intercept,"
      "reflected_coupling,pads,cable,directivity,feeder_loss,leaky,matched_feeder,"
      "true_forward_w,true_gamma,true_vswr,true_return_loss,true_net_w,antenna_gamma,antenna_w")


def phase():
    return np.exp(1j * random.uniform(0, 2 * np.pi))


for case in range(CASES):
    frequency = skrf.Frequency.from_f([random.uniform(0.4, 6.0)], unit="ghz")
    feeder_loss = random.uniform(0.0, 4.0)
    gamma = feeder_loss / (20 * np.log10(np.e)) + 1j * random.uniform(0, 2 * np.pi)
    line = skrf.media.DefinedGammaZ0(frequency=frequency, gamma=gamma, z0=50)
    antenna_reflection = min(random.uniform(0, 1) ** 1.5, 0.999)
    load = skrf.Network(frequency=frequency, s=[[[antenna_reflection * phase()]]], z0=50)
    feeder = line.line(1, "m")
    matched = bool(random.uniform() < 0.6)
    far = feeder ** load
    if not matched:  # a bad connector at the coupler, as a capacitance
        y = 1j * 2 * np.pi * frequency.f[0] * random.uniform(0.05, 2.0) * 1e-12 * 50  # of 50 ohms, across the line
        shunt = np.array([[[-y, 2], [2, -y]]]) / (2 + y)
        far = skrf.Network(frequency=frequency, s=shunt, z0=50) ** far

    # Ports: 0 amplifier, 1 antenna, 2 forward arm, 3 reflected arm.
    coupling = random.uniform(20, 50)
    directivity = random.uniform(12, 42)
    leaky = bool(random.uniform() < 0.7)
    k = 10 ** (-coupling / 20)
    t = np.sqrt(1 - k * k)
    d = 10 ** (-directivity / 20) * t
    part = [1.0 if random.uniform() < 0.25 else random.uniform(0, 1) for _ in range(2)]
    leak = [d * p * phase() if leaky else 0.0 for p in part]
    through = t * phase()
    s = np.zeros((1, 4, 4), dtype=complex)
    s[0, 1, 0] = s[0, 0, 1] = through
    s[0, 2, 0] = s[0, 0, 2] = k * phase()
    s[0, 3, 1] = s[0, 1, 3] = k * phase()
    s[0, 2, 1] = s[0, 1, 2] = k * leak[0]
    s[0, 3, 0] = s[0, 0, 3] = k * leak[1]
    coupler = skrf.Network(frequency=frequency, s=s, z0=50)
    whole = skrf.connect(coupler, 1, far, 0)  # ports: amplifier, forward arm, reflected arm

    sent_w = 10 ** random.uniform(0.5, 2.8)  # into the coupler
    arm_w = [sent_w * abs(whole.s[0, arm, 0]) ** 2 for arm in (1, 2)]
    pads, cable = random.choice([3, 6, 10, 20]), random.uniform(0, 1)
    volts = []
    for power, slope, intercept in zip(arm_w, (-0.0244, 0.0191), (19.6, -52.1)):
        dbm = 10 * np.log10(max(power, 1e-30) * 1000) - pads - cable
        volts.append(slope * (dbm - intercept))

    forward_w = sent_w * abs(through) ** 2
    reflection = abs(far.s[0, 0, 0])
    # What reaches the antenna: the line's and the load's own matrices.
    at_load = forward_w * abs(feeder.s[0, 1, 0]) ** 2 * (1 - abs(load.s[0, 0, 0]) ** 2)
    print(",".join(repr(float(x)) for x in (
        volts[0], -0.0244, 19.6, coupling, volts[1], 0.0191, -52.1, coupling, pads, cable, directivity, feeder_loss,
        leaky, matched, forward_w, reflection, far.s_vswr[0, 0, 0], -far.s_db[0, 0, 0],
        forward_w * (1 - reflection ** 2), abs(load.s[0, 0, 0]), at_load)))
print("end")
