"""The whole program: what `--json` prints is what the text says, mistakes are told, and a measured release time is true."""
import json
import os
import pathlib
import shutil
import signal
import subprocess
import sys
import tempfile
import unittest
import zlib

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "integration"))
from closed_loop_test import LOOP, Amplifier  # noqa: E402
from evening_test import CAP_S, DEKEYCTL, Terminal  # noqa: E402
import station  # noqa: E402

ANNOTATED = pathlib.Path(__file__).resolve().parents[2] / "config/dekeyd.yaml"


def ctl(*arguments, code=0, text=""):
    """Its standard output; what it says on standard error is beside it when the code is another."""
    ran = subprocess.run([DEKEYCTL, *map(str, arguments)], input=text, capture_output=True, text=True, timeout=CAP_S,
                         env={**os.environ, "LC_ALL": "C.UTF-8"})
    assert ran.returncode == code, f"{arguments}: {ran.returncode}: {ran.stdout}{ran.stderr}"
    return ran.stdout if code == 0 else ran.stdout + ran.stderr


def one_blank(text):
    return " ".join(text.split())


class Papers(unittest.TestCase):
    def test_a_starting_configuration_asks_one_line_for_each_value(self):
        with tempfile.TemporaryDirectory() as folder:
            file = pathlib.Path(folder) / "new.yaml"
            sysfs = pathlib.Path(folder) / "sys/bus/w1/devices/28-000000000001"
            sysfs.mkdir(parents=True)
            (sysfs / "temperature").write_text("21000\n")
            ctl("find", "--sysfs", sysfs.parents[3], "--write", file)
            blanks = sum(line.split("#")[0].count("FILL_IN") for line in file.read_text().splitlines())
            rows = ctl("check", file, code=1).splitlines()
            self.assertEqual(len([row for row in rows if row.startswith("  line ")]), blanks)
            self.assertEqual(len(rows), blanks + 2, rows)
            self.assertIn(f"{blanks} values to write; dekeyd would keep", rows[-1])

    def test_the_help_has_its_commands_in_groups(self):
        text = ctl("--help")
        at = [text.index(word) for word in ("Set up: is it wired", "  calibrate", "Daily: may it transmit?", "  status",
                                            "  reset", "Prove:", "  prove", "Look back:", "  replay")]
        self.assertEqual(at, sorted(at))
        for command, word in (("hold", "hold_off"), ("release", "'reset'"), ("reset", "'release'")):
            self.assertIn(word, one_blank(ctl(command, "--help")))

    def test_explain(self):
        text, figures = one_blank(ctl("explain", ANNOTATED)), json.loads(ctl("explain", ANNOTATED, "--json"))
        self.assertEqual([p["id"] for p in figures["powers"]], ["forward", "reflected", "drive"])
        for power in figures["powers"]:
            self.assertEqual(len(power["budget"]), 6)
            for term in [*power["budget"], {"name": "all together", "at_k2_db": power["combined_db"]}]:
                self.assertIn(f"± {term['at_k2_db']:.2f} dB", text)
            self.assertIn(f"{power['such_as']['volts']:.3f} V", text)
            self.assertLess(power["such_as"]["low_w"], power["such_as"]["w"])
        self.assertEqual(len(figures["vswr"]["rows"]), 7)
        for row in figures["vswr"]["rows"]:
            end = "to no end" if row["high"] is None else f"to {row['high']:.2f}"
            self.assertIn(f"{row['shown']:.2f} {row['low']:.2f} {end} {row['return_loss_db']:.1f} dB", text)

    def test_plan(self):
        text, figures = one_blank(ctl("plan", ANNOTATED)), json.loads(ctl("plan", ANNOTATED, "--json"))
        self.assertIn(f"needs {figures['needed_dbm']:.1f} dBm", text)
        for stage in figures["stages"]:
            self.assertIn(f" dB {stage['in_dbm']:.1f} dBm (", text)
            self.assertIn(f") {stage['out_dbm']:.1f} dBm", text)
        self.assertIn(f"{figures['heat']['heat_w']:.0f} W of heat", text)
        for shown in figures["detectors"]:
            self.assertIn(f"{shown['at']} {shown['dbm']:.1f} dBm at the detector {shown['volts']:.3f} V", text)

    def test_a_command_that_is_misspelt_is_named(self):
        self.assertIn("there is no command 'statu'; did you mean 'status'?", ctl("statu", code=2))
        self.assertIn("there is no command 'explian'; did you mean 'explain'?", ctl("explian", "heatsink", code=2))
        self.assertIn("no command 'statu'", ctl("--run", "/nonexistent", "statu", code=2))
        self.assertIn("there is no command 'frobnicate'; 'dekeyctl --help' lists them", ctl("frobnicate", code=2))

    def test_an_option_that_is_misspelt_is_named(self):
        self.assertEqual(ctl("status", "--jsn", code=2), "dekeyctl: 'dekeyctl status' has no option '--jsn'; did you mean '--json'?\n")
        self.assertEqual(ctl("hold", "--reasn", "x", code=2),
                         "dekeyctl: 'dekeyctl hold' has no option '--reasn'; did you mean '--reason'?\n")
        self.assertEqual(ctl("--bogus", code=2), "dekeyctl: 'dekeyctl' has no option '--bogus'; 'dekeyctl --help' lists them\n")
        self.assertEqual(ctl(code=2),
                         "dekeyctl: no command was given; 'dekeyctl --help' lists them, such as 'dekeyctl status'\n")
        self.assertEqual(ctl("record", code=2), "dekeyctl: file is required; 'dekeyctl record --help' says more\n")

    def test_what_may_not_be_read_is_no_empty_log(self):
        if os.geteuid() == 0 and not shutil.which("setpriv"):
            self.skipTest("root may read everything, and there is no setpriv to be somebody else")
        somebody = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"] if os.geteuid() == 0 else []
        with tempfile.TemporaryDirectory() as folder:
            os.chmod(folder, 0o755)
            log = pathlib.Path(folder) / "log"
            log.mkdir(mode=0)
            os.chmod(log, 0)
            got = subprocess.run([*somebody, DEKEYCTL, "log", "--state", folder], capture_output=True, text=True, timeout=60)
            self.assertEqual(got.returncode, 1, got)
            self.assertEqual(got.stderr, f"dekeyctl: can't read {log}: Permission denied; expected root, or a member of the "
                                         "group 'dekeyd'\n")
            self.assertEqual(got.stdout, "")
            log.rename(pathlib.Path(folder) / "captures")
            captures = [*somebody, DEKEYCTL, "log", "--state", folder, "--captures"]
            got = subprocess.run(captures, capture_output=True, text=True, timeout=60)
            self.assertEqual((got.returncode, got.stdout), (1, ""))
            self.assertEqual(got.stderr, f"dekeyctl: can't read {folder}/captures: Permission denied; expected root, or a "
                                         "member of the group 'dekeyd'\n")
            # The folder may be listed, and a file in it not read.
            os.chmod(pathlib.Path(folder) / "captures", 0o755)
            capture = pathlib.Path(folder) / "captures" / "000001-20260102T030405Z-vswr.csv"
            capture.touch(mode=0)
            os.chmod(capture, 0)
            got = subprocess.run(captures, capture_output=True, text=True, timeout=60)
            self.assertEqual(got.returncode, 1)
            self.assertIn(f"{capture}  can't be read: Permission denied; expected root, or a member of the group 'dekeyd'",
                          got.stdout.replace("\n", " "))

    def test_mistakes_are_told_where_they_are(self):
        with tempfile.TemporaryDirectory() as folder:
            empty = pathlib.Path(folder) / "empty.yaml"
            empty.write_text("")
            for command in ("explain", "plan", "check"):
                self.assertIn("fault", ctl(command, empty, "--json", code=1))
                self.assertIn("nowhere.yaml", ctl(command, folder + "/nowhere.yaml", code=1))
                ctl(command, code=2)
            for command in (("status",), ("hold",), ("prove",), ("watch",), ("record", folder + "/r.csv")):
                self.assertIn("is dekeyd running", ctl("--run", folder, *command, code=4))
            self.assertIn("expected dekeyd's state directory", ctl("log", "--state", folder + "/nowhere", code=1))
            ctl("log", "--state", folder, "--csv", "--json", code=2)


