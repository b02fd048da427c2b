"""config/examples as they are, run: each permits at its sensors' true rest, and each of its limits, each of its contacts and
the loss of each of its sensors takes the permit away.

Only what a board has is changed: the line is a file, contacts are files, and the kernel's files lie in a folder.
"""
import math
import os
import pathlib
import re
import unittest

import station
from station import Station, detector_code, wait_for

EXAMPLES = pathlib.Path(os.environ["DEKEYD_SOURCE_DIR"]) / "config" / "examples"
SCALES = {"ads1015": "0.0625", "mcp3202": "0.610351562"}  # mV a code: +-2.048 V over 16 bits; 2.5 V over 12 bits
DIODE_V_PER_MW, LOG_V_PER_DB, LOG_INTERCEPT_DBM = 2.0, 0.0191, -52.1  # two-detectors.yaml
START_S = 60.0  # for seven daemons that start at once on a busy machine


def at_detector_dbm(watts, loss_db):
    return 10 * math.log10(watts * 1000) - loss_db


def log_code(watts):
    """Forward of two-detectors.yaml. Without RF a log detector rests at its noise floor, here 0.17 V."""
    volts = LOG_V_PER_DB * (at_detector_dbm(watts, 55.4) - LOG_INTERCEPT_DBM) if watts > 0 else 0.17
    return round(volts / 0.000610351562)


def diode_code(watts):
    """Reflected of two-detectors.yaml: a diode without RF gives 0 V, and a unipolar converter its code 0."""
    return round(DIODE_V_PER_MW * 10 ** (at_detector_dbm(watts, 48.4) / 10) / 0.000610351562) if watts > 0 else 0


def milli(value):
    return round(1000 * value)


# How each sensor's file tells its value, its value at rest, and what is done for each limit and contact.
PLANS = {
    "supply-monitor": dict(
        tells=dict(heatsink=milli, supply=milli, current=milli, fan=round),
        rest=dict(heatsink=30.0, supply=28.0, current=0.5, fan=3000),
        trips={"heatsink": [dict(heatsink=50.0), dict(heatsink=70.5)], "supply-high": [dict(supply=30.9)],
               "supply-low": [dict(supply=23.7)], "current": [dict(current=14.1)],
               "fan": [dict(fan=490, heatsink=46.0)]}),
    "temperature-and-vswr": dict(
        tells=dict(heatsink=milli, forward=lambda w: detector_code(w, 40), reflected=lambda w: detector_code(w, 40)),
        rest=dict(heatsink=30.0, forward=0.0, reflected=0.0),
        trips={"heatsink": [dict(heatsink=50.0), dict(heatsink=70.5)], "vswr": [dict(forward=40.0, reflected=8.0)],
               "reflected": [dict(forward=115.0, reflected=15.0)]}),
    "two-detectors": dict(
        tells=dict(forward=log_code, reflected=diode_code, lid=round, **{"emergency-stop": round}),
        rest=dict(forward=0.0, reflected=0.0, lid=1, **{"emergency-stop": 1}),
        trips={"vswr": [dict(forward=30.0, reflected=8.0)], "reflected": [dict(forward=119.0, reflected=19.0)],
               "lid": [dict(lid=0)], "emergency-stop": [{"emergency-stop": 0}]}),
}


