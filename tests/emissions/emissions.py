#!/usr/bin/env python3
"""What the program says of each emission, against an independent simulation. Usage: emissions.py PROGRAM.

PROGRAM facts prints a row for each emission. Digital television: root-raised-cosine shaping (ETSI EN 302 307 for 8PSK and
16APSK, there with roll-off 0.35, 0.25, 0.20), 16 samples a symbol, by numpy's FFT; the reading of a log detector is the
mean of the logarithm, whose exact values are known for two tones (3.01 dB low) and a Gaussian envelope (2.51 dB low:
Analog Devices, "Measurement and Control of RF Power, Part III"), which check the simulation itself.

PROGRAM average TIME reads brackets (seconds, forward, reflected, forward again, W) and answers with ratio and doubt. The
brackets are of a voice, made from noise of scipy's filters, and of Morse, by two detectors with a converter's moments;
the truth lies within the doubt (k = 2: 95 %, Guide to the Expression of Uncertainty in Measurement) about as often.
"""
import subprocess
import sys
import unittest

import numpy as np
from scipy import signal

PROGRAM = sys.argv.pop(1)
POINTS = {
    "qpsk": np.exp(1j * np.pi / 4 * np.array([1, 3, 5, 7])),
    "8psk": np.exp(1j * np.pi / 4 * np.arange(8)),
    "16apsk": np.concatenate([np.exp(1j * np.pi / 4 * np.array([1, 3, 5, 7])),
                              2.85 * np.exp(1j * np.pi / 12 * (1 + 2 * np.arange(12)))]),
}


def db(power):
    return 10 * np.log10(np.maximum(power, 1e-12))


def low_by(power):
    """What a slow log detector, calibrated on a carrier, reads below the mean power."""
    return db(power.mean()) - db(power).mean()


def shaped(modulation, roll_off, symbols=60000, each=16):
    random = np.random.default_rng(5)
    train = np.zeros(symbols * each, complex)
    train[::each] = random.choice(POINTS[modulation], symbols)
    cycles = np.abs(np.fft.fftfreq(len(train))) * each  # of the symbol rate
    inside = np.clip((cycles - (1 - roll_off) / 2) / roll_off, 0, 1)
    return np.abs(np.fft.ifft(np.fft.fft(train) * np.cos(np.pi / 2 * inside))) ** 2


class Facts(unittest.TestCase):
    def test_the_simulation_knows_exact_values(self):
        t = np.arange(200000)
        self.assertAlmostEqual(3.01, low_by(np.abs(1 + np.exp(2j * np.pi * t / 997.3)) ** 2), delta=0.05)
        random = np.random.default_rng(1)
        self.assertAlmostEqual(2.51, low_by(random.exponential(size=400000)), delta=0.03)

    def test_digital_television(self):
        rows = [line.split(",") for line in subprocess.run([PROGRAM, "facts"], capture_output=True, text=True, check=True).stdout.split()]
        television = [row for row in rows if row[0] == "digital-television"]
        self.assertEqual(9, len(television))
        for _, modulation, roll_off, crest, low, share, _ in television:
            power = shaped(modulation, float(roll_off))
            self.assertAlmostEqual(low_by(power), float(low), delta=0.05, msg=f"{modulation} {roll_off}")
            # The one highest sample of a random text: within half a decibel.
            self.assertAlmostEqual(db(power.max() / power.mean()), float(crest), delta=0.5, msg=f"{modulation} {roll_off}")
            self.assertAlmostEqual(10 ** (-float(crest) / 10), float(share), delta=0.02)

    def test_steady_envelopes_have_no_crest(self):
        rows = [line.split(",") for line in subprocess.run([PROGRAM, "facts"], capture_output=True, text=True, check=True).stdout.split()]
        for kind, _, _, crest, low, share, time in rows:
            if kind in ("carrier", "fm"):
                self.assertEqual((0.0, 0.0, 1.0, 0.0), (float(crest), float(low), float(share), float(time)))


