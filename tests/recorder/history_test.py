"""What the real program keeps of the past, and what the operator's command makes of it."""
import json
import os
import pathlib
import subprocess
import sys
import time
import unittest

sys.path.insert(0, str(pathlib.Path(os.environ["DEKEYD_SOURCE_DIR"]) / "tests" / "integration"))
from station import CONFIGURATION, StationTest, wait_for  # noqa: E402

DEKEYCTL = os.environ["DEKEYCTL"]
KEYED = {"drive": 1.6, "forward": 100.0, "reflected": 0.5, "current": 7.0}
IDLE = {"drive": 0.0, "reflected": 0.0, "forward": 0.0, "current": 0.5}
IDLE_S = float(os.environ.get("DEKEYD_IDLE_S", "20"))  # measured for so long


def ctl(*arguments):
    done = subprocess.run([DEKEYCTL, *arguments], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    return done.stdout


class History(StationTest):
    def short(self, age="100 ms"):
        station = self.station()
        text = CONFIGURATION.replace("allowed_age: 100 ms", f"allowed_age: {age}")
        station.configure(text, extra="recorder: {before: 500 ms, after: 500 ms, captures: 3}\n")
        return station

    def captures(self, station):
        return sorted((pathlib.Path(station.state) / "captures").glob("*.csv"))

    def trip(self, station):
        station.set(**KEYED)
        wait_for(lambda: station.status()["rf_present"], "RF")
        sequence = station.status()["sequence"]
        wait_for(lambda: station.status()["sequence"] > sequence + 300, "a while on the air")
        with station.watch() as watch:
            station.set(reflected=11.9)  # VSWR 2.05
            event = watch.event("tripped")
        station.set(**IDLE)
        return event

    def test_a_trip_is_kept_and_replays_to_the_same_decision(self):
        station = self.short().start_permitted()
        event = self.trip(station)
        capture = wait_for(lambda: (c := self.captures(station)) and c[0], "the capture")
        report = json.loads(ctl("replay", str(capture), "--json"))
        self.assertTrue(report["complete"] and report["checked"])
        self.assertEqual(report["missing_steps"], 0)
        self.assertEqual((report["not_reproduced"], report["differing_steps"]), (0, 0))
        self.assertEqual(report["now"]["inhibit_step"], report["cause_step"])
        self.assertEqual(report["now"]["inhibit_s"], 0)
        self.assertGreater(report["length_s"], 0.95)
        first = next(h for h in report["happenings"] if h["kind"] == "tripped")
        self.assertEqual((first["source"], first["at_s"]), (event["source"], 0))
        # At least one step in each period of the guard (10 ms), but for what a busy machine is late by.
        self.assertGreater(report["steps"], 0.8 * report["length_s"] / 0.010)
        print(f"replay: {report['steps']} steps, {report['length_s'] / report['took_s']:.0f} times real time")

        other = pathlib.Path(station.top) / "other.yaml"
        other.write_text(station.configuration.read_text().replace("watch: vswr, above: 2.0", "watch: vswr, above: 2.6"))
        report = json.loads(ctl("replay", str(capture), "--config", str(other), "--json"))
        self.assertIsNone(report["now"]["inhibit_s"])
        self.assertGreater(report["differing_steps"], 0)
        self.assertIn("Under its own configuration each decision is the same again.", ctl("replay", str(capture)))
        self.assertIn(str(capture), ctl("log", "--state", str(station.state), "--captures"))

    def test_the_newest_captures_stay(self):
        station = self.short().start_permitted()
        for count in range(1, 6):
            self.trip(station)
            wait_for(lambda: (c := self.captures(station)) and int(c[-1].name[:6]) == count, "the capture")
            wait_for(lambda: station.reset()["ok"], "reset")
            station.wait_permit()
        self.assertEqual([int(c.name[:6]) for c in self.captures(station)], [3, 4, 5])

    def test_transmissions_are_logged(self):
        station = self.short().start_permitted()
        self.trip(station)
        log = pathlib.Path(station.state) / "log"
        wait_for(lambda: list(log.glob("transmissions-*.csv")), "the log")
        self.assertEqual(station.stop(), 0)
        rows = ctl("log", "--csv", "--state", str(station.state)).splitlines()
        self.assertEqual(len(rows), 2)
        cells = dict(zip(rows[0].split(","), rows[1].split(",")))
        self.assertEqual(cells["ended"], "tripped: vswr")
        journal = "".join(p.read_text() for p in (pathlib.Path(station.state) / "journal").glob("events-*"))
        events = [json.loads(line[line.index("{"):]) for line in journal.splitlines() if "{" in line]
        event = next(e for e in events if e["kind"] == "transmission")
        self.assertEqual(event["transmission"]["ended"], "tripped: vswr")
        self.assertIn("mean 100 W", event["text"])
        self.assertAlmostEqual(float(cells["mean forward (W)"]), 100, delta=3)
        self.assertAlmostEqual(float(cells["worst VSWR"]), 2.05, delta=0.05)
        self.assertIn("1 transmission, ", ctl("log", "--state", str(station.state)))
        self.assertIn("heatsink", ctl("log", "--hours", "--state", str(station.state)))

    def test_storage_that_refuses_is_outlived(self):
        station = self.short().start_permitted()
        folder = pathlib.Path(station.state) / "captures"
        folder.write_text("in the way")
        self.trip(station)
        station.wait_log("kept in memory and tried again")
        self.assertEqual(station.line_text(), b"0\n")
        kept = station.status()["kept"]
        self.assertGreater(kept["failed_writes"], 0)
        self.assertGreater(kept["waiting"], 0)
        folder.unlink()
        wait_for(lambda: self.captures(station), "the capture, once there is room")
        kept = wait_for(lambda: (k := station.status()["kept"])["waiting"] == 0 and k, "all is written")
        self.assertEqual((kept["captures"], kept["dropped"], kept["lost_steps"]), (1, 0, 0))

    def test_a_long_recording_replays(self):
        station = self.short().start_permitted()
        recording = pathlib.Path(station.top) / "long.csv"
        process = subprocess.Popen([DEKEYCTL, "--run", str(station.run), "record", str(recording), "--seconds", "3"],
                                   stdout=subprocess.PIPE, text=True)
        wait_for(lambda: recording.exists() and recording.stat().st_size > 10000, "the recording runs")
        second = subprocess.run([DEKEYCTL, "--run", str(station.run), "record", str(recording) + "2"],
                                capture_output=True, text=True, timeout=60)
        self.assertEqual(second.returncode, 1)
        self.assertIn("one at a time", second.stderr)
        event = self.trip(station)
        self.assertIn("decides them again", process.communicate(timeout=60)[0])
        self.assertEqual(process.returncode, 0)
        report = json.loads(ctl("replay", str(recording), "--json"))
        self.assertTrue(report["complete"] and report["checked"])
        self.assertEqual((report["not_reproduced"], report["differing_steps"]), (0, 0))
        self.assertIn(event["source"], [h["source"] for h in report["happenings"] if h["kind"] == "tripped"])

    def test_nothing_is_written_while_nothing_happens(self):
        station = self.short(age="10 s").start_permitted()  # a busy machine is late by more than 100 ms

        def written():
            lines = pathlib.Path(f"/proc/{station.daemon.pid}/io").read_text().splitlines()
            return int(dict(line.split(": ") for line in lines)["write_bytes"])

        def stamps():
            return {str(p): p.stat().st_mtime_ns for p in pathlib.Path(station.state).rglob("*") if p.is_file()}

        settled = []
        wait_for(lambda: (settled.append(stamps()), len(settled) > 20 and settled[-1] == settled[-20])[1], "all is written")
        if written() == 0:
            self.skipTest("the kernel counts no writes to this file system: TMPDIR on a disk shows them")
        # Not across a full hour, when its line is due.
        wait_for(lambda: 3600 - time.time() % 3600 > IDLE_S + 10, "the full hour passes", IDLE_S + 60)
        before, files, start = written(), stamps(), time.monotonic()
        wait_for(lambda: time.monotonic() - start > IDLE_S, "idle time", IDLE_S + 30)
        idle_s = time.monotonic() - start
        self.assertEqual(stamps(), files)
        grown = written() - before
        print(f"idle: {grown} bytes in {idle_s:.0f} s by the kernel's counter, {grown / idle_s * 3600:.0f} bytes an hour")
        # The line's file and the log aren't written either.
        self.assertEqual(grown, 0)


if __name__ == "__main__":
    unittest.main(verbosity=2)
