"""What a plain reader of `permit/permit` sees when the guard or the telemetry dies, hangs or is stopped: never a permit that
nobody guards."""
import os
import pathlib
import signal
import subprocess
import sys
import threading
import time
import unittest

sys.path.insert(0, str(pathlib.Path(os.environ["DEKEYD_SOURCE_DIR"]) / "tests" / "integration"))
from station import Broker, StationTest, wait_for  # noqa: E402

DEVICE = "homie/5/hilltop-23cm"
PERMIT, STATE = f"{DEVICE}/permit/permit", f"{DEVICE}/$state"
BUSY_S = 1.0  # what a machine that does much else may add
KEEP_ALIVE_S = 10  # the client's; a broker waits for one and a half times that (MQTT 3.1.1, 3.1.2.10)


class Reader:
    """A dashboard that knows topics alone."""

    def __init__(self, port):
        self.heard = []
        self.process = subprocess.Popen(["mosquitto_sub", "-p", str(port), "-q", "1", "-v", "-t", PERMIT, "-t", STATE],
                                        stdout=subprocess.PIPE, text=True)
        threading.Thread(target=self.read, daemon=True).start()

    def read(self):
        for line in self.process.stdout:
            self.heard.append((time.monotonic(), *line.split()))

    def of(self, topic, since=0.0):
        return [value for at, where, value in list(self.heard) if where == topic and at >= since]

    def last(self, topic):
        return (self.of(topic) or [None])[-1]

    def close(self):
        self.process.kill()
        self.process.wait()
        self.process.stdout.close()


class Death(StationTest):
    def begin(self):
        station = self.station()
        broker = Broker(station.top).start()
        self.addCleanup(broker.stop)
        station.configure(extra=f"mqtt: {{host: 127.0.0.1, port: {broker.port}}}\n")
        station.start()
        station.reset()
        station.wait_permit()
        reader = self.reader(broker)
        wait_for(lambda: reader.last(PERMIT) == "true", "true at the broker", 60)
        wait_for(lambda: reader.last(STATE) == "ready", "ready", 60)
        return station, broker, reader

    def reader(self, broker):
        reader = Reader(broker.port)
        self.addCleanup(reader.close)
        return reader

    def newcomer_reads(self, broker, value):
        late = self.reader(broker)
        wait_for(lambda: late.last(PERMIT) is not None, "what is retained")
        self.assertEqual(late.of(PERMIT), [value])

    def says_lost(self, reader, broker, since):
        """Of a dead guard the telemetry says so: within a second, and some for a busy machine."""
        wait_for(lambda: reader.last(PERMIT) == "false" and reader.last(STATE) == "lost", "false and lost", 10)
        took = next(at for at, topic, value in reader.heard if topic == PERMIT and value == "false" and at > since) - since
        self.newcomer_reads(broker, "false")
        print(f"{self.id().rpartition('.')[2]}: false {1000 * took:.0f} ms after", flush=True)
        self.assertLess(took, 1.0 + BUSY_S)

    def test_the_guard_is_killed(self):
        station, broker, reader = self.begin()
        began = time.monotonic()
        station.stop(signal.SIGKILL)
        self.says_lost(reader, broker, began)
        began = time.monotonic()
        station.start()
        station.ask({"ask": "hold"})
        wait_for(lambda: reader.of(STATE, began)[-1:] == ["ready"], "ready again", 60)
        self.assertEqual(set(reader.of(PERMIT, began)) - {"false"}, set(), "it inhibits")
        station.ask({"ask": "release"})
        station.reset()
        station.wait_permit()
        wait_for(lambda: reader.last(PERMIT) == "true", "permitted, and so it says")

    def test_the_guard_hangs(self):
        station, broker, reader = self.begin()
        began = time.monotonic()
        station.daemon.send_signal(signal.SIGSTOP)
        self.says_lost(reader, broker, began)
        station.daemon.send_signal(signal.SIGCONT)
        wait_for(lambda: reader.last(STATE) == "ready" and (reader.last(PERMIT) == "true") == station.permits(), "what is so", 60)

    def test_the_guard_is_stopped(self):
        station, broker, reader = self.begin()
        began = time.monotonic()
        self.assertEqual(station.stop(), 0)
        self.says_lost(reader, broker, began)

    def test_the_telemetry_is_killed(self):
        station, broker, reader = self.begin()
        station.stop_telemetry(signal.SIGKILL)
        wait_for(lambda: reader.last(PERMIT) == "false", "the broker says false in its stead", 1.5 * KEEP_ALIVE_S)
        self.newcomer_reads(broker, "false")
        self.assertTrue(station.permits(), "the amplifier transmits all the while")
        began = time.monotonic()
        station.start_telemetry()
        wait_for(lambda: reader.of(PERMIT, began)[-1:] == ["true"], "true again", 60)

    def test_the_telemetry_hangs_or_is_cut_off(self):
        """Nobody closes the connection: the broker's own patience has to end."""
        station, broker, reader = self.begin()
        station.telemetry.send_signal(signal.SIGSTOP)
        stopped = time.monotonic()
        wait_for(lambda: reader.last(PERMIT) == "false", "false once the keep-alive time has passed", 3 * KEEP_ALIVE_S)
        took = time.monotonic() - stopped
        self.newcomer_reads(broker, "false")
        self.assertTrue(station.permits(), "the amplifier transmits all the while")
        station.telemetry.send_signal(signal.SIGCONT)
        wait_for(lambda: reader.last(PERMIT) == "true" or not station.permits(), "what is so", 60)
        print(f"false {took:.1f} s after it hung", flush=True)

    def test_the_telemetry_is_stopped(self):
        station, broker, reader = self.begin()
        self.assertEqual(station.stop_telemetry(), 0)
        wait_for(lambda: reader.last(STATE) == "disconnected", "goodbye")
        self.assertEqual(reader.last(PERMIT), "false")
        self.newcomer_reads(broker, "false")
        self.assertTrue(station.permits(), "the amplifier transmits all the while")


if __name__ == "__main__":
    unittest.main(verbosity=2)