class Log(unittest.TestCase):
    def setUp(self):
        top = tempfile.TemporaryDirectory()
        self.addCleanup(top.cleanup)
        self.state = pathlib.Path(top.name)
        (self.state / "log").mkdir()

    def write(self, name, columns, *rows):
        lines = [columns + ",check"] + [f"{row},{zlib.crc32(row.encode()):08x}" for row in rows]
        (self.state / "log" / name).write_text("\n".join(lines) + "\n")

    def test_hours(self):
        quantities = ("heatsink", "°C", 31.2), ("forward", "W", 94.1), ("vswr", "", 1.31), ("supply", "V", 28.05)
        columns = "hour (UTC)" + "".join(f",{name} {what}" + (f" ({unit})" if unit else "")
                                         for name, unit, _ in quantities for what in ("min", "mean", "max"))
        row = "".join(f",{v - 1:.4g},{v:.4g},{v + 1:.4g}" for _, _, v in quantities)
        self.write("hours-2026-03.csv", columns, "2026-03-01T07Z" + row, "2026-03-01T08Z" + ",,," + row[row.index(",94") - 5:])
        text = ctl("log", "--state", self.state, "--hours")
        hours = json.loads(ctl("log", "--state", self.state, "--hours", "--json"))["hours"]
        self.assertEqual([h["hour"] for h in hours], ["2026-03-01T07Z", "2026-03-01T08Z"])
        self.assertEqual(hours[0]["quantities"]["heatsink"], {"unit": "°C", "least": 30.2, "mean": 31.2, "greatest": 32.2})
        self.assertNotIn("heatsink", hours[1]["quantities"])  # wasn't measured
        self.assertIn("heatsink 30.2..32.2 (31.2) °C", text)
        self.assertIn("supply 27.05..29.05 (28.05) V", text)
        self.assertIn("2 hours", text)
        # On a narrow terminal each figure stays whole, below the others.
        terminal = Terminal("log", "--state", self.state, "--hours", columns=60)
        self.assertEqual(terminal.end(), 0)
        self.assertIn("heatsink 30.2..32.2 (31.2) °C", terminal.seen)
        self.assertLessEqual(max(map(len, terminal.seen.splitlines()[:-1])), 60)

    def test_cooling_that_becomes_worse(self):
        # 0.30 K/W when it was new, 0.39 K/W now; an hour without RF between has none.
        columns = "hour (UTC)" + "".join(f",thermal-resistance {what} (K/W)" for what in ("min", "mean", "max"))
        hours = [0.30] * 5 + [None] + [0.39] * 5
        self.write("hours-2026-03.csv", columns, *(f"2026-03-01T{i:02}Z" + (f",{r - .01:.4g},{r:.4g},{r + .01:.4g}" if r else ",,,")
                                                   for i, r in enumerate(hours)))
        text = ctl("log", "--state", self.state, "--hours")
        self.assertIn("Cooling: 30 % worse than it was (0.39 K/W to ambient in the last 5 hours of RF, 0.3 K/W in the first 5)", text)
        cooling = json.loads(ctl("log", "--state", self.state, "--hours", "--json"))["cooling"]
        self.assertEqual((cooling["first_k_per_w"], cooling["last_k_per_w"], cooling["hours"]), (0.30, 0.39, 5))

    def test_transmissions_and_nothing_at_all(self):
        self.assertEqual(json.loads(ctl("log", "--state", self.state, "--json"))["transmissions"], [])
        self.assertEqual(json.loads(ctl("log", "--state", self.state, "--hours", "--json")), {"hours": []})
        self.assertEqual(json.loads(ctl("log", "--state", self.state, "--captures", "--json")), {"captures": []})


