"""Twenty amplifiers on one machine: twenty guards and their telemetry, as `dekeyd@NAME` starts them, at one broker."""
import os
import pathlib
import subprocess
import sys
import time
import unittest

sys.path.insert(0, str(pathlib.Path(os.environ["DEKEYD_SOURCE_DIR"]) / "tests" / "integration"))
from station import CONFIGURATION, DETECTOR, Broker, StationTest, wait_for  # noqa: E402

COUNT = 20
MEASURED_S = 6
# The periods of config/dekeyd.yaml; the ages are wide, since what is tested here isn't how late a full machine is.
USUAL = (CONFIGURATION.replace("DETECTOR", DETECTOR).replace("guard: {period: 10 ms, deadline: 5 s", "guard: {period: 20 ms, deadline: 20 s")
         .replace("w1, period: 10 ms", "w1, period: 1 s").replace("ads1015, period: 10 ms", "ads1015, period: 20 ms")
         .replace("ltc4151, period: 10 ms", "ltc4151, period: 100 ms").replace("emc2305, period: 10 ms", "emc2305, period: 500 ms")
         .replace("allowed_age: 100 ms", "allowed_age: 20 s"))


def cpu_s(pid):
    fields = pathlib.Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_kib(pid):
    """Its own part of the memory, and what it shares divided by those who share it."""
    lines = pathlib.Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    return int(next(line.split()[1] for line in lines if line.startswith("Pss:")))


class Instances(StationTest):
    def test_twenty(self):
        broker = Broker(self.station().top).start()
        self.addCleanup(broker.stop)
        stations = []
        for number in range(1, COUNT + 1):
            station = self.station()
            text = USUAL.replace("id: hilltop-23cm", f"id: hilltop-{number}")
            station.configure(text, extra=f"mqtt: {{host: 127.0.0.1, port: {broker.port}, remote_reset: yes}}\n")
            station.start(wait=False)
            stations.append(station)
        for station in stations:
            wait_for(station.answers, "it answers", 60)
        for station in stations:
            wait_for(lambda: station.status()["mqtt"]["connected"], "connected", 60)
            wait_for(lambda: station.reset()["ok"], "reset", 60)
        for station in stations:
            wait_for(station.permits, "permitted", 60)

        before = {s: (cpu_s(s.daemon.pid), s.status()["sequence"], cpu_s(s.telemetry.pid)) for s in stations}
        began = time.monotonic()
        wait_for(lambda: time.monotonic() - began > MEASURED_S, "a while", MEASURED_S + 30)
        took = time.monotonic() - began
        share = [100 * (cpu_s(s.daemon.pid) - before[s][0]) / took for s in stations]
        steps = [(s.status()["sequence"] - before[s][1]) / took for s in stations]
        kib = [memory_kib(s.daemon.pid) for s in stations]
        beside = [100 * (cpu_s(s.telemetry.pid) - before[s][2]) / took for s in stations]
        beside_kib = [memory_kib(s.telemetry.pid) for s in stations]
        print(f"{COUNT} guards: {sum(share) / COUNT:.2f} % of a processor each ({max(share):.2f} at most), "
              f"{sum(kib) / COUNT:.0f} KiB of memory each ({max(kib)} at most), {min(steps):.0f} to {max(steps):.0f} "
              f"decisions a second; their telemetry at one broker: {sum(beside) / COUNT:.2f} %, {sum(beside_kib) / COUNT:.0f} KiB each",
              flush=True)
        self.assertLess(max(kib), 40 * 1024)
        self.assertEqual([s.status()["guard"]["overruns"] for s in stations], [0] * COUNT)

        # Each under its own id, and a command for one is for that one.
        seen = subprocess.run(["mosquitto_sub", "-p", str(broker.port), "-v", "-t", "homie/5/+/$state", "-C", str(COUNT), "-W", "20"],
                              capture_output=True, text=True, timeout=60).stdout.split("\n")
        self.assertEqual(sorted(line for line in seen if line),
                         sorted(f"homie/5/hilltop-{n}/$state ready" for n in range(1, COUNT + 1)))
        subprocess.run(["mosquitto_pub", "-p", str(broker.port), "-t", "homie/5/hilltop-7/permit/hold/set", "-m", "hold"],
                       check=True, timeout=60)
        stations[6].wait_inhibit()
        for station in stations:
            self.assertEqual(station.permits(), station is not stations[6])
        for station in stations:
            self.assertEqual(station.stop(), 0)


if __name__ == "__main__":
    unittest.main(verbosity=2)
