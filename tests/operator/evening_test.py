"""A whole evening at the terminal, against the simulated amplifier: from nothing to a guarded transmission, and a sensor
swapped afterwards. Everything is typed as an operator types it; the script knows only what a data sheet would say."""
import fcntl
import json
import os
import pathlib
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import time
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "integration"))
from closed_loop_test import Amplifier  # noqa: E402
import station  # noqa: E402

DEKEYCTL = os.environ["DEKEYCTL"]
CAP_S = 90.0

DETECTOR = "{slope: -24.4 mV/dB, intercept: 19.6 dBm, floor: -50 dBm, ceiling: 5 dBm}"
# What a person would fill in: section, sensor or limit, key -> value. Ages and times are wide, for a busy machine.
ANSWERS = {
    ("device", "", "id"): "hilltop-23cm", ("device", "", "name"): "Hill-top repeater amplifier",
    ("buses", "adc", "codes"): "-32768 .. 32767",
    ("sensors", "heatsink", "address"): "28-0000000000a1",
    # The pads with their cables. Reflected has forward's detector, coupling and pads.
    **{("sensors", s, k): v for s, a, c, p in (("forward", "voltage0", 40, 10.5), ("reflected", "voltage1", 40, 10.5),
                                               ("drive", "voltage2", 20, 16.3))
       for k, v in (("address", a), ("valid", "0.29 V .. 2.2 V"), ("coupling", f"{c} dB"), ("pads", f"{p} dB"),
                    ("allowed_age", "2 s"))},
    ("sensors", "forward", "detector"): DETECTOR, ("sensors", "ambient", "address"): "28-0000000000a2",
    ("sensors", "supply", "valid"): "1 V .. 60 V", ("sensors", "current", "valid"): "-1 A .. 40 A",
    **{("sensors", s, "allowed_age"): "6 s" for s in ("supply", "current", "fan", "heatsink", "ambient")},
    ("amplifier", "", "frequency"): "1.26 GHz", ("amplifier", "", "rated_forward"): "120 W",
    ("amplifier", "", "small_signal_gain"): "18 dB", ("amplifier", "", "release_time"): "2 s",
    ("amplifier", "", "directivity"): "30 dB", ("amplifier", "", "maximum_drive"): "2.5 W",
    ("amplifier", "", "nominal_supply"): "28 V", ("amplifier", "", "maximum_current"): "14 A",
    ("guard", "", "settling"): "500 ms",
}
LIMITS = ("heatsink", "vswr", "reflected", "forward", "drive", "supply-high", "supply-low", "current", "fan")


def filled_in(text, extra):
    """The starting configuration with its placeholders answered; the line goes to a file, for the bench."""
    out, section, name = [], "", ""
    for line in text.splitlines():
        if line and line[0] not in " #":
            section, name = line.split(":")[0], ""
        elif line.startswith("  ") and line[2] not in " #":
            name = line.split(":")[0].strip()
        if section == "line":
            continue
        key = line.split(":")[0].strip()
        answer = ANSWERS.get((section, "" if section in ("device", "amplifier", "guard", "commissioning") else name, key))
        if answer is not None and not line.lstrip().startswith("#"):
            line = line.split(":")[0] + ": " + answer
        if section == "limits" and name in LIMITS:
            line = line.replace("hold_off: 30 s", "hold_off: 1 s").replace("hold_off: 5 s", "hold_off: 1 s")
            line = line.replace("qualify: 10 s", "qualify: 1 s")
        if section == "guard" and key == "period":
            line += "\n  deadline: 5 s"
        out.append(line)
    return "\n".join(out) + "\n" + extra


class Terminal:
    """A command on a terminal of its own: what it prints, and what is typed."""

    def __init__(self, *arguments, rows=30, columns=200):
        self.master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        environment = {**os.environ, "TERM": "xterm", "LC_ALL": "C.UTF-8"}
        self.process = subprocess.Popen([DEKEYCTL, *map(str, arguments)], stdin=slave, stdout=slave, stderr=slave,
                                        env=environment, start_new_session=True)
        os.close(slave)
        self.seen = ""
        self.at = 0  # how far it was read already

    def expect(self, text, cap_s=CAP_S):
        until = time.monotonic() + cap_s
        while text not in self.seen[self.at:]:
            assert time.monotonic() < until, f"not within {cap_s} s: {text!r} in\n{self.seen}"
            if select.select([self.master], [], [], 0.2)[0]:
                try:
                    self.seen += os.read(self.master, 65536).decode(errors="replace")
                except OSError:  # it has ended
                    assert text in self.seen[self.at:], f"ended without {text!r}:\n{self.seen}"
        self.at = self.seen.index(text, self.at) + len(text)

    def type(self, text):
        os.write(self.master, text.encode() + b"\n")

    def end(self):
        """Its exit code, with everything read."""
        while True:
            try:
                data = os.read(self.master, 65536)
            except OSError:
                break
            if not data:
                break
            self.seen += data.decode(errors="replace")
        os.close(self.master)
        return self.process.wait(CAP_S)


