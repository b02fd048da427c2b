#!/usr/bin/env python3
"""Random chains of a driver, pads and an amplifier, each by Rapp's model, solved forwards by bracketing (scipy's brentq),
never by a closed inverse. Usage: drives.py CASES.

Each row: the driver's and the amplifier's numbers, the wanted output, the advised back-off; then the truth of each of the
two: how far its output lies below its own 1 dB point, and how much its drive is above the one that leaves what is advised.
"""
import sys

import numpy as np
from scipy.optimize import brentq

random = np.random.default_rng(4711)
SMOOTHNESS = 2.0


def output_dbm(input_dbm, gain, saturation):
    x = 10 ** ((input_dbm + gain - saturation) / 20)
    return saturation + 20 * np.log10(x / (1 + x ** (2 * SMOOTHNESS)) ** (1 / (2 * SMOOTHNESS)))


def drive_for(output, gain, saturation):
    return brentq(lambda i: output_dbm(i, gain, saturation) - output, saturation - gain - 150, saturation - gain + 60, xtol=1e-13)


def one_db_of(gain, saturation):
    drive = brentq(lambda i: i + gain - output_dbm(i, gain, saturation) - 1, saturation - gain - 60, saturation - gain + 20, xtol=1e-13)
    return output_dbm(drive, gain, saturation)


print("# driver gain, driver 1 dB output, pad, gain, 1 dB output, wanted, advised, then of driver and amplifier: back-off, drive")
for case in range(int(sys.argv[1])):
    driver_gain, gain, pad = random.uniform(10, 35), random.uniform(10, 35), random.uniform(0, 6)
    saturation = random.uniform(35, 60)
    wanted = saturation - random.uniform(0.3, 15)
    advised = random.uniform(0, 8)
    amplifier_drive = drive_for(wanted, gain, saturation)
    driver_output = amplifier_drive + pad
    driver_saturation = driver_output + random.uniform(0.3, 15)
    row = [driver_gain, one_db_of(driver_gain, driver_saturation), pad, gain, one_db_of(gain, saturation), wanted, advised]
    for g, top, out in ((driver_gain, driver_saturation, driver_output), (gain, saturation, wanted)):
        one_db = one_db_of(g, top)
        row += [one_db - out, drive_for(out, g, top) - drive_for(one_db - advised, g, top)]
    print(",".join(repr(float(x)) for x in row))
print("end")