def voice(random, seconds, rate):
    """Band-passed noise, 300 to 2700 Hz, under syllables of 3 to 8 Hz and pauses; the exciter limits the peaks."""
    count = int(seconds * rate)
    band = signal.butter(4, (300, 2700), "bandpass", fs=rate, output="sos")
    envelope = np.abs(signal.hilbert(signal.sosfilt(band, random.normal(size=count)))) ** 2
    syllables = signal.sosfilt(signal.butter(2, (3, 8), "bandpass", fs=rate, output="sos"), random.normal(size=count))
    gate = signal.sosfilt(signal.butter(2, 0.5, fs=rate, output="sos"), random.normal(size=count))
    power = envelope * np.exp(syllables / syllables.std()) * (gate > -0.7 * gate.std())
    return np.minimum(1.0, power / np.quantile(power, 0.985))


def morse(random, seconds, rate, words=18):
    dots = rate * 1.2 / words
    parts = []
    while sum(map(len, parts)) < seconds * rate:
        parts.append(np.ones(int(dots * random.choice([1, 3]))))
        parts.append(np.zeros(int(dots * random.choice([1, 3, 7], p=[0.65, 0.28, 0.07]))))
    edge = np.hanning(int(0.005 * rate))
    return np.convolve(np.concatenate(parts)[:int(seconds * rate)], edge / edge.sum(), "same") ** 2


def brackets(random, power, rate, reflection, filter_s):
    """Two log detectors with a pole each, read one after another for 1.16 ms, 2.6 ms apart, every 20 ms."""
    pole = np.exp(-1 / (filter_s * rate))
    filtered = [signal.lfilter([1 - pole], [1, -pole], np.maximum(db(power * share * 100), 0.5 - 30))
                for share in (1, reflection ** 2)]
    sums = [np.concatenate([[0], f.cumsum()]) for f in filtered]
    length = int(0.00116 * rate)
    rows = []
    at = 0.1
    while at < len(power) / rate - 0.1:
        def read(which, offset):
            begin = int((at + offset) * rate)
            return 10 ** ((sums[which][begin + length] - sums[which][begin]) / length / 10)
        rows.append((at, read(0, 0.0), read(1, 0.0026), read(0, 0.0078)))
        at += 0.02 + random.uniform(0, 0.001)
    return rows


class Averages(unittest.TestCase):
    def test_the_truth_lies_within_the_doubt(self):
        rate = 16000
        for name, make, time in (("voice", voice, 2), ("morse", morse, 1)):
            for filter_s in (0.0001, 0.002):
                random = np.random.default_rng(23)
                reflection = random.uniform(0.1, 0.4)
                rows = brackets(random, make(random, 600, rate), rate, reflection, filter_s)
                text = "".join(" ".join(map(repr, map(float, row))) + "\n" for row in rows)
                answers = subprocess.run([PROGRAM, "average", str(time)], input=text, capture_output=True, text=True, check=True).stdout.split("\n")
                told = np.array([[float(x) for x in line.split()] for line in answers if " " in line])
                self.assertEqual(0, answers.count("never"), name)
                self.assertGreater(len(told), 0.5 * len(rows), name)
                off = np.abs(10 * np.log10(told[:, 0] / reflection ** 2))
                print(f"{name:6} filter {filter_s * 1e3:.1f} ms: {len(told)} ratios, {np.mean(off <= told[:, 1]):.1%} within their doubt, "
                      f"worst {off.max():.2f} dB")
                # Morse's edges come in step with the scans, and so aren't quite independent.
                self.assertGreater(np.mean(off <= told[:, 1] + (0.15 if name == "morse" else 0.0)), 0.88, name)
                self.assertLess(off.max(), 2.0, name)


if __name__ == "__main__":
    sys.exit(unittest.main(verbosity=1))
