"""Start and stop: what the line does, in which order, and what is remembered."""
import fcntl
import os
import pathlib
import signal
import subprocess
import sys
import time
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent))
from state_text import newest_state  # noqa: E402
from station import CONFIGURATION, DEKEYD, INHIBIT, MOSQUITTO, Broker, StationTest, wait_for  # noqa: E402


class Start(StationTest):
    def test_first_start_waits_for_the_operator_and_then_permits(self):
        station = self.station().start()
        status = wait_for(lambda: (s := station.status())["settling_left_s"] == 0 and s, "settled")
        self.assertEqual(status["state"], "latched")
        self.assertTrue(status["memory"]["first_start"])
        self.assertIn("first reset", status["reason"])
        self.assertFalse(status["permit"])
        self.assertEqual(station.line_text(), b"0\n")
        answer = station.reset()
        self.assertTrue(answer["ok"])
        self.assertEqual(answer["outcome"], "reset")
        station.wait_permit()
        status = station.wait_state("permitted")
        self.assertTrue(status["permit"])
        self.assertEqual(status["causes"], [])
        self.assertEqual(station.quantity("supply")["value"], 28.0)
        self.assertEqual(station.quantity("vswr")["health"], "not measurable")
        self.assertEqual(os.stat(station.control).st_mode & 0o777, 0o660)

    def test_clean_restart_permits_by_itself_after_settling(self):
        station = self.station().start_permitted()
        self.assertEqual(station.stop(), 0)
        self.assertEqual(station.line_text(), b"0\n")
        station.start()
        station.wait_permit()
        self.assertNotIn("unclean", station.log_text())

    def test_missing_sensor_keeps_it_starting_and_is_named(self):
        station = self.station()
        station.files["supply"].unlink()
        station.start()
        station.reset()
        wait_for(lambda: station.quantity("forward")["health"] != "unknown", "forward is read")
        status = station.wait_state("starting")
        self.assertIn("Supply", status["reason"])
        self.assertFalse(station.permits())
        station.restore("supply")
        station.wait_permit()

    def test_hold_outlives_a_restart(self):
        station = self.station().start_permitted()
        with station.watch() as watch:
            answer = station.ask({"ask": "hold", "reason": "work on the mast"})
            self.assertEqual((answer["ok"], answer["outcome"]), (True, "held"))
            self.assertFalse(station.permits())
            watch.event("held")
        self.assertEqual(station.stop(), 0)
        station.start()
        station.wait_state("held")
        self.assertFalse(station.permits())
        self.assertEqual(station.ask({"ask": "release"})["outcome"], "released")
        station.wait_permit()
        self.assertIn("work on the mast", station.log_text())

    def test_damaged_state_is_a_latch(self):
        station = self.station().start_permitted()
        self.assertEqual(station.stop(), 0)
        state = station.state / "state"
        content = bytearray(state.read_bytes())
        content[len(content) // 2] ^= 0x10
        state.write_bytes(content)
        station.start()
        status = station.wait_state("latched")
        self.assertTrue(status["memory"]["unreadable"])
        wait_for(lambda: station.status()["settling_left_s"] == 0, "settled")
        self.assertFalse(station.permits())
        self.assertTrue(station.reset()["ok"])
        station.wait_permit()


class Line(StationTest):
    def test_busy_line_is_said_and_tried_again(self):
        station = self.station()
        station.line.write_text("0\n")
        with open(station.line) as holder:
            fcntl.flock(holder, fcntl.LOCK_EX)
            station.start(wait=False)
            station.wait_log("held by another program")
            self.assertIn("not armed", station.log_text())
            self.assertFalse(station.control.exists())  # nothing before the line
            self.assertFalse((station.state / "state").exists())
            # The stop hook's file is there before the line is.
            self.assertIn(str(station.line), (station.run / "line").read_text())
        wait_for(station.answers, "armed")

    def test_busy_line_and_a_stop(self):
        station = self.station()
        station.line.write_text("0\n")
        with open(station.line) as holder:
            fcntl.flock(holder, fcntl.LOCK_EX)
            station.start(wait=False)
            station.wait_log("held by another program")
            self.assertEqual(station.stop(), 0)

    def test_a_second_daemon_doesn_t_disturb_the_first(self):
        station = self.station().start_permitted()
        second = subprocess.run([DEKEYD, "--config", str(station.configuration)], stdin=subprocess.DEVNULL,
                                stderr=subprocess.PIPE, text=True, timeout=20)
        self.assertEqual(second.returncode, 78)
        self.assertIn(f"in use by process {station.daemon.pid}", second.stderr)
        self.assertTrue(station.permits())
        self.assertTrue(station.status()["permit"])

    def test_somebody_else_writes_the_line(self):
        station = self.station().start_permitted()
        with station.watch() as watch:
            with open(station.line, "r+b") as line:
                line.write(b"0\n")
            event = watch.event("tripped", "line-mismatch")
            self.assertTrue(event["first_cause"])
            self.assertEqual(station.line_text(), b"0\n")
        self.assertEqual(station.wait_state("latched")["permit"], False)


class Stop(StationTest):
    def test_every_stop_signal_inhibits_and_ends_with_0(self):
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT):
            with self.subTest(signal=number.name):
                station = self.station().start_permitted()
                self.assertEqual(station.stop(number), 0)
                self.assertEqual(station.line_text(), b"0\n")
                self.assertIn("inhibited", station.log_text())

    def test_harmless_signals_change_nothing(self):
        station = self.station().start_permitted()
        for number in (signal.SIGUSR1, signal.SIGUSR2, signal.SIGPIPE, signal.SIGALRM):
            station.daemon.send_signal(number)
        sequence = station.status()["sequence"]
        wait_for(lambda: station.status()["sequence"] > sequence + 5, "decisions go on")
        self.assertTrue(station.permits())

    @unittest.skipUnless(MOSQUITTO, "needs mosquitto")
    def test_inhibit_comes_before_everything_that_may_wait(self):
        station = self.station()
        broker = Broker(station.top).start()
        self.addCleanup(broker.stop)
        station.configure(extra=f"mqtt: {{host: 127.0.0.1, port: {broker.port}}}\n")
        station.start_permitted()
        wait_for(lambda: station.status()["mqtt"]["connected"], "the broker is connected")
        broker.signal(signal.SIGSTOP)  # the goodbye will have to wait
        began = time.monotonic()
        station.daemon.send_signal(signal.SIGTERM)
        station.wait_inhibit()
        inhibited_while_alive = station.daemon.poll() is None
        self.assertEqual(station.wait_end(), 0)
        self.assertTrue(inhibited_while_alive)
        self.assertLess(time.monotonic() - began, 6.0)
        broker.signal(signal.SIGCONT)

    def test_a_stop_that_follows_at_once(self):
        station = self.station().start(wait=False)
        wait_for(station.line.exists, "the line is requested")
        self.assertEqual(station.stop(), 0)
        self.assertEqual(station.line_text(), b"0\n")


