"""The real daemon with a core whose limits are all broken: the second opinion is what de-keys it."""
import json
import os
import pathlib
import subprocess
import sys
import unittest

sys.path.insert(0, str(pathlib.Path(os.environ["DEKEYD_SOURCE_DIR"]) / "tests" / "integration"))
from station import CONFIGURATION, StationTest, wait_for  # noqa: E402

DEKEYCTL = os.environ["DEKEYCTL"]
KEYED = {"drive": 1.6, "forward": 100.0, "reflected": 0.5, "current": 7.0}
IDLE = {"drive": 0.0, "reflected": 0.0, "forward": 0.0, "current": 0.5}
# Beyond each limit of the configuration, and what the capture's sentence calls it.
BEYOND = {"heatsink": 75.0, "reflected": 14.0, "forward": 132.0, "drive": 2.8, "supply": 31.5, "current": 15.0}


class BrokenCore(StationTest):
    def on_the_air(self):
        station = self.station()
        station.configure(CONFIGURATION, extra="recorder: {before: 500 ms, after: 500 ms}\n")
        station.start_permitted()
        station.set(**KEYED)
        wait_for(lambda: station.status()["rf_present"], "RF")
        return station

    def objected(self, station, words, change):
        with station.watch() as watch:
            change()
            event = watch.event("tripped")
            self.assertEqual(station.line_text(), b"0\n")
        self.assertEqual(event["source"], "second-opinion")
        self.assertTrue(event["first_cause"])
        self.assertIn(words, event["text"])
        self.assertIn("One of the two is broken.", event["text"])
        status = station.wait_state("latched")
        self.assertFalse(status["permit"])
        # RF goes on in these files, which in truth the line has ended: that is said as well.
        self.assertIn("second-opinion", station.causes())
        self.assertLessEqual(station.causes(), {"second-opinion", "rf-while-inhibited"})
        return event

    def test_each_absolute_limit(self):
        station = self.on_the_air()
        for name, value in BEYOND.items():
            with self.subTest(name):
                before = station.values[name]
                self.objected(station, "was beyond its raw bound", lambda: station.set(**{name: value}))
                station.set(**{name: before})
                station.set(**IDLE)
                wait_for(lambda: station.reset()["ok"], "reset, once the objection is over")
                station.wait_permit()
                station.set(**KEYED)
                wait_for(lambda: station.status()["rf_present"], "RF")

    def test_a_silent_sensor(self):
        station = self.on_the_air()
        self.objected(station, "was silent for too long", station.files["heatsink"].unlink)

    def test_it_is_kept_and_outlasts_a_restart(self):
        station = self.on_the_air()
        self.objected(station, "beyond its raw bound", lambda: station.set(forward=132.0))
        capture = wait_for(lambda: sorted((pathlib.Path(station.state) / "captures").glob("*-second-opinion.csv")),
                           "the capture")[0]
        # A core in order says which of the two was broken: it would have inhibited before.
        done = subprocess.run([DEKEYCTL, "replay", str(capture), "--json"], capture_output=True, text=True, timeout=60,
                              check=False)
        report = json.loads(done.stdout)
        self.assertLess(report["now"]["inhibit_step"], report["cause_step"])
        station.set(**IDLE)
        self.assertEqual(station.stop(), 0)
        station.start()
        status = station.wait_state("latched")
        self.assertIn("second-opinion", station.causes())
        sequence = status["sequence"]
        wait_for(lambda: station.status()["sequence"] > sequence + 100, "many decisions more")
        self.assertFalse(station.permits())
        wait_for(lambda: station.reset()["ok"], "reset, once the objection is over")
        station.wait_permit()

    def test_a_fair_transmission(self):
        station = self.on_the_air()
        sequence = station.status()["sequence"]
        wait_for(lambda: station.status()["sequence"] > sequence + 200, "many decisions more")
        self.assertTrue(station.permits())


if __name__ == "__main__":
    unittest.main(verbosity=2)
