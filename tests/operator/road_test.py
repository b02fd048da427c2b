"""The road from a box of parts to a guarded transmission, at the terminal, on three stations that are not the demo's:
find --write, the blanks, check --here, commission, calibrate, prove, transmit. The script knows what a label, a data
sheet or the bench's power meter would say. It prints blanks, steps (commands, answers and edits) and minutes; hold-offs
and qualify times are the ones that a real station would have."""
import json
import os
import pathlib
import re
import subprocess
import sys
import time
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "integration"))
sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent))
import closed_loop_test  # noqa: E402
import sheet_test  # noqa: E402
from evening_test import Terminal  # noqa: E402
import station  # noqa: E402

DEKEYCTL = os.environ["DEKEYCTL"]
CAP_S = 120.0
MOST_BLANKS = 22

LOG_DETECTOR = {"slope": "-24.4 mV/dB", "intercept": "19.6 dBm", "floor": "-50 dBm", "ceiling": "5 dBm"}
WIRING = {"sensors.forward.address": "voltage0", "sensors.reflected.address": "voltage1",
          "sensors.drive.address": "voltage2", "sensors.heatsink.address": "28-0000000000a1",
          "sensors.ambient.address": "28-0000000000a2",
          **{f"sensors.forward.detector.{key}": value for key, value in LOG_DETECTOR.items()},
          "sensors.forward.valid": "0.29 V .. 2.2 V", "line.line": "GPIO17", "line.permit": "high"}
# What each amplifier's papers say, by key, and what its owner would change in the file besides.
STATIONS = {
    "uplink": {
        "words": "30 W at 3.4 GHz, circulator, dish",
        "without": [],
        "sheet": {**WIRING, "amplifier.frequency": "3.4 GHz", "amplifier.rated_forward": "30 W",
                  "amplifier.maximum_drive": "450 mW", "amplifier.small_signal_gain": "20 dB",
                  "sensors.forward.coupling": "30 dB", "sensors.forward.pads": "13.5 dB",
                  "sensors.drive.coupling": "20 dB", "sensors.drive.pads": "10.3 dB"},
        "edits": [("main_line: [amplifier, ", "main_line: [amplifier, circulator, "),
                  ("# circulator: {load_rating: FILL_IN, load_time: FILL_IN}",
                   "circulator: {load_rating: 20 W, load_time: 20 s}"),
                  ("# antenna: {dish: {diameter: FILL_IN", "antenna: {dish: {diameter: 1.2 m"),
                  ("# exposure:", "exposure:"), ("# accept:", "accept:")],
        "levels_w": (0.004, 0.01, 0.022, 0.045), "drive_w": 0.25, "fault": "antenna open",
    },
    "beacon": {
        "words": "5 W at 10 GHz, a diode detector",
        "without": ["reflected"],
        "sheet": {**WIRING, "amplifier.frequency": "10 GHz", "amplifier.rated_forward": "5 W",
                  "sensors.forward.detector.square_law": "500 mV/mW", "sensors.forward.detector.floor": "-32 dBm",
                  "sensors.forward.detector.ceiling": "0 dBm", "sensors.forward.valid": "-0.1 V .. 0.6 V",
                  "amplifier.maximum_drive": "80 mW",
                  "sensors.forward.coupling": "30 dB", "sensors.forward.pads": "10 dB",
                  "sensors.drive.coupling": "10 dB", "sensors.drive.pads": "10 dB"},
        "edits": [("detector: {slope: FILL_IN, intercept: FILL_IN,", "detector: {square_law: FILL_IN,"),
                  ("main_line: [amplifier, low-pass-filter, ", "main_line: [amplifier, "), ("# accept:", "accept:")],
        "levels_w": (0.0008, 0.002, 0.0045, 0.009), "drive_w": 0.045, "fault": "drive 0.09 W",
    },
    "hill": {
        "words": "300 W at 432 MHz, a supply monitor, two fans",
        "without": [],
        "sheet": {**WIRING, "amplifier.frequency": "432 MHz", "amplifier.rated_forward": "300 W",
                  "amplifier.maximum_drive": "4 W", "amplifier.small_signal_gain": "20 dB",
                  "amplifier.nominal_supply": "50 V", "amplifier.maximum_current": "14 A",
                  "sensors.forward.coupling": "50 dB", "sensors.forward.pads": "3.5 dB",
                  "sensors.drive.coupling": "20 dB", "sensors.drive.pads": "16.3 dB"},
        "edits": [],
        "levels_w": (0.04, 0.1, 0.22, 0.45), "drive_w": 2.0, "fault": "antenna open",
    },
}