class Evening(station.StationTest):
    def ctl(self, *arguments, code=0):
        ran = subprocess.run([DEKEYCTL, *map(str, arguments)], stdin=subprocess.DEVNULL, capture_output=True, text=True,
                             timeout=CAP_S)
        self.assertEqual(ran.returncode, code, f"{arguments}: {ran.stdout}{ran.stderr}")
        return ran.stdout + ran.stderr

    def talk(self, *arguments):
        terminal = Terminal(*arguments)
        self.addCleanup(lambda: terminal.process.poll() is None and terminal.process.kill())
        return terminal

    def restart(self, s):
        if s.daemon is not None:
            s.stop()
        s.start()

    def test_from_nothing_to_a_guarded_transmission_and_a_swapped_sensor(self):
        s = self.station()
        for folder in ("bus", "class"):
            subprocess.run(["rm", "-r", str(s.sys / folder)], check=True)
        s.line.write_text("0\n")
        amplifier = Amplifier(s)
        self.addCleanup(amplifier.close)
        run = ("--run", s.run)

        # What is there, and a configuration for it that nobody can run yet.
        s.configuration.unlink()
        self.ctl("find", "--sysfs", s.sys, "--write", s.configuration)
        text = s.configuration.read_text()
        refused = self.ctl("check", s.configuration, code=1)
        self.assertIn("values to write;", refused)  # and no fault beside them
        s.configuration.write_text(filled_in(
            text, f"paths: {{sysfs: {s.sys}, state: {s.state}, run: {s.run}}}\nline: {{driver: file, path: {s.line}}}\n"))
        self.assertIn("VSWR", self.ctl("check", s.configuration))

        # The first start: latched until somebody says so, and the proof is overdue.
        s.start()
        self.assertIn("First start", self.ctl("status", *run, code=3))
        self.assertTrue(s.status()["proof"]["overdue"])
        self.assertIn("Not calibrated", self.ctl("reset", *run, code=1))
        self.assertIn("provisional limits", self.ctl("commission", *run))
        # On a slow disk it is done before it is saved, which has an exit code of its own.
        station.wait_for(lambda: self.ok("reset", *run) or s.status()["state"] != "latched", "the reset is taken", CAP_S)
        self.ctl("release", *run)  # held after a start, as the starting configuration says
        station.wait_for(s.permits, "the line permits", CAP_S)

        # The forward detector against the reference meter, which the bench is, under the provisional limits.
        self.assertIn("Commissioning", self.ctl("status", *run))
        terminal = self.talk("calibrate", "forward", s.configuration, *run, "--reference", "Bench", "--within", "0.2",
                             "--between", "5")
        amplifier.do("drive 0.008 W", "key on")  # keyed at full drive, the provisional limits would trip at once
        for drive in (0.008, 0.025, 0.08, 0.25):
            terminal.expect("press Enter")
            amplifier.do(f"drive {drive} W")
            time.sleep(0.5)  # the operator looks at the meter; the command itself refuses what isn't steady
            terminal.type("")
            terminal.expect("The reference shows")
            terminal.type(f"{amplifier.truth()['forward_w']:.4f} W")
        terminal.expect("press Enter")
        terminal.type("done")
        self.assertEqual(terminal.end(), 0, terminal.seen)
        amplifier.do("key off")
        # It named its file in the configuration; the other two detectors are taken by their data sheets.
        self.assertEqual(s.configuration.read_text().count("    calibration: forward.calibration.yaml"), 1)
        self.ctl("check", s.configuration)
        self.restart(s)

        # The proof: refused without a hold, passed with one, and its date is kept.
        refused = self.ctl("prove", *run, "--folder", s.top, code=1)
        self.assertIn("a hold over the network, or of the start", refused)
        self.ctl("release", *run)  # of the hold after a start: none but the local one may stand
        station.wait_for(s.permits, "the start is over", CAP_S)
        self.ctl("hold", *run, "--reason", "proof test")
        terminal = self.talk("prove", *run, "--folder", s.top, "--slack", "10")
        terminal.expect("Is it so? [y/N]")
        terminal.type("y")
        terminal.expect("Ready? [y/N]")
        terminal.type("y")
        terminal.expect("Did the contact close, and open again? [y/N]")
        self.assertFalse(s.permits())
        terminal.type("y")
        terminal.expect("PASSED")
        self.assertEqual(terminal.end(), 0, terminal.seen)
        reports = sorted(s.top.glob("proof-hilltop-23cm-*"))
        self.assertEqual([r.suffix for r in reports], [".json", ".txt"])
        report = json.loads(reports[0].read_text())
        self.assertTrue(report["passed"])
        self.assertEqual({row["id"]: row["result"] for row in report["limits"]}, dict.fromkeys([*LIMITS, *(f"commissioning-{what}" for what in ("forward", "reflected", "heatsink"))], "pass"))
        for row in report["limits"]:
            self.assertGreater(row["delay_s"], 0)
        self.assertIn("\nPASSED\n", reports[1].read_text())
        self.assertFalse(s.permits())
        self.assertEqual(s.status()["state"], "held")
        self.assertNotIn("refused: no test has begun", s.log.read_text())  # by the command's own end
        self.restart(s)
        proof = s.status()["proof"]
        self.assertFalse(proof["overdue"], proof)
        self.assertIsNotNone(proof["last"])

        # A guarded transmission: the antenna's connector comes off, and the RF goes.
        station.wait_for(lambda: not s.causes(), "all is settled", CAP_S)
        self.ctl("release", *run)
        station.wait_for(s.permits, "the line permits", CAP_S)
        amplifier.do("drive 1.5 W", "key on")
        station.wait_for(lambda: s.status()["rf_present"], "RF", CAP_S)
        amplifier.do("antenna open")
        station.wait_for(lambda: not s.permits(), "de-keyed", CAP_S)
        station.wait_for(lambda: amplifier.truth()["forward_w"] < 1, "no RF", CAP_S)
        station.wait_for(lambda: s.status()["proof"]["release_s"] is not None, "the release time was measured", CAP_S)
        self.assertEqual(s.status()["state"], "latched")
        amplifier.do("key off", "antenna good")
        station.wait_for(lambda: self.ok("reset", *run) or s.status()["state"] != "latched", "the reset is taken", CAP_S)
        station.wait_for(s.permits, "the line permits again", CAP_S)

        # A broken thermometer, and another in its place.
        amplifier.do("sensor heatsink swapped")
        station.wait_for(lambda: not s.permits(), "a lost sensor inhibits", CAP_S)
        start = s.top / "restart"
        start.write_text(f"#!/bin/sh\nkill {s.daemon.pid}\nwhile kill -0 {s.daemon.pid} 2>/dev/null && "
                         f"[ $(ps -o state= -p {s.daemon.pid}) != Z ]; do sleep 0.05; done\n"
                         f"{station.DEKEYD} --config {s.configuration} >>{s.log} 2>&1 & echo $! >{s.top}/pid\n")
        start.chmod(0o755)
        self.addCleanup(lambda: (s.top / "pid").exists() and os.kill(int((s.top / "pid").read_text()), signal.SIGKILL))
        begun = time.monotonic()
        terminal = self.talk("adopt", "heatsink", "--config", s.configuration, "--address", "28-0000000000b7",
                             "--restart-command", start)
        terminal.expect("Adopt it? [y/N]")
        terminal.type("y")
        terminal.expect("It is held")
        self.assertEqual(terminal.end(), 0, terminal.seen)
        self.assertLess(time.monotonic() - begun, 60)
        self.ctl("release", *run)
        station.wait_for(s.permits, "the line permits", CAP_S)

    def ok(self, *arguments):
        return subprocess.run([DEKEYCTL, *map(str, arguments)], stdin=subprocess.DEVNULL, capture_output=True,
                              timeout=CAP_S).returncode == 0


if __name__ == "__main__":
    unittest.main()
