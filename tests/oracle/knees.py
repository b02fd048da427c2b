#!/usr/bin/env python3
"""Compressing amplifiers solved by bracketing (scipy's brentq), never by a closed inverse. Usage: knees.py CASES."""
import sys

import numpy as np
from scipy.optimize import brentq

random = np.random.default_rng(77)


def output_dbm(input_dbm, gain, saturation, p):
    x = 10 ** ((input_dbm + gain - saturation) / 20)
    return saturation + 20 * np.log10(x / (1 + x ** (2 * p)) ** (1 / (2 * p)))


print("# smoothness,gain,one_db_output,input,output,compression,head_room_output,head_room_drive")
for case in range(int(sys.argv[1])):
    p, gain, saturation = random.uniform(0.8, 5), random.uniform(8, 40), random.uniform(30, 60)

    def missing(input_dbm):
        return input_dbm + gain - output_dbm(input_dbm, gain, saturation, p)

    one_db_input = brentq(lambda i: missing(i) - 1, saturation - gain - 60, saturation - gain + 20, xtol=1e-13)
    one_db_output = output_dbm(one_db_input, gain, saturation, p)
    wanted = random.uniform(0.11, 4.0)
    drive = brentq(lambda i: missing(i) - wanted, saturation - gain - 60, saturation - gain + 30, xtol=1e-13)
    output = output_dbm(drive, gain, saturation, p)
    print(",".join(repr(float(x)) for x in (p, gain, one_db_output, drive, output, missing(drive),
                                            one_db_output - output, one_db_input - drive)))
print("end")
