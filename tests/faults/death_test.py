"""How the daemon dies: by signals, by an error in a thread, by a hung kernel call, by being stopped or killed. In each
case the line ends at inhibit; the worst times are printed."""
import os
import pathlib
import re
import signal
import socket
import subprocess
import sys
import time
import unittest

from rig import CAP_S, CONFIGURATION, DEKEYD, INHIBIT, Failed, RigTest, now

WORST = {}


def worst(what, seconds):
    WORST[what] = max(WORST.get(what, 0.0), seconds)


def time_to_inhibit(rig, began):
    """Watched closely: the promise is in milliseconds, the cap is for a loaded machine."""
    until = now() + CAP_S
    while rig.line_text() != b"0\n":
        if now() > until:
            raise AssertionError(f"not inhibited within {CAP_S} s:\n{rig.log()}")
        time.sleep(0.0002)
    return now() - began


def unit_time(key):
    """A time of the service's unit, in seconds."""
    unit = pathlib.Path(__file__).resolve().parents[2] / "systemd/dekeyd.service"
    value = re.search(rf"^{key}=(\S+)$", unit.read_text(), re.M).group(1)
    number, suffix = re.fullmatch(r"([\d.]+)(ms|s|min)?", value).groups()
    return float(number) * {"ms": 0.001, "s": 1.0, "min": 60.0, None: 1.0}[suffix]


class SilentBroker:
    """Takes connections and says nothing, as a network that drops packets."""

    def __init__(self):
        self.socket = socket.socket()
        self.socket.bind(("127.0.0.1", 0))
        self.socket.listen(8)
        self.port = self.socket.getsockname()[1]