class Death(StationTest):
    def test_killed_then_the_stop_hook_inhibits_and_the_next_start_is_unclean(self):
        station = self.station().start_permitted()
        station.stop(signal.SIGKILL)
        self.assertEqual(station.line_text(), b"1\n")  # why there is a hook, and a pull resistor
        subprocess.run([INHIBIT, str(station.run / "line")], check=True, timeout=20)
        self.assertEqual(station.line_text(), b"0\n")
        station.start()
        station.wait_log("unclean")
        station.wait_permit()  # the first one is forgiven

    def test_three_unclean_starts_lock_out(self):
        station = self.station().start_permitted()
        def unclean_level():
            text = newest_state((station.state / "state").read_bytes())
            return int(next(line.split()[1] for line in text.splitlines() if line.startswith("unclean-level-ns ")))

        for _ in range(3):
            before = unclean_level()
            station.stop(signal.SIGKILL)
            station.start()
            # A start counts once it is on the disk, which is long before it can permit.
            wait_for(lambda: unclean_level() > before, "the unclean start in the state file")
        status = station.wait_state("locked out")
        self.assertTrue(status["memory"]["locked_out"])
        self.assertFalse(station.permits())
        wait_for(lambda: station.reset()["ok"], "reset, once all is clear")
        station.wait_permit()

    def test_a_fault_of_the_program_inhibits_before_it_ends(self):
        for number in (signal.SIGABRT, signal.SIGSEGV, signal.SIGBUS):
            with self.subTest(signal=number.name):
                station = self.station().start_permitted()
                self.assertEqual(station.stop(number), -number)
                self.assertEqual(station.line_text(), b"0\n")

    def test_no_core_dump(self):
        station = self.station().start()
        with open(f"/proc/{station.daemon.pid}/limits") as limits:
            core = next(line for line in limits if line.startswith("Max core file size"))
        self.assertEqual(core.split()[4:6], ["0", "0"])


