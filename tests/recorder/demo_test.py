"""The demonstration's VSWR trip, from its capture: decided again, and by another configuration; and what MQTT showed."""
import json
import os
import pathlib
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import unittest

SOURCE = pathlib.Path(os.environ["DEKEYD_SOURCE_DIR"])
PROGRAMS = pathlib.Path(os.environ["DEKEYD"]).parent
sys.path.insert(0, str(SOURCE / "tools" / "demo.d"))
os.environ["PATH"] += ":/usr/sbin:/usr/local/sbin"
from demo import begin  # noqa: E402
from processes import Processes, wait_for  # noqa: E402
from story import Story  # noqa: E402

GUARD_PERIOD_S = 0.010  # hilltop.yaml
IDLE_S = 8.0
EXACT = {"at_s"}  # a time of the monotonic clock


def ctl(*arguments):
    done = subprocess.run([PROGRAMS / "dekeyctl", *arguments], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return done.stdout


def numbers(value, key=""):
    """All numbers in a JSON value, but those that are exact on purpose."""
    if isinstance(value, dict):
        for name, one in value.items():
            yield from numbers(one, name)
    elif isinstance(value, list):
        for one in value:
            yield from numbers(one, key)
    elif isinstance(value, float) and key not in EXACT:
        yield value


def significant(text):
    digits = re.sub(r"[eE].*", "", text).lstrip("-").replace(".", "").strip("0")
    return len(digits)


class Subscriber:
    """What `mosquitto_sub -v` shows, with the time of each line."""

    def __init__(self, port):
        self.process = subprocess.Popen(["mosquitto_sub", "-p", str(port), "-v", "-t", "homie/5/#", "-t", "dekeyd/#"],
                                        stdout=subprocess.PIPE, text=True)
        self.lines = []
        threading.Thread(target=self.listen, daemon=True).start()

    def listen(self):
        for line in self.process.stdout:
            self.lines.append((time.monotonic(), line.rstrip("\n")))

    def close(self):
        self.process.terminate()
        self.process.wait()
        self.process.stdout.close()


class Demo(unittest.TestCase):
    def setUp(self):
        self.folder = tempfile.mkdtemp(prefix="dekeyd-demo-")
        self.addCleanup(shutil.rmtree, self.folder, ignore_errors=True)
        self.processes = Processes(self.folder)
        self.addCleanup(self.processes.stop)
        self.bench, self.daemon, port, _ = begin(self.folder, str(PROGRAMS), self.processes, None)
        self.subscriber = Subscriber(port)
        self.addCleanup(self.subscriber.close)
        told = []
        self.story = Story(self.bench, self.daemon, lambda title, words: told.append((title, words)), port, 2.0)
        self.told = told

    def test_the_trip_is_decided_again(self):
        self.story.first_start()
        self.idle()
        self.story.transmit()
        since = self.daemon.mark()
        self.story.water()  # an antenna that goes to a VSWR of 2.9
        trip = self.daemon.event(since, "tripped", 20, "vswr")
        self.bench.do("key off")
        folder = pathlib.Path(self.folder) / "state" / "captures"
        capture = wait_for("the capture", lambda: next(iter(folder.glob("*.csv")), None), 60, self.processes)
        self.replay(capture, trip)
        self.replay_otherwise(capture)
        self.plain_numbers()
        self.hourly_line()

    def idle(self):
        """Permitted and silent: what a second costs."""
        began = wait_for("MQTT", lambda: self.subscriber.lines, 20, self.processes)[0][0]
        wait_for("a while of nothing", lambda: time.monotonic() - began > 3, 20, self.processes)
        begun, so_far = time.monotonic(), len(self.subscriber.lines)
        wait_for("idle time", lambda: time.monotonic() - begun > IDLE_S, 30, self.processes)
        lines = [line for _, line in self.subscriber.lines[so_far:]]
        summaries = [line for line in lines if "/summary " in line]
        others = [line for line in lines if "/summary " not in line]
        print(f"MQTT while idle: {sum(map(len, others)) / IDLE_S:.0f} bytes a second in {len(others) / IDLE_S:.1f} "
              f"messages a second, and {sum(map(len, summaries)) / IDLE_S:.0f} of the summary", flush=True)

    def replay(self, capture, trip):
        report = json.loads(ctl("replay", str(capture), "--json"))
        self.assertTrue(report["complete"] and report["checked"])
        self.assertEqual((report["missing_steps"], report["not_reproduced"], report["differing_steps"]), (0, 0, 0))
        self.assertEqual(report["now"]["inhibit_step"], report["cause_step"])
        self.assertEqual(report["now"]["inhibit_s"], 0)
        first = next(h for h in report["happenings"] if h["kind"] == "tripped")
        self.assertEqual((first["source"], first["at_s"]), ("vswr", 0))
        # "Tripped: VSWR 2.44 at or above 2.00", the same in both; the capture says more behind it.
        self.assertIn("# cause: " + trip["text"].partition(". ")[0], capture.read_text())
        self.assertIn("Under its own configuration each decision is the same again.", ctl("replay", str(capture)))

        # The steps around the trip: one in each of the guard's periods, but for what a busy machine is late by.
        rows = [line.split(",") for line in capture.read_text().splitlines() if line and not line.startswith("#")]
        step, at = rows[0].index("step"), rows[0].index("t (s)")
        times = [float(row[at]) for row in rows[1:] if row[step]]
        near = [t for t in times if -1.0 <= t <= 1.0]
        gaps = [later - earlier for earlier, later in zip(near, near[1:])]
        print(f"capture: {capture.stat().st_size / 1e6:.2f} MB, {len(times)} steps from {times[0]:.1f} s to {times[-1]:.1f} s; "
              f"within a second of the trip one each {1000 * statistics.median(gaps):.2f} ms, {1000 * max(gaps):.1f} ms at "
              f"most; replay {report['length_s'] / report['took_s']:.0f} times real time", flush=True)
        self.assertIn(0.0, times)  # the step that tripped is the origin
        self.assertLessEqual(statistics.median(gaps), GUARD_PERIOD_S * 1.1)

    def replay_otherwise(self, capture):
        """A configuration that bears more wouldn't have tripped there; one that bears less would have before."""
        text = (pathlib.Path(self.folder) / "hilltop.yaml").read_text()
        self.assertIn("watch: vswr, above: 2.0,", text)
        for level, warn, earlier in (("3.5", "1.6", False), ("1.7", "1.6", True)):
            other = pathlib.Path(self.folder) / f"vswr-{level}.yaml"
            changed = text.replace("watch: vswr, above: 2.0, clear: rf off, warn: 1.6",
                                   f"watch: vswr, above: {level}, clear: rf off, warn: {warn}")
            changed = changed.replace("watch: reflected, above: 24 W", "watch: reflected, above: 60 W")
            other.write_text(changed)
            report = json.loads(ctl("replay", str(capture), "--config", str(other), "--json"))
            self.assertGreater(report["differing_steps"], 0)
            if earlier:
                self.assertLess(report["now"]["inhibit_s"], 0)
            else:
                # Not there. What follows the recorded de-key (drive without forward) is no longer its own doing.
                self.assertTrue(report["now"]["inhibit_s"] is None or report["now"]["inhibit_s"] > 0)
            print(ctl("replay", str(capture), "--config", str(other)).strip(), flush=True)

    def plain_numbers(self):
        """Nobody should have to read 30.800000000000004 (28 V and ten per cent more)."""
        seen = 0
        for _, line in list(self.subscriber.lines):
            topic, _, payload = line.partition(" ")
            if payload[:1] in "[{" and payload:
                for number in numbers(json.loads(payload)):
                    seen += 1
                    self.assertLessEqual(significant(repr(number)), 7, f"{number} on {topic}")
            elif re.fullmatch(r"-?[0-9.]+", payload):
                seen += 1
                self.assertLessEqual(significant(payload), 7, line)
        self.assertGreater(seen, 500)

    def hourly_line(self):
        """What is written while nothing happens: a line an hour. One with a transmission in it is the longest kind."""
        self.assertEqual(self.processes.stop(), [])
        file = next((pathlib.Path(self.folder) / "state" / "log").glob("hours-*.csv"))
        line = file.read_bytes().splitlines()[-1]
        cells = line.decode().split(",")
        measured = sum(1 for cell in cells if cell)
        self.assertGreater(measured, 40)
        print(f"an hour's line with {measured} of {len(cells)} figures: {len(line) + 1} bytes, "
              f"{(len(line) + 1) * 24 * 365 / 1e6:.1f} MB a year", flush=True)
        self.assertLess(len(line), 400)


if __name__ == "__main__":
    unittest.main(verbosity=2)