class Live(station.StationTest):
    def on_the_air(self):
        s = self.station(LOOP)
        for folder in ("bus", "class"):
            subprocess.run(["rm", "-r", str(s.sys / folder)], check=True)
        s.line.write_text("0\n")
        self.amplifier = Amplifier(s)
        self.addCleanup(self.amplifier.close)
        s.start()
        s.reset()
        s.wait_permit()
        return s

    def talk(self, *arguments):
        terminal = Terminal(*arguments)
        self.addCleanup(lambda: terminal.process.poll() is None and terminal.process.kill())
        return terminal

    def test_the_release_time_is_the_amplifiers_own(self):
        s = self.on_the_air()
        prove = ("--run", s.run, "prove", "--release-time")
        self.assertIn("no RF", ctl(*prove, "--yes", code=1))
        self.assertTrue(s.permits())  # nothing was done
        self.amplifier.do("drive 0.3 W", "key on")
        station.wait_for(lambda: s.status()["rf_present"], "RF", CAP_S)
        with s.watch() as watch:
            terminal = self.talk(*prove, "--json")
            terminal.expect("Is it so? [y/N]")
            terminal.type("y")
            terminal.expect("after the line went to inhibit")
            self.assertEqual(terminal.end(), 0, terminal.seen)
            held_s = watch.event("held")["at_s"]
        measured_s = json.loads(terminal.seen[terminal.seen.rindex("{"):])["release_s"]
        self.assertEqual(measured_s, s.status()["proof"]["release_s"])
        # The bench's relay opens 8 ms after the line; its clock is the daemon's. The first conversion without RF begins
        # after that: at once, or, as periods of sampling and a busy machine have it, later.
        truth = self.amplifier.truth()
        self.assertGreaterEqual(held_s + measured_s, truth["rf_gone_ns"] / 1e9 - 0.002)
        self.assertGreaterEqual(measured_s, 0.008)
        self.assertLess(held_s + measured_s - truth["rf_gone_ns"] / 1e9, 2)
        print(f"release time: true {(truth['rf_gone_ns'] - truth['last_inhibit_ns']) / 1e6:.1f} ms after the line, "
              f"measured {measured_s * 1e3:.1f} ms after the decision")
        self.assertFalse(s.permits())
        self.assertEqual(s.status()["state"], "held")

    def test_a_proof_test_that_is_interrupted_ends_inhibited_and_says_so(self):
        s = self.on_the_air()
        run = ("--run", s.run)
        ctl(*run, "hold", "--reason", "proof test")
        self.assertIn("no folder that this user may write", ctl(*run, "prove", "--yes", "--folder", s.top / "nowhere", code=1))
        terminal = self.talk(*run, "prove", "--folder", s.top, "--yes")
        station.wait_for(s.permits, "the line is driven", CAP_S)
        terminal.process.send_signal(signal.SIGINT)  # as Ctrl-C does
        terminal.expect("interrupted; no test runs. dekeyd inhibits, held")
        self.assertEqual(terminal.end(), 1)
        self.assertFalse(s.permits())
        self.assertFalse(s.status()["proof"]["running"])

    def test_a_hold_over_the_network_is_told_with_the_way_out(self):
        s = self.station(LOOP.replace("after_start: permit", "after_start: held"))
        s.start()
        run = ("--run", s.run)
        for _ in range(2):  # with the start's hold alone, and with a local one beside it
            refused = ctl(*run, "prove", "--yes", code=1)
            self.assertIn("'dekeyctl release'", refused)
            self.assertIn("dekeyctl hold", refused)
            ctl(*run, "hold")

    def test_record(self):
        s = self.on_the_air()
        recording = s.top / "r.csv"
        done = json.loads(ctl("--run", s.run, "record", recording, "--seconds", "1", "--json"))
        refused = ctl("--run", s.run, "record", recording, "--seconds", "1", code=1)
        self.assertIn("is there already; expected the name of a new file, or --overwrite", refused)
        self.assertEqual(done, {"file": str(recording), "seconds": 1.0, "bytes": recording.stat().st_size})


if __name__ == "__main__":
    unittest.main()
