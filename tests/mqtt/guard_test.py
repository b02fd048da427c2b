"""Whatever the broker, the network and the resolver do, the guard decides as without them, and a stop doesn't wait."""
import os
import pathlib
import signal
import subprocess
import sys
import time
import unittest

sys.path.insert(0, str(pathlib.Path(os.environ["DEKEYD_SOURCE_DIR"]) / "tests" / "integration"))
from station import Broker, StationTest, free_port, wait_for  # noqa: E402

DEKEYCTL = os.environ["DEKEYCTL"]
SHIM = os.environ["SLOW_RESOLVER"]
NAME = "broker.example.net"  # RFC 2606: it is nobody's
KEYED = {"drive": 1.6, "forward": 100.0, "reflected": 0.5, "current": 7.0}
NEVER_S = 600
PERIOD_S = 0.010
WATCHED_S = 3


class Guard(StationTest):
    def begin(self, port=None, resolver_s=None):
        """Permitted; with a broker at this port, whose name takes so long to resolve."""
        station = self.station()
        self.questions = station.top / "questions"
        environment = {}
        if resolver_s is not None:
            environment = {"LD_PRELOAD": SHIM, "SLOW_RESOLVER_NAME": NAME, "SLOW_RESOLVER_S": str(resolver_s),
                           "SLOW_RESOLVER_LOG": str(self.questions)}
        if port is not None:
            host = "127.0.0.1" if resolver_s is None else NAME
            station.configure(extra=f"mqtt: {{host: {host}, port: {port}}}\n")
        station.start(environment=environment)
        station.reset()
        station.wait_permit()
        return station

    def with_broker(self):
        broker = Broker(self.station().top).start()
        self.addCleanup(broker.stop)
        station = self.begin(broker.port)
        wait_for(lambda: station.status()["mqtt"]["connected"], "connected", 40)
        return station, broker

    def in_resolver(self):
        """It sleeps there now."""
        lines = self.questions.read_text().split() if self.questions.exists() else []
        return lines[-1:] == ["asked"]

    def steps(self, station):
        """The times between the guard's decisions, as it recorded them itself."""
        file = station.top / "recording.csv"
        subprocess.run([DEKEYCTL, "--run", str(station.run), "record", str(file), "--seconds", str(WATCHED_S)], check=True,
                       stdout=subprocess.DEVNULL, timeout=60)
        rows = [line.split(",") for line in file.read_text().splitlines() if line and not line.startswith("#")]
        step, at = rows[0].index("step"), rows[0].index("t (s)")
        times = [float(row[at]) for row in rows[1:] if row[step]]
        return sorted(later - earlier for earlier, later in zip(times, times[1:]))

    def decides(self, name, station):
        """As often as ever, none late, and a trip is a trip."""
        gaps = self.steps(station)
        share = [1000 * gaps[min(len(gaps) - 1, int(part * len(gaps)))] for part in (0.5, 0.99, 1.0)]
        overruns = station.status()["guard"]["overruns"]
        print(f"{name}: {len(gaps)} steps in {WATCHED_S} s, {share[0]:.2f} ms apart in the middle, {share[1]:.2f} ms at 99 %, "
              f"{share[2]:.2f} ms at most; {overruns} overruns", flush=True)
        # One in each period, but for what a busy machine is late by; one wait for the network would be one long gap.
        self.assertGreater(len(gaps), 0.5 * WATCHED_S / PERIOD_S)
        self.assertEqual(overruns, 0)
        station.set(**KEYED)
        wait_for(lambda: station.status()["rf_present"], "RF")
        with station.watch() as watch:
            station.set(reflected=11.9)  # VSWR 2.05
            self.assertTrue(watch.event("tripped", "vswr")["first_cause"])
        station.wait_inhibit()

    def test_none_is_configured(self):
        self.decides("no broker", self.begin())

    def test_absent(self):
        station = self.begin(free_port())
        station.wait_log("guarded all the same")
        self.decides("a broker that isn't there", station)

    def test_hung(self):
        station, broker = self.with_broker()
        broker.signal(signal.SIGSTOP)
        self.decides("a broker that hangs", station)
        broker.signal(signal.SIGCONT)

    def test_flooding(self):
        station, broker = self.with_broker()
        yes = subprocess.Popen(["yes", "nonsense"], stdout=subprocess.PIPE)
        flood = subprocess.Popen(["mosquitto_pub", "-p", str(broker.port), "-t", "homie/5/hilltop-23cm/permit/reset/set", "-l"],
                                 stdin=yes.stdout)
        yes.stdout.close()
        try:
            station.wait_log("was refused")
            self.decides("a broker that floods it", station)
            self.assertIsNone(flood.poll())
        finally:
            for process in (flood, yes):
                process.kill()
                process.wait()

    def test_a_resolver_that_never_answers(self):
        station = self.begin(1883, NEVER_S)
        wait_for(self.in_resolver, "the resolver is asked")
        self.decides("a resolver that never answers", station)
        self.assertTrue(self.in_resolver(), "it slept there all the while")
        self.assertFalse(station.status()["mqtt"]["connected"])

    def test_a_stop_doesn_t_wait_for_the_resolver(self):
        station = self.begin(1883, NEVER_S)
        wait_for(self.in_resolver, "the resolver is asked")
        began = time.monotonic()
        self.assertEqual(station.stop_telemetry(), 0)
        ended = time.monotonic() - began
        print(f"a stop of the telemetry while the resolver hangs: ended after {ended:.2f} s")
        self.assertLess(ended, 6.0)  # 5 s, and what a busy machine is late by
        self.assertTrue(station.permits())

    def test_a_slow_answer_is_taken(self):
        broker = Broker(self.station().top).start()
        self.addCleanup(broker.stop)
        station = self.begin(broker.port, 4)
        wait_for(lambda: station.status()["mqtt"]["connected"], "connected by a slow name", 60)
        self.assertEqual(self.questions.read_text().split(), ["asked", "answered"])
        self.assertTrue(station.permits())


if __name__ == "__main__":
    unittest.main(verbosity=2)
