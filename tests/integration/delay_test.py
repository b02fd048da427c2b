"""The delay that `dekeyctl check` prints for each limit, against the real daemon: from the change of one file to the line.

Every reading takes its conversion time (the shim slows the reads). A try pushes only the watched quantity (or its gate's)
beyond its level and measures to the inhibited line, in CLOCK_MONOTONIC. What the machine adds is told apart so:
  the first try  not below the qualify time (what a start or a try has used up is forgotten in four times as long);
  the best try   within the printed delay with nothing added;
  the worst try  within the printed delay plus WAKES times the longest that a thread of this test, which wants to wake each
                 millisecond, was late during that try;
  the print      at most LOOSE times the worst try: a promise that is far too long says nothing.
Tries begin by turns just after the daemon got a new reading (so it waits longest) and at once.
"""
import concurrent.futures
import json
import math
import os
import pathlib
import re
import subprocess
import sys
import threading
import time
import unittest

from station import CONFIGURATION, DETECTOR, StationTest, wait_for

DEKEYCTL, SHIM = os.environ.get("DEKEYCTL"), os.environ.get("FAULTS_SHIM")
SOURCE = pathlib.Path(os.environ["DEKEYD_SOURCE_DIR"])
WAKES = 6  # conversions of a scan and back, sampler, guard, this test: each may be late once
LOOSE = 3.0
FORGETS = 4.0
TICK_S = 0.001
OFF = {"forward": 0.0, "reflected": 0.0, "drive": 0.0, "current": 0.5}
SPEECH = re.compile(r"At worst ([\d.]+) (µs|ms|s|min) from the sensor to the line.*?\((.*?)\)")
UNITS = {"µs": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0}


class Lateness:
    """How late a thread wakes, by the time at which it was."""

    def __init__(self):
        self.seen, self.over = [], False
        self.thread = threading.Thread(target=self.run, daemon=True)
        self.thread.start()

    def run(self):
        while not self.over:
            before = time.monotonic()
            time.sleep(TICK_S)
            after = time.monotonic()
            self.seen.append((after, after - before - TICK_S))

    def between(self, begin, end):
        return max((late for at, late in self.seen if begin <= at <= end + 0.05), default=0.0)


class Push:
    """One limit: what the sensors show before, what is changed, and when the quantity itself passes its level."""

    def __init__(self, limit, before, change, qualify_s, passes_s=0.0, tries=4):
        self.limit, self.before, self.change, self.qualify_s = limit, before, change, qualify_s
        self.passes_s, self.tries = passes_s, tries
        self.late = []  # of each try: (delay, lateness)


KEYED = {"current": 13.0, "drive": 0.4, "forward": 20.0, "reflected": 0.1}


def keyed(**other):
    return {**KEYED, **other}


def annotated():
    """config/dekeyd.yaml; what is changed isn't a part of any delay but the fan's qualify time, of 10 s."""
    text = (SOURCE / "config/dekeyd.yaml").read_text()
    text = text.split("\nmqtt:")[0] + "\n"
    text = re.sub(r"\nline:\n(  .*\n)+", "\nline: {driver: file, path: LINE}\n", text)
    for path, place in (("/sys", "SYS"), ("/var/lib/dekeyd", "STATE"), ("/run/dekeyd", "RUN")):
        text = re.sub(rf"(\n  \w+: ){path}\n", rf"\1{place}\n", text)
    text = re.sub(r"hold_off: \d+ \w+", "hold_off: 100 ms", text)
    # A busy machine must not lose a sensor, overrun or lock out while it is measured.
    text = re.sub(r"allowed_age: (100|500) ms", "allowed_age: 2 s", text)
    text = text.replace("allowed_age: 6 s", "allowed_age: 12 s").replace("allowed_age: 3 s", "allowed_age: 12 s")
    text = text.replace("deadline: 100 ms", "deadline: 5 s").replace("settling: 5 s", "settling: 300 ms")
    text = text.replace("  trips: 3\n", "  trips: 100\n").replace("release_time: 100 ms", "release_time: 1 s")
    # RF comes and goes faster than any operator keys, and the supply's meter is behind it.
    text = text.replace("  qualify: 500 ms\n  current_with_rf", "  qualify: 5 s\n  current_with_rf")
    text = text.replace("qualify: 10 s", "qualify: 600 ms").replace("clear: 55 degC", "clear: 69 degC")
    return text


