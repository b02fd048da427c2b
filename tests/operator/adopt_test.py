"""A sensor is swapped on the real daemon's bus, and `dekeyctl adopt` brings the reading back."""
import json
import os
import pathlib
import pty
import subprocess
import sys
import time
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "integration"))
import station  # noqa: E402

DEKEYCTL = os.environ["DEKEYCTL"]
# The straight law of the station's detectors, as 'dekeyctl calibrate' writes a table.
CALIBRATION = """\
calibration: 1
sensor: forward
date: 2026-05-01T10:20:30Z
reference: "Bench meter"
reference_uncertainty: 0.200 dB
residual: 0.050 dB
table:
  - {at: -50.000 dBm, volts: 1.69824 V}
  - {at: 5.000 dBm, volts: 0.35624 V}
"""
OLD, NEW = "28-000000000001", "28-0000000000a7"


def run(*arguments, **keywords):
    return subprocess.run([DEKEYCTL, *arguments], stdin=subprocess.DEVNULL, capture_output=True, text=True,
                          timeout=station.CAP_S * 5, **keywords)


class Adopt(station.StationTest):
    def swapped(self):
        """A permitted station whose heatsink sensor was pulled and another plugged in."""
        s = self.station()
        text = s.configuration.read_text()
        s.configuration.write_text("# kept: °C and order\n" + text)
        s.configuration.chmod(0o604)
        s.start_permitted()
        s.files["heatsink"].parent.rename(s.files["heatsink"].parent.with_name(NEW))
        s.files["heatsink"] = s.files["heatsink"].parent.with_name(NEW) / "temperature"
        station.wait_for(lambda: not s.status()["permit"], "the lost sensor inhibits")
        # The service manager's part: stop the old one, start a new one.
        start = s.top / "restart"
        start.write_text(f"#!/bin/sh\nkill {s.daemon.pid}\n"
                         f"while kill -0 {s.daemon.pid} 2>/dev/null && [ $(ps -o state= -p {s.daemon.pid}) != Z ]; do "
                         "sleep 0.05; done\n"
                         f"{station.DEKEYD} --config {s.configuration} >>{s.log} 2>&1 & echo $! >{s.top}/pid\n")
        start.chmod(0o755)
        self.addCleanup(self.end, s)
        return s

    def end(self, s):
        pid = s.top / "pid"
        if pid.exists():
            os.kill(int(pid.read_text()), 9)

    def test_one_value_changes_and_the_daemon_comes_back_held(self):
        s = self.swapped()
        before = s.configuration.read_text()
        begun = time.monotonic()
        ran = run("adopt", "heatsink", "--config", str(s.configuration), "--yes", "--restart-command",
                  str(s.top / "restart"))
        self.assertEqual(ran.returncode, 0, ran.stdout + ran.stderr)
        self.assertLess(time.monotonic() - begun, 60)
        self.assertEqual(s.configuration.read_text(), before.replace(OLD, NEW))
        self.assertEqual(s.configuration.stat().st_mode & 0o7777, 0o604)
        self.assertIn(f"missing: {OLD}   not on the bus", ran.stdout)
        self.assertIn(f"new:     {NEW}   30.0 ", ran.stdout)
        status = s.status()
        self.assertEqual((status["permit"], status["memory"]["held_locally"]), (False, True))
        self.assertFalse(s.permits())
        # And then the operator permits.
        self.assertEqual(run("release", "--run", str(s.run)).returncode, 0)
        s.wait_permit()

    def test_nothing_without_consent(self):
        s = self.swapped()
        before = s.configuration.read_text()
        ran = run("adopt", "heatsink", "--config", str(s.configuration))
        self.assertEqual(ran.returncode, 1)
        self.assertIn("nothing was changed", ran.stderr)
        self.assertEqual(s.configuration.read_text(), before)
        self.assertFalse(s.status()["memory"]["held_locally"])
        # On a terminal: a question, and 'n' is no.
        master, slave = pty.openpty()
        with subprocess.Popen([DEKEYCTL, "adopt", "heatsink", "--config", str(s.configuration)], stdin=slave,
                              stdout=slave, stderr=slave) as asked:
            os.close(slave)
            seen = b""
            while b"[y/N]" not in seen:
                seen += os.read(master, 4096)
            os.write(master, b"n\n")
            self.assertEqual(asked.wait(station.CAP_S), 1)
        os.close(master)
        self.assertEqual(s.configuration.read_text(), before)

    def test_a_calibration_file_beside_the_configuration_is_found(self):
        s = self.swapped()
        (s.top / "forward.calibration.yaml").write_text(CALIBRATION)
        with_file = s.configuration.read_text().replace("role: forward,", "role: forward, calibration: forward.calibration.yaml,")
        s.configuration.write_text(with_file)
        ran = run("adopt", "heatsink", "--config", str(s.configuration), "--yes", "--no-restart")
        self.assertEqual(ran.returncode, 0, ran.stderr)
        self.assertEqual(s.configuration.read_text(), with_file.replace(OLD, NEW))

    def test_no_restart_leaves_it_held(self):
        s = self.swapped()
        ran = run("adopt", "heatsink", "--config", str(s.configuration), "--yes", "--no-restart", "--json")
        self.assertEqual(ran.returncode, 0, ran.stderr)
        result = json.loads(ran.stdout)
        self.assertEqual((result["old"], result["new"], result["held"], result["restarted"]), (OLD, NEW, True, False))
        self.assertTrue(s.status()["memory"]["held_locally"])
        self.assertIn(NEW, s.configuration.read_text())

    def test_a_failing_restart_is_said_and_the_hold_stands(self):
        s = self.swapped()
        ran = run("adopt", "heatsink", "--config", str(s.configuration), "--yes", "--restart-command", "exit 7")
        self.assertEqual(ran.returncode, 4)
        self.assertIn("failed with 7", ran.stdout)
        self.assertTrue(s.status()["memory"]["held_locally"])

    def test_a_good_sensor_and_a_stopped_daemon(self):
        s = self.station()
        s.start()
        ran = run("adopt", "heatsink", "--config", str(s.configuration), "--yes")
        self.assertEqual(ran.returncode, 1)
        self.assertIn("is not missing", ran.stderr)
        s.stop()
        s.files["heatsink"].parent.rename(s.files["heatsink"].parent.with_name(NEW))
        ran = run("adopt", "heatsink", "--config", str(s.configuration), "--yes", "--restart-command", "exit 9")
        self.assertEqual(ran.returncode, 4)  # the file is changed; what can't be held isn't started
        self.assertIn("start it yourself", ran.stdout)
        self.assertIn(NEW, s.configuration.read_text())


if __name__ == "__main__":
    unittest.main()