class Refused(StationTest):
    def test_bad_configuration_ends_with_78_and_every_fault(self):
        station = self.station()
        station.configure(CONFIGURATION.replace("above: 70 degC", "above: 70 W").replace("rated_forward", "rated_foward"))
        result = subprocess.run([DEKEYD, "--config", str(station.configuration)], capture_output=True, text=True,
                                stdin=subprocess.DEVNULL, timeout=20)
        self.assertEqual(result.returncode, 78)
        self.assertIn("rated_forward", result.stderr)
        self.assertIn("limits.heatsink", result.stderr)

    def test_bad_configuration_inhibits_the_line_of_an_earlier_start(self):
        station = self.station().start_permitted()
        station.stop(signal.SIGKILL)
        self.assertEqual(station.line_text(), b"1\n")
        station.configure(CONFIGURATION.replace("above: 70 degC", "above: 70 W"))
        station.start(wait=False, environment={"RUNTIME_DIRECTORY": str(station.run)})
        self.assertEqual(station.wait_end(), 78)
        self.assertEqual(station.line_text(), b"0\n")

    def test_bad_configuration_leaves_a_running_daemon_alone(self):
        station = self.station().start_permitted()
        bad = station.top / "bad.yaml"
        bad.write_text(station.configuration.read_text().replace("above: 70 degC", "above: 70 W"))
        result = subprocess.run([DEKEYD, "--config", str(bad)], capture_output=True, text=True, timeout=20,
                                stdin=subprocess.DEVNULL, env={**os.environ, "RUNTIME_DIRECTORY": str(station.run)})
        self.assertEqual(result.returncode, 78)
        self.assertTrue(station.permits())
        self.assertTrue(station.status()["permit"])

    def test_faults_of_the_broker_alone_are_the_telemetrys(self):
        station = self.station()
        station.configure(extra="mqtt: {hots: 127.0.0.1}\n")
        station.start_permitted()
        self.assertEqual(station.telemetry.wait(20), 78)
        station.wait_log("mqtt.hots")
        station.wait_log("guarded all the same")
        self.assertTrue(station.permits())
        self.assertEqual(station.status()["mqtt"], {"telemetry": False, "connected": False})

    def test_missing_configuration(self):
        result = subprocess.run([DEKEYD, "--config", "/nonexistent/dekeyd.yaml"], capture_output=True, text=True,
                                stdin=subprocess.DEVNULL, timeout=20)
        self.assertEqual(result.returncode, 78)
        self.assertIn("/nonexistent/dekeyd.yaml", result.stderr)

    def test_run_directory_that_can_t_be_made(self):
        station = self.station()
        station.configure(CONFIGURATION.replace("run: RUN", "run: /dev/null/run"))
        station.start(wait=False)
        self.assertEqual(station.wait_end(), 73)
        self.assertFalse(station.line.exists())

    def test_check_touches_nothing(self):
        station = self.station()
        result = subprocess.run([DEKEYD, "--config", str(station.configuration), "--check"], capture_output=True,
                                text=True, stdin=subprocess.DEVNULL, timeout=20)
        self.assertEqual(result.returncode, 0, result.stderr)
        self.assertIn("VSWR", result.stdout)
        self.assertFalse(station.line.exists())
        self.assertFalse(station.run.exists())


if __name__ == "__main__":
    unittest.main(verbosity=2)