class Example(Station):
    """One of the examples on the kernel's files that its configuration names."""

    def __init__(self, name):
        self.plan, self.text = PLANS[name], (EXAMPLES / f"{name}.yaml").read_text()
        super().__init__(self.text)

    def make_files(self):
        self.files, devices, count = {}, {}, 0
        for bus, driver, device in re.findall(r"^  (\w+): \{driver: (\w+)(?:, device: (\w+))?", self.text, re.M):
            folder = {"w1": "bus/w1/devices", "iio": f"bus/iio/devices/iio:device{count}",
                      "hwmon": f"class/hwmon/hwmon{count}", "contact": "contacts"}[driver]
            devices[bus] = (driver, self.sys / folder, device)
            (self.sys / folder).mkdir(parents=True)
            if device:
                (self.sys / folder / "name").write_text(device + "\n")
            count += 1
        for sensor, bus, address in re.findall(r"^  ([\w-]+):\s+\{(?:name: [\w ]+, )?bus: (\w+), address: ([\w-]+)", self.text, re.M):
            driver, folder, device = devices[bus]
            if driver == "iio":
                (folder / f"in_{address}_scale").write_text(SCALES[device] + "\n")
            if driver == "w1":
                (folder / address).mkdir()
            self.files[sensor] = folder / {"w1": f"{address}/temperature", "iio": f"in_{address}_raw",
                                           "hwmon": f"{address}_input", "contact": sensor}[driver]
        assert set(self.files) == set(self.plan["rest"]), self.files
        self.set(**self.plan["rest"])

    def text_for(self, sensor, value):
        return f"{self.plan['tells'][sensor](value):<11d}\n"

    def configure(self, configuration="", extra=""):
        changes = [(r"^line: .*$", f"line: {{driver: file, path: {self.line}}}", 1),
                   (r"(driver: contact), chip: [\w-]+", r"\1", None),
                   (r"(\w[\w-]*):(\s+\{name: [\w ]+, bus: contacts, address: )\w+", r'\1:\2"file:contacts/\1"', None)]
        for pattern, replacement, wanted in changes:
            configuration, found = re.subn(pattern, replacement, configuration, flags=re.M)
            assert wanted in (None, found), pattern
        self.configuration = self.top / "dekeyd.yaml"
        self.configuration.write_text(configuration + f"paths: {{sysfs: {self.sys}, state: {self.state}, run: {self.run}}}\n")


class Examples(station.StationTest):
    def example(self, name):
        one = Example(name)
        self.addCleanup(one.close)
        return one

    def permitted(self, one):
        """From the first start on, as its operator would: what is latched is reset, what is held is released."""
        wait_for(lambda: one.status()["state"] not in ("starting", "inhibited"), f"it has looked at everything:\n{one.log_text()}", START_S)
        one.reset()
        if one.status()["state"] == "held":
            one.ask({"ask": "release"})
        wait_for(one.permits, f"{one.status()['reason']}\n{one.log_text()}")

    def together(self, name, actions):
        """Each action on an example of its own; all of them run at once, since most of it is waiting."""
        ones = {action: self.example(name) for action in actions}
        for one in ones.values():
            one.start(wait=False)
        for one in ones.values():
            wait_for(one.answers, "it answers", START_S)
        for one in ones.values():
            self.permitted(one)
        return ones

    def trips(self, name, limit, one):
        with one.watch() as watch:
            *leading, last = PLANS[name]["trips"][limit]
            for values in leading:
                shown = one.status()["now_s"]
                one.set(**values)
                wait_for(lambda: one.status()["now_s"] > shown + 2.5, "the sensor has been read on its way")
                self.assertTrue(one.permits(), f"{limit}: {values}")
            one.set(**last)
            event = watch.event("tripped")
            while limit not in event["source"]:
                event = watch.event("tripped")
        one.wait_inhibit()

    def run_example(self, name):
        limits = PLANS[name]["trips"]
        for limit, one in self.together(name, limits).items():
            with self.subTest(limit=limit):
                there = {each["id"] for each in one.status()["limits"]}
                self.assertLessEqual(there, {*limits, *(f"{contact}-opened" for contact in limits)})
                self.trips(name, limit, one)
        for sensor, one in self.together(name, PLANS[name]["rest"]).items():
            with self.subTest(lost=sensor):
                one.files[sensor].unlink()
                one.wait_inhibit()

    def test_each_of_them_is_run(self):
        self.assertEqual({path.stem for path in EXAMPLES.glob("*.yaml")}, set(PLANS))

    def test_supply_monitor(self):
        self.run_example("supply-monitor")

    def test_temperature_and_vswr(self):
        self.run_example("temperature-and-vswr")

    def test_two_detectors(self):
        self.run_example("two-detectors")


if __name__ == "__main__":
    unittest.main(verbosity=2)