class Road(station.StationTest):
    def ctl(self, *arguments, code=0):
        self.steps += 1
        ran = subprocess.run([DEKEYCTL, *map(str, arguments)], stdin=subprocess.DEVNULL, capture_output=True, text=True,
                             timeout=CAP_S)
        self.assertEqual(ran.returncode, code, f"{arguments}: {ran.stdout}{ran.stderr}")
        return ran.stdout + ran.stderr

    def talk(self, *arguments):
        self.steps += 1
        terminal = Terminal(*arguments)
        self.addCleanup(lambda: terminal.process.poll() is None and terminal.process.kill())
        return terminal

    def type(self, terminal, text):
        self.steps += 1
        terminal.type(text)

    def amplifier(self, s, name):
        amplifier = closed_loop_test.Amplifier(s, "--station", name)
        self.addCleanup(amplifier.close)
        return amplifier

    def fill(self, s, facts):
        """As a person does: check's list, from its first line to its last."""
        todo = re.findall(r"^\s*line (\d+), ([a-z0-9_.-]+)", self.ctl("check", s.configuration, code=1), re.M)
        rows = s.configuration.read_text().split("\n")
        for line, key in todo:
            self.assertIn(key, facts["sheet"], "a blank that the person's papers don't answer")
            rows[int(line) - 1] = rows[int(line) - 1].replace("FILL_IN", facts["sheet"][key], 1)
        self.steps += len(todo)
        return len(todo), "\n".join(rows)

    def edited(self, text, facts):
        for old, new in facts["edits"]:
            self.assertEqual(text.count(old), 1, old)
            text = text.replace(old, new)
            self.steps += 1
        return text

    def machine_s(self, text, s):
        """What this machine needs and no station does: a file for the line, its folders, and time."""
        text = re.sub(r"^line:\n(?:  .*\n)+", "", text, flags=re.M)
        text = re.sub(r"^accept:.*\n", "", text, flags=re.M)  # a file as a line needs none of its words
        text = text.replace("\n  period: 20 ms", "\n  period: 20 ms\n  deadline: 5 s", 1)
        for measures, age in (("power", "1 s"), ("temperature", "20 s"), ("voltage", "2 s"), ("current", "2 s"), ("speed", "8 s")):
            text = re.sub(rf"(measures: {measures}\n(?:    .*\n)*?    allowed_age:) [^#\n]*", rf"\1 {age} ", text)
        return text + (f"\npaths: {{sysfs: {s.sys}, state: {s.state}, run: {s.run}}}\n"
                       f"line: {{driver: file, path: {s.line}}}\n")

    def travel(self, name):
        facts = STATIONS[name]
        self.steps, began = 0, time.monotonic()
        s = self.station()
        for folder in ("bus", "class"):
            subprocess.run(["rm", "-r", str(s.sys / folder)], check=True)
        s.line.write_text("0\n")
        amplifier = self.amplifier(s, name)
        run = ("--run", s.run)

        s.configuration.unlink()
        without = [f"--without={what}" for what in facts["without"]]
        self.ctl("find", "--sysfs", s.sys, "--write", s.configuration, *without)
        s.configuration.write_text(self.edited(s.configuration.read_text(), facts))
        blanks, text = self.fill(s, facts)
        s.configuration.write_text(text)
        self.assertLessEqual(blanks, MOST_BLANKS)
        self.assertIn(": no faults.", self.ctl("check", s.configuration))
        page = self.ctl("sheet", s.configuration)
        sheet_test.looked_at(self, page)
        if folder := os.environ.get("ROAD_SHEETS"):  # kept there, to be printed and looked at
            (pathlib.Path(folder) / f"{name}.html").write_text(page)
        if os.environ.get("DEKEYD_SHEETS"):  # a folder, for who wants to look at them
            (pathlib.Path(os.environ["DEKEYD_SHEETS"]) / f"{name}.html").write_text(page)
        s.configuration.write_text(self.machine_s(text, s))
        self.assertIn("reads sensibly", self.ctl("check", "--here", s.configuration))
        self.stamp = lambda what: print(f"{name}: {what} after {time.monotonic() - began:.0f} s", flush=True)
        self.stamp("configured")

        s.start()
        self.ctl("commission", *run)
        self.steps += 1
        station.wait_for(lambda: self.ok("reset", *run) or s.status()["state"] != "latched", "the reset is taken", CAP_S)
        self.ctl("release", *run)
        station.wait_for(s.permits, "the line permits", CAP_S)
        self.calibrate(s, amplifier, facts, run)
        s.stop()
        s.start()
        self.stamp("calibrated")

        self.ctl("release", *run)
        station.wait_for(s.permits, "the start is over", CAP_S)
        self.ctl("hold", *run, "--reason", "proof test")
        self.prove(s, run)
        self.stamp("proven")

        station.wait_for(lambda: not s.causes(), "all is settled", CAP_S)
        self.ctl("release", *run)
        station.wait_for(s.permits, "the line permits", CAP_S)
        amplifier.do(f"drive {facts['drive_w']} W", "key on")
        station.wait_for(lambda: s.status()["rf_present"], "RF", CAP_S)
        time.sleep(1.0)
        self.assertTrue(s.permits(), s.status()["causes"])
        amplifier.do(facts["fault"])
        station.wait_for(lambda: not s.permits(), "de-keyed", CAP_S)
        station.wait_for(lambda: not amplifier.truth()["rf"], "no RF", CAP_S)
        print(f"{name} ({facts['words']}): {blanks} blanks, {self.steps} steps, "
              f"{(time.monotonic() - began) / 60:.1f} minutes of the machine's time", flush=True)

    def calibrate(self, s, amplifier, facts, run):
        terminal = self.talk("calibrate", "forward", s.configuration, *run, "--reference", "Bench", "--within", "0.2",
                             "--between", "5")
        amplifier.do(f"drive {facts['levels_w'][0]} W", "key on")
        for drive in facts["levels_w"]:
            terminal.expect("press Enter")
            amplifier.do(f"drive {drive} W")
            time.sleep(1.0)  # the operator looks at the meter; the command itself refuses what isn't steady
            self.type(terminal, "")
            terminal.expect("The reference shows")
            self.type(terminal, f"{amplifier.truth()['forward_w']:.4f} W")
        terminal.expect("press Enter")
        self.type(terminal, "done")
        self.assertEqual(terminal.end(), 0, terminal.seen)
        amplifier.do("key off")
        self.ctl("check", s.configuration)

    def prove(self, s, run):
        terminal = self.talk("prove", *run, "--folder", s.top, "--slack", "1")
        for question in ("Is it so? [y/N]", "Ready? [y/N]", "Did the contact close, and open again? [y/N]"):
            terminal.expect(question)
            self.type(terminal, "y")
        terminal.expect("Proof test ", 600)
        code = terminal.end()
        self.assertEqual(code, 0, terminal.seen)
        self.assertIn("PASSED", terminal.seen)
        report = json.loads(next(s.top.glob("proof-*.json")).read_text())
        self.assertEqual([row for row in report["limits"] if row["result"] != "pass"], [])
        # What was promised beforehand holds: the machine's own delays are the slack.
        said = re.search(r"It forces (\d+) limits? and takes about (.+?), most of it", terminal.seen)
        self.assertEqual(int(said[1]), len(report["limits"]))

    def ok(self, *arguments):
        return subprocess.run([DEKEYCTL, *map(str, arguments)], stdin=subprocess.DEVNULL, capture_output=True,
                              timeout=CAP_S).returncode == 0


def together():
    """All stations at once, since each mostly waits."""
    travellers = {name: subprocess.Popen([sys.executable, "-B", __file__, name], stdout=subprocess.PIPE,
                                         stderr=subprocess.STDOUT, text=True) for name in STATIONS}
    wrong = 0
    for name, traveller in travellers.items():
        print(traveller.communicate()[0], flush=True)
        wrong += traveller.returncode != 0
    return 1 if wrong else 0


if __name__ == "__main__":
    if "DEKEYD_BENCH" not in os.environ:
        print("skipped: there is no bench")
        sys.exit(0)
    if len(sys.argv) == 1:
        sys.exit(together())
    which = sys.argv.pop()
    Road.test_the_road = lambda self: self.travel(which)
    unittest.main()
