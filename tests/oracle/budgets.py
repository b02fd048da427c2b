#!/usr/bin/env python3
"""Random amplifiers whose detector chains are wrong within what their budgets state. Usage: budgets.py CASES.

Errors stated as limits (conformance, coupling, converter, temperature) are uniform within them, that of the calibration
is normal with its half-width at two standard deviations, mismatch has a random phase.
"""
import sys

import numpy as np

random = np.random.default_rng(4711)
print("# volts,slope,intercept,coupling,pads,cable,conformance,calibration,temperature,coupling_tolerance,converter,"
      "mismatch,true_w")
for case in range(int(sys.argv[1])):
    slope = random.choice([-1, 1]) * random.uniform(0.017, 0.055)
    intercept = random.uniform(10, 25) if slope < 0 else random.uniform(-65, -45)
    coupling, pads, cable = random.uniform(28, 45), random.choice([3, 10, 20]), random.uniform(0, 1)
    terms = dict(conformance=random.choice([0.2, 0.5, 1.0]), calibration=random.uniform(0.1, 0.5),
                 temperature=random.uniform(0.1, 0.6), coupling=random.uniform(0.1, 0.8),
                 converter=random.uniform(0.02, 0.2), mismatch=random.uniform(0.02, 0.3))
    true_dbm = random.uniform(33, 57)
    error = sum(random.uniform(-terms[n], terms[n]) for n in ("conformance", "coupling", "converter",
                                                                 "temperature"))
    error += random.normal(0, terms["calibration"] / 2)
    error += terms["mismatch"] * np.sin(random.uniform(0, 2 * np.pi))
    volts = slope * (true_dbm - coupling - pads - cable + error - intercept)
    print(",".join(repr(float(x)) for x in (
        volts, slope, intercept, coupling, pads, cable, terms["conformance"], terms["calibration"],
        terms["temperature"], terms["coupling"], terms["converter"], terms["mismatch"], 10 ** (true_dbm / 10 - 3))))
print("end")