class Death(RigTest):
    # ---- signals ----

    def test_a_stop_inhibits_at_once(self):
        rig = self.rig()
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT) * 3:
            rig.start()
            rig.wait_permit()
            began = now()
            rig.send(number)
            worst(f"at permit after {number.name}", time_to_inhibit(rig, began))
            self.assertEqual(rig.ended(), 0)
            self.assertEqual(rig.line_text(), b"0\n")

    def test_a_stop_with_everything_else_stuck(self):
        """A converter that hangs, a card that takes no fsync, a broker that says nothing."""
        broker = SilentBroker()
        self.addCleanup(broker.socket.close)
        rig = self.rig(extra=f"mqtt: {{host: 127.0.0.1, port: {broker.port}}}\n")
        rig.start()
        rig.wait_permit()
        fsync = rig.shim.on("fsync", "hang", rig.state)
        mark = rig.mark()
        rig.ask(ask="hold", reason="so that there is something to write")
        rig.event(mark, "held")
        rig.until(lambda: rig.shim.hits(fsync) > 0, "an fsync hangs")
        rig.ask(ask="release")
        rig.wait_permit()
        converter = rig.shim.on("pread", "hang", rig.file("forward"))
        rig.until(lambda: rig.shim.hits(converter) > 0, "a read hangs")
        began = now()
        rig.send(signal.SIGTERM)
        worst("at permit after SIGTERM, with a read, an fsync and the broker stuck", time_to_inhibit(rig, began))
        code = rig.ended()
        took = now() - began
        worst("until the end, with a read, an fsync and the broker stuck (5 s are promised)", took)
        self.assertEqual(code, 74)
        self.assertLess(took, 15.0)
        # What couldn't be written: the next start doesn't take this stop for a clean one, and is latched.
        rig.shim.clear()
        rig.start()
        rig.until(lambda: "the last stop was unclean" in rig.log(), "an unclean start")
        rig.wait(lambda: rig.status["state"] == "latched", "latched")

    def test_a_stop_with_the_line_stuck(self):
        """Nothing that this process does can help: it ends, and says so by its exit code; the stop hook inhibits."""
        rig = self.rig()
        rig.start()
        rig.wait_permit()
        rule = rig.shim.on("pwrite", "hang", rig.line)
        began = now()
        rig.send(signal.SIGTERM)
        code = rig.ended()
        took = now() - began
        worst("until the end, with the line stuck (5 s are promised)", took)
        self.assertGreater(rig.shim.hits(rule), 0)
        self.assertEqual(code, 70)
        self.assertLess(took, 15.0)
        self.assertIn("not confirmed at inhibit", rig.log())
        subprocess.run([INHIBIT, str(rig.run / "line")], check=True, timeout=CAP_S, stdout=subprocess.DEVNULL)
        self.assertEqual(rig.line_text(), b"0\n")

    # ---- errors in a thread ----

    def no_memory_for(self, thread, extra=""):
        rig = self.rig(extra=extra)
        rig.start()
        rig.wait_permit()
        return rig, now(), rig.shim.on("malloc", "errno", thread, 12)

    def test_an_exception_that_nobody_catches(self):
        for thread in ("control", "dekeyd"):  # the control socket's thread; main
            with self.subTest(thread=thread):
                rig, began, rule = self.no_memory_for(thread)
                worst(f"at permit after an exception in the thread '{thread}'", time_to_inhibit(rig, began))
                self.assertEqual(rig.ended(), 70)
                self.assertGreater(rig.shim.hits(rule), 0)
                self.assertIn("inhibited", rig.log())
                self.assertEqual(rig.line_text(), b"0\n")

    def test_an_exception_in_a_sampler_is_a_lost_sensor(self):
        rig, began, rule = self.no_memory_for("bus psu")
        event = rig.event(0, "tripped", {"supply-low", "supply-high", "current"})
        worst("at permit after an exception in a sampler (it is noticed each second)", event["at_s"] - began)
        self.assertGreater(rig.shim.hits(rule), 0)
        rig.shim.off(rule)
        rig.wait_permit()

    def test_an_exception_in_the_recorder_touches_nothing_else(self):
        rig, _, rule = self.no_memory_for("journal")
        mark = rig.mark()
        rig.set("heatsink", 80000)
        rig.event(mark, "tripped", {"heatsink"})
        self.assertEqual(rig.line_text(), b"0\n")
        rig.until(lambda: rig.shim.hits(rule) > 0, "the recorder wants memory")
        rig.shim.off(rule)
        rig.set("heatsink", 30000)
        rig.wait_permit()
        self.assertEqual(rig.stop(), 0)

    def test_the_guard_wants_no_memory(self):
        rig, _, rule = self.no_memory_for("guard")
        for value, kind in ((80000, "tripped"), (30000, "cleared")):
            mark = rig.mark()
            rig.set("heatsink", value)
            rig.event(mark, kind, {"heatsink"})
        rig.wait_permit()
        self.assertEqual(rig.shim.hits(rule), 0)

    def permitted(self, rig, outcomes):
        """With all its memory again. On a busy machine the thread before may have met its want only now."""
        if rig.daemon is not None:
            try:
                return rig.wait_permit()
            except Failed:
                if rig.daemon.poll() is None:
                    raise
                outcomes["the one before, late"] = f"ends with {rig.ended()}"
        rig.start()
        rig.wait(lambda: rig.status["state"] in ("latched", "permitted"), "permitted, or latched: it died before the trip was "
                 "saved")
        if rig.status["state"] == "latched":
            rig.reset_when_clear()
        return rig.wait_permit()

    def test_no_memory_in_any_thread(self):
        """Whatever thread it meets, libraries' own among them: what is beyond its limit is inhibited all the same."""
        broker = SilentBroker()
        self.addCleanup(broker.socket.close)
        extra = f"mqtt: {{host: 127.0.0.1, port: {broker.port}}}\n"
        rig = self.rig(extra=extra)
        rig.start()
        rig.wait_permit()
        names = {(task / "comm").read_text().strip() for task in pathlib.Path(f"/proc/{rig.daemon.pid}/task").iterdir()}
        self.assertLessEqual({"dekeyd", "guard", "control", "journal", "bus wire"}, names)
        outcomes = {}
        for name in sorted(names):
            with self.subTest(thread=name):
                rig.shim.clear()
                rig.set("heatsink", 30000)
                self.permitted(rig, outcomes)
                rig.shim.on("malloc", "errno", name, 12)
                rig.set("heatsink", 80000)
                time_to_inhibit(rig, now())
                time.sleep(0.3)  # what comes of it meanwhile is one outcome or another, both allowed
                if rig.daemon.poll() is None:
                    outcomes[name] = "goes on, and trips"
                else:
                    outcomes[name] = f"ends with {rig.ended()}"
                self.assertEqual(rig.line_text(), b"0\n")
        print("\n  no memory for a thread: " + ", ".join(f"{name}: {what}" for name, what in outcomes.items()))
        self.assertLessEqual(set(outcomes.values()), {"goes on, and trips", "ends with 70", "ends with -6", "ends with -11"})

    def test_a_fault_of_the_processor(self):
        rig = self.rig()
        for number in (signal.SIGSEGV, signal.SIGABRT, signal.SIGBUS, signal.SIGILL, signal.SIGFPE):
            rig.start()
            rig.wait_permit()
            began = now()
            rig.send(number)
            worst("at permit after a fault signal", time_to_inhibit(rig, began))
            self.assertEqual(rig.ended(), -number)

    def test_a_configuration_that_fails(self):
        rig = self.rig()
        rig.start()
        rig.wait_permit()
        rig.stop(signal.SIGKILL)
        self.assertEqual(rig.line_text(), b"1\n")
        rig.configuration.write_text(rig.configuration.read_text().replace("above: 70 degC", "above: 70 W"))
        began = now()
        with open(rig.top / "log", "ab") as log:
            rig.daemon = subprocess.Popen([DEKEYD, "--config", str(rig.configuration)], stdin=subprocess.DEVNULL, stderr=log,
                                          env={**os.environ, "RUNTIME_DIRECTORY": str(rig.run)})
        worst("at permit from the start with a configuration that fails", time_to_inhibit(rig, began))
        self.assertEqual(rig.ended(), 78)

    # ---- killed, stopped ----

    def test_only_the_guard_holds_the_line(self):
        """Its file table is its own: whatever thread of the process is stuck in the kernel, the line closes with the
        guard."""
        rig = self.rig()
        rig.start()
        rig.wait_permit()
        rule = rig.shim.on("pread", "hang", rig.file("heatsink"))
        rig.until(lambda: rig.shim.hits(rule) > 0, "a read hangs")
        self.assertEqual(rig.holders(rig.line), {"guard"})
        self.assertGreaterEqual(len(os.listdir(f"/proc/{rig.daemon.pid}/task")), 7)

    def test_killed_with_a_thread_stuck(self):
        rig = self.rig()
        for _ in range(5):
            rig.start()
            rig.wait_permit()
            rule = rig.shim.on("pread", "slow", rig.file("heatsink"), 300_000_000)  # stuck, and young enough to permit
            rig.until(lambda: rig.shim.hits(rule) > 0, "a read is under way")
            rig.wait_permit()
            began = now()
            self.assertEqual(rig.kill_and_hook(), b"0\n")
            worst("at permit after SIGKILL, stop hook at once", now() - began)
            rig.shim.clear()

    def test_stopped(self):
        """SIGSTOP: the watchdog is petted no more. The service manager is played by the test, with the unit's times."""
        watchdog_s, abort_s = unit_time("WatchdogSec"), unit_time("TimeoutAbortSec")
        rig = self.rig()
        rig.start(watchdog_s=watchdog_s)
        rig.wait_permit()
        rig.until(lambda: rig.manager.times("WATCHDOG=1"), "the watchdog is petted")
        began = now()
        rig.send(signal.SIGSTOP)
        rig.until(lambda: now() - rig.manager.times("WATCHDOG=1")[-1] > watchdog_s, "the watchdog starves")
        last_pet = rig.manager.times("WATCHDOG=1")[-1]
        self.assertLess(last_pet - began, 1.0)  # one may be on its way
        rig.send(signal.SIGABRT)  # a stopped process doesn't take it
        time.sleep(abort_s)
        self.assertEqual(rig.line_text(), b"1\n")  # as was to be expected of a process that doesn't run
        self.assertEqual(rig.kill_and_hook(), b"0\n")
        worst(f"at permit after SIGSTOP, with the unit's {watchdog_s:g} s of watchdog and {abort_s:g} s to abort",
              now() - began)

    def test_ready_means_decided(self):
        rig = self.rig()
        rule = rig.shim.on("pread", "hang", rig.line)  # the first look at the line, before the first decision
        rig.start(wait=False, watchdog_s=4.0)
        rig.until(lambda: rig.shim.hits(rule) > 0, "the first look at the line hangs")
        self.assertEqual(rig.manager.times("READY=1"), [])
        rig.shim.off(rule)
        rig.connect()
        rig.until(lambda: rig.manager.times("READY=1"), "ready")
        rig.wait_permit()
        self.assertLess(rig.manager.times("READY=1")[0], rig.event(0, "permitted")["at_s"] + CAP_S)

    def test_ready_while_a_sensor_is_missing(self):
        """Inhibited is a decision, too."""
        rig = self.rig()
        rig.damage("supply", b"")
        rig.start(watchdog_s=4.0)
        rig.until(lambda: rig.manager.times("READY=1") and len(rig.manager.times("WATCHDOG=1")) > 2, "ready, and petted")
        self.assertEqual(rig.status["state"], "starting")
        self.assertFalse(rig.permits())


if __name__ == "__main__":
    program = unittest.main(verbosity=2, exit=False)
    print("\nWorst times, on this machine under this load:")
    for what, seconds in WORST.items():
        print(f"  {seconds * 1000:8.1f} ms  {what}")
    sys.exit(0 if program.result.wasSuccessful() else 1)