def own():
    """Another station: a circulator's load, an uncertain edge, one slow thermometer, a supply with a gate, ..."""
    text = CONFIGURATION.replace("deadline: 5 s", "deadline: 4 s")
    for old, new in (
            ("w1, period: 10 ms, conversion: 1 ms}", "w1, period: 300 ms, conversion: 750 ms}"),
            ("ads1015, period: 10 ms,", "ads1015, period: 50 ms, conversion: 8 ms,"),
            ("ltc4151, period: 10 ms}", "ltc4151, period: 60 ms, conversion: 40 ms}"),
            ("emc2305, period: 10 ms}", "emc2305, period: 200 ms}"),
            ("watch: heatsink, above: 70 degC, clear: 55 degC", "watch: heatsink, above: 70 degC, clear: 69 degC"),
            ("  directivity: 30 dB\n", "  directivity: 30 dB\n  release_time: 1 s\n"),
            ("watch: forward, above: 125 W,", "watch: forward, edge: high, above: 125 W,"),
            ("watch: current, above: 14 A,", "watch: current, above: 14 A, while: {quantity: fan, above: 1000 rpm},"),
            ("rearm: automatic, while: {quantity: heatsink, above: 45 degC}}", "rearm: automatic}"),
            ("limits:\n", "circulator: {load_rating: 1.5 W, load_time: 2 s}\nplausibility: {qualify: 5 s}\n"
             "main_line: [amplifier, circulator, low-pass-filter, coupler, feeder, antenna]\nlimits:\n")):
        assert old in text, old
        text = text.replace(old, new)
    return text.replace("DETECTOR", DETECTOR).replace("allowed_age: 100 ms", "allowed_age: 12 s")


def load_passes_s(power_w, trip_w, time_s, before_w):
    """A mean over an exponential's time, from one power to another, passes its trip."""
    return time_s * math.log((power_w - before_w) / (power_w - trip_w))


def annotated_pushes():
    return [
        Push("vswr", keyed(), {"reflected": 3.0}, 0.02),  # 15 % of 20 W: VSWR 2.26; the trip is at 11.1 %
        Push("reflected", keyed(forward=120.0, reflected=9.0), {"reflected": 12.6}, 0.01),  # VSWR 1.96
        Push("forward", keyed(forward=118.0), {"forward": 130.0}, 0.01),
        Push("drive", keyed(drive=2.2), {"drive": 2.7}, 0.005),
        Push("supply-high", {"supply": 28.0}, {"supply": 31.5}, 0.02),
        Push("supply-low", {"supply": 28.0}, {"supply": 23.0}, 0.5, tries=3),
        Push("current", keyed(), {"current": 14.5}, 0.05, tries=4)]


def annotated_slow_pushes():
    return [
        Push("fan", {"heatsink": 46.0, "fan": 2400}, {"fan": 300}, 0.6, tries=2),
        Push("fan", {"heatsink": 43.0, "fan": 300}, {"heatsink": 46.0}, 0.6, tries=1)]  # its gate opens


def annotated_heat():
    return [
        Push("heatsink", {"heatsink": 68.5}, {"heatsink": 70.5}, 1.0, tries=2)]


def own_pushes():
    load_s = load_passes_s(9.0, 1.5, 2.0, 0.1)
    return [
        Push("circulator-load", keyed(forward=90.0), {"reflected": 9.0}, 0.0, passes_s=load_s, tries=2),
        Push("forward", keyed(forward=90.0), {"forward": 120.0}, 0.02),  # 120 W may be 125 W
        Push("drive", keyed(drive=2.2), {"drive": 2.7}, 0.02),
        Push("supply-high", {"supply": 28.0}, {"supply": 31.5}, 0.02),
        Push("supply-low", {"supply": 28.0}, {"supply": 23.0}, 0.02)]


def own_slow_pushes():
    return [
        Push("current", keyed(fan=3000), {"current": 14.5}, 0.02, tries=2),
        Push("current", keyed(fan=800, current=14.5), {"fan": 1500}, 0.02, tries=2),  # its gate opens
        Push("fan", {"fan": 3000}, {"fan": 300}, 0.1, tries=2),
        Push("fan", {"heatsink": 40.0, "fan": 300}, {"heatsink": 46.0}, 0.1, tries=2),  # the usual gate: 45 degC
        Push("heatsink", {"heatsink": 68.5}, {"heatsink": 70.5}, 0.02, tries=2)]


