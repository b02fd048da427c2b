"""The daemon and the simulated amplifier in a closed loop: what is de-keyed really loses its RF, and in that order."""
import json
import os
import socket
import subprocess
import unittest

from station import CAP_S, CONFIGURATION, DETECTOR, StationTest, wait_for

BENCH = os.environ.get("DEKEYD_BENCH")

# The bench's own chain and chips. Its converter takes its time, and so do its thermometers.
LOOP = (CONFIGURATION.replace("period: 10 ms, conversion: 1 ms}", "period: 50 ms, conversion: 1 ms}")
        .replace("emc2305", "pwmfan").replace("28-000000000001", "28-0000000000a1")
        .replace("coupling: 20 dB, DETECTOR", "coupling: 20 dB, " + DETECTOR.replace("pads: 10 dB", "pads: 16 dB")
                 .replace("cable: 0.5 dB", "cable: 0.3 dB"))
        .replace("role: heatsink, allowed_age: 100 ms", "role: heatsink, allowed_age: 3 s")
        .replace("measures: voltage, role: supply, allowed_age: 100 ms", "measures: voltage, role: supply, allowed_age: 1 s")
        .replace("role: current, allowed_age: 100 ms", "role: current, allowed_age: 1 s")
        .replace("role: fan, allowed_age: 100 ms", "role: fan, allowed_age: 3 s")
        .replace("watch: reflected, above: 12 W", "watch: reflected, above: 30 W")
        .replace("allowed_age: 100 ms, valid: 0.35 V", "allowed_age: 200 ms, valid: 0.29 V"))
LOOP = LOOP.replace("DETECTOR", DETECTOR.replace("allowed_age: 100 ms, valid: 0.35 V", "allowed_age: 200 ms, valid: 0.29 V"))


class Amplifier:
    def __init__(self, station, *options):
        self.log = open(station.top / "bench.log", "wb")
        self.process = subprocess.Popen(
            [BENCH, "run", "--root", str(station.sys), "--line", str(station.line), "--control",
             str(station.top / "bench"), *options], stdin=subprocess.DEVNULL, stdout=self.log, stderr=self.log)
        self.socket = wait_for(lambda: self.connect(station.top / "bench"), "the bench answers")
        self.lines = self.socket.makefile("rb")

    def connect(self, path):
        assert self.process.poll() is None, "the bench ended"
        client = socket.socket(socket.AF_UNIX)
        client.settimeout(CAP_S)
        try:
            client.connect(str(path))
        except (FileNotFoundError, ConnectionRefusedError):
            client.close()
            return None
        return client

    def ask(self, command):
        self.socket.sendall(command.encode() + b"\n")
        return json.loads(self.lines.readline())

    def do(self, *commands):
        """When the last one was done, in seconds of the monotonic clock."""
        for command in commands:
            answer = self.ask(command)
            assert answer["ok"], answer
        return answer["at_ns"] / 1e9

    def truth(self):
        return self.ask("status")

    def close(self):
        self.lines.close()
        self.socket.close()
        self.process.kill()
        self.process.wait()
        self.log.close()


@unittest.skipUnless(BENCH, "needs the bench")
class ClosedLoop(StationTest):
    def on_the_air(self):
        station = self.station(LOOP)
        for folder in ("bus", "class"):
            subprocess.run(["rm", "-r", str(station.sys / folder)], check=True)
        station.line.write_text("0\n")
        self.amplifier = Amplifier(station)
        self.addCleanup(self.amplifier.close)
        station.start()
        station.reset()
        station.wait_permit()
        with station.watch() as watch:
            self.amplifier.do("drive 1.6 W", "key on")
            watch.event("RF on")
        wait_for(lambda: self.amplifier.truth()["rf"], "RF on the line")
        return station

    def gone(self, station, began, sources):
        """De-keyed by one of these sources: fault, then the decision, then RF gone."""
        event = self.watch.event("tripped")
        self.assertIn(event["source"], sources)
        self.assertTrue(event["first_cause"])
        truth = wait_for(lambda: (t := self.amplifier.truth())["rf"] is False and t, "RF is gone")
        self.assertGreater(event["at_s"], began)
        self.assertGreaterEqual(truth["last_inhibit_ns"] / 1e9, event["at_s"])
        self.assertGreaterEqual(truth["rf_gone_ns"], truth["last_inhibit_ns"])
        self.assertFalse(station.permits())
        return event

    def test_antenna_lost_latches_until_reset(self):
        station = self.on_the_air()
        wait_for(lambda: (station.quantity("vswr")["value"] or 9) < 1.6, "a good VSWR is measured")
        with station.watch() as self.watch:
            began = self.amplifier.do("antenna open")
            self.gone(station, began, {"vswr", "reflected"})
        self.amplifier.do("key off", "antenna good")
        wait_for(lambda: station.reset()["ok"], "reset, once RF has been off")
        station.wait_permit()

    def test_overdrive_comes_back_by_itself(self):
        station = self.on_the_air()
        with station.watch() as self.watch:
            began = self.amplifier.do("drive 3.5 W")
            self.gone(station, began, {"drive", "forward", "current"})
        if "current" not in station.causes():
            self.amplifier.do("key off", "drive 1.6 W")
            station.wait_permit()

    def test_jammed_converter(self):
        station = self.on_the_air()
        with station.watch() as self.watch:
            began = self.amplifier.do("adc jammed")
            event = self.gone(station, began, {"forward", "reflected", "drive", "vswr"})
            self.assertEqual(event["condition"], "unknown")
        self.amplifier.do("key off", "adc good")
        wait_for(lambda: station.permits() or (station.reset() and None), "it comes back")

    def test_unplugged_detector(self):
        station = self.on_the_air()
        with station.watch() as self.watch:
            began = self.amplifier.do("detector reflected unplugged")
            self.gone(station, began, {"reflected", "vswr", "reflected-exceeds-forward"})

    def test_welded_relay_is_an_alarm(self):
        station = self.on_the_air()
        self.amplifier.do("relay welded")
        with station.watch() as watch:
            station.ask({"ask": "hold"})
            watch.event("tripped", "rf-while-inhibited")
        self.assertTrue(self.amplifier.truth()["rf"])  # what only a second line, or an operator, can end
        self.assertEqual(station.line_text(), b"0\n")

    def test_a_stop_ends_the_rf(self):
        station = self.on_the_air()
        self.assertEqual(station.stop(), 0)
        wait_for(lambda: not self.amplifier.truth()["rf"], "RF is gone")

    def test_replaced_sensor_is_not_taken_in_silence(self):
        station = self.on_the_air()
        with station.watch() as self.watch:
            began = self.amplifier.do("sensor heatsink swapped")
            event = self.gone(station, began, {"heatsink"})
            self.assertEqual(event["condition"], "unknown")
        self.assertEqual(station.quantity("heatsink")["health"], "unknown")


if __name__ == "__main__":
    unittest.main(verbosity=2)