class Bed:
    """A daemon whose readings take their time."""

    def __init__(self, station, conversions):
        sys.path.insert(0, str(SOURCE / "tests/faults"))
        from rig import Shim  # its own environment is complete only where the shim is built
        self.station = station
        address = station.sys / "bus/w1/devices/28-000000000002"
        address.mkdir()
        (address / "temperature").write_text("22000      \n")
        self.shim = Shim(station.top / "shim")
        for path, conversion_s in conversions.items():
            self.shim.on("pread", "slow", path, argument=round(conversion_s * 1e9))
        station.set(heatsink=46.0, fan=2400)
        station.start(environment={"LD_PRELOAD": SHIM, "FAULTS_CONTROL": str(station.top / "shim")})
        answer = subprocess.run([DEKEYCTL, "check", "--json", str(station.configuration)], capture_output=True,
                                check=True)
        summary = " ".join(json.loads(answer.stdout)["summary"])
        self.started = wait_for(lambda: station.status()["state"] != "starting" and time.monotonic(), "the start is over")
        self.used_up = {}  # by limit: when its last try ended
        self.printed = {m[3]: float(m[1]) * UNITS[m[2]] for m in SPEECH.finditer(summary)}

    def ready(self, push):
        """Permitted, with the values before the push taken."""
        station = self.station
        station.set(**{**OFF, "supply": 28.0, "fan": 2400, "heatsink": 46.0, **{
            sensor: value for sensor, value in push.before.items() if sensor not in OFF}})
        wait_for(self.permitted, f"a permit before {push.limit}")
        station.set(**{sensor: value for sensor, value in push.before.items() if sensor in OFF})
        for sensor, value in {**OFF, **push.before}.items():
            wait_for(lambda: abs((station.quantity(sensor)["value"] or 0.0) - value) < 0.02 * abs(value) + 0.1,
                     f"{sensor} shows {value}")

    def permitted(self):
        if not self.station.permits() and self.station.status()["state"] == "latched":
            self.station.reset()
        return self.station.permits()

    def new_reading(self, sensor):
        last = math.inf
        while True:
            age = self.station.quantity(sensor)["age_s"]
            if age < last - 0.001 and last < math.inf:
                return
            last = age
            time.sleep(0.002)

    def tries(self, push, lateness):
        station = self.station
        for number in range(push.tries):
            self.ready(push)
            if number == 0:
                used_up = self.used_up.get(push.limit, self.started)
                forgotten = used_up + FORGETS * push.qualify_s
                wait_for(lambda: time.monotonic() > forgotten, "the qualify time used up is forgotten")
            if number % 2 == 0:
                self.new_reading(next(iter(push.change)))
            begin = time.monotonic()
            station.set(**push.change)
            while station.line_text() != b"0\n":
                assert time.monotonic() < begin + 20.0, f"{push.limit}: no inhibit; {station.status()}"
                time.sleep(0.0005)
            end = time.monotonic()
            self.used_up[push.limit] = end
            station.set(**OFF)
            causes = station.status()["causes"]
            first = [cause["id"] for cause in causes if cause["first"]]
            assert first == [push.limit], f"{push.limit}: the first cause is {first}"
            push.late.append((end - begin - push.passes_s, lateness.between(begin, end)))


SLOW = {"annotated": {"/temperature": 0.8, "_raw": 0.003, "hwmon0/": 0.084, "hwmon1/": 0.001},
        "own": {"/temperature": 0.75, "_raw": 0.008, "hwmon0/": 0.04, "hwmon1/": 0.001}}


@unittest.skipUnless(DEKEYCTL and SHIM, "needs dekeyctl and the shim of the fault tests")
class Delay(StationTest):
    def test_printed_delays(self):
        lateness = Lateness()
        work = [("annotated", annotated(), annotated_pushes()), ("annotated", annotated(), annotated_slow_pushes()),
                ("annotated", annotated(), annotated_heat()),
                ("own", own(), own_pushes()), ("own", own(), own_slow_pushes())]
        stations = [self.station(text) for _, text, _ in work]

        def measure(one):
            (name, _, pushes), station = one
            bed = Bed(station, SLOW[name])
            for push in pushes:
                bed.tries(push, lateness)
            return name, bed.printed, pushes

        with concurrent.futures.ThreadPoolExecutor(len(work)) as pool:
            results = list(pool.map(measure, zip(work, stations)))
        lateness.over = True
        for name, printed, pushes in results:
            worst = {}
            for push in pushes:
                best, (slowest, late) = min(push.late)[0], max(push.late)
                over = max(delay - WAKES * late for delay, late in push.late)
                worst[push.limit] = max(slowest, worst.get(push.limit, 0.0))
                says = f"{name} {push.limit} by {', '.join(push.change)}"
                print(f"{says}: printed {printed[push.limit]:.3f} s, best {best:.3f} s, worst {slowest:.3f} s "
                      f"(the machine was late by {late * 1000:.1f} ms), {len(push.late)} tries", flush=True)
                with self.subTest(says):
                    self.assertLessEqual(best, printed[push.limit])
                    self.assertGreaterEqual(push.late[0][0], push.qualify_s - TICK_S)
                    self.assertLessEqual(over, printed[push.limit], "the worst try, less what the machine added")
            for limit, seconds in worst.items():
                with self.subTest(f"{name} {limit} isn't far too long"):
                    self.assertLessEqual(printed[limit], LOOSE * seconds)
            with self.subTest(f"{name}: every limit has a delay"):
                self.assertTrue(printed)


if __name__ == "__main__":
    unittest.main()
