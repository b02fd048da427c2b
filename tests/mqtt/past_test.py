"""What was measured before somebody came: the pieces of the past that the real telemetry leaves at a real broker, read as their
description in daemon/messages/thinned.hpp says, and compared with what the station was given at the time."""
import json
import math
import os
import pathlib
import signal
import sys
import threading
import time
import unittest

import paho.mqtt.client as mqtt

sys.path.insert(0, str(pathlib.Path(os.environ["DEKEYD_SOURCE_DIR"]) / "tests" / "integration"))
from station import Broker, StationTest, wait_for  # noqa: E402

TOPIC = "dekeyd/hilltop-23cm/history"
IDLE_BYTES_S = 300  # what all that is published may cost on an idle station


def bins(payload):
    """[(second, {id: (low, mean, high)})], unknown left out."""
    piece = json.loads(payload)
    made = [(piece["from"] + i * piece["step"], {}) for i in range(piece["n"])]
    for name, one in piece["series"].items():
        unit, mean = 10 ** one["d"], 0
        for i in range(piece["n"]):
            step, low, high = (one.get(k, [])[i] if i < len(one.get(k, [])) else 0 for k in "mlh")
            if step is None:
                continue
            mean += step
            made[i][1][name] = ((mean - low) / unit, mean / unit, (mean + high) / unit)
    return made


class Listener:
    def __init__(self, port, topic):
        self.heard, self.lock = [], threading.Lock()
        self.client = mqtt.Client()
        self.client.on_message = self.hear
        self.client.connect("127.0.0.1", port)
        self.client.subscribe(topic, 1)
        self.client.loop_start()

    def hear(self, _client, _data, message):
        with self.lock:
            self.heard.append((message.topic, message.payload, message.retain))

    def all(self):
        with self.lock:
            return list(self.heard)

    def seconds(self, level="hour"):
        """All bins, the newest word on each."""
        known = {}
        for topic, payload, _ in self.all():
            if topic.startswith(f"{TOPIC}/{level}/"):
                known.update(dict(bins(payload)))
        return known

    def close(self):
        self.client.loop_stop()
        self.client.disconnect()


class Past(StationTest):
    def begin(self):
        station = self.station()
        self.broker = Broker(station.top).start()
        self.addCleanup(self.broker.stop)
        station.configure(extra=f"mqtt: {{host: 127.0.0.1, port: {self.broker.port}}}\n")
        station.start()
        station.reset()
        station.wait_permit()
        return station

    def listener(self, topic=TOPIC + "/#"):
        made = Listener(self.broker.port, topic)
        self.addCleanup(made.close)
        return made

    @staticmethod
    def early_in_a_minute():
        while time.time() % 60 > 12:
            time.sleep(0.2)

    def test_who_comes_late_finds_the_seconds_before(self):
        station = self.begin()
        self.early_in_a_minute()
        station.set(heatsink=42.0)
        warm = time.time()
        time.sleep(4)
        station.files["heatsink"].unlink()
        lost = time.time()
        time.sleep(4)
        first = self.listener()
        wait_for(lambda: any(second > lost + 3 for second in first.seconds()), "a piece with it", 40)
        late = self.listener()
        wait_for(lambda: late.all(), "what is retained")
        self.assertTrue(all(retained for _, _, retained in late.all()[:1]))
        known = late.seconds()

        def told(first, last):
            """The seconds that a busy machine left no reading of are not there, rather than wrong."""
            found = [known[s] for s in range(first, last) if s in known]
            self.assertTrue(found, f"nothing of {first} to {last}")
            return found

        self.assertEqual({s.get("heatsink") for s in told(math.ceil(warm) + 1, math.floor(lost) - 1)}, {(42.0, 42.0, 42.0)})
        self.assertEqual({s.get("heatsink") for s in told(math.ceil(lost) + 2, math.floor(lost) + 4)}, {None}, "unknown is unknown")
        self.assertEqual({s["supply"][1] for s in told(math.ceil(warm), math.floor(lost))}, {28.0})
        self.assertEqual({s["permit"][0] for s in told(math.ceil(warm), math.floor(lost) - 1)}, {1.0})
        self.assertEqual({s["permit"][2] for s in told(math.floor(lost) + 3, math.floor(lost) + 4)}, {0.0})

    def test_another_life_of_the_telemetry_goes_on_with_the_piece(self):
        station = self.begin()
        self.early_in_a_minute()
        listener = self.listener()
        before = wait_for(lambda: [s for s, values in listener.seconds().items() if "heatsink" in values], "a piece", 40)
        station.stop_telemetry(signal.SIGKILL)
        station.start_telemetry()
        wait_for(lambda: max(listener.seconds()) > max(before) + 8, "a piece of the new life", 60)
        late = self.listener()
        wait_for(lambda: late.all(), "what is retained")
        time.sleep(0.5)
        known = late.seconds()
        minute = max(before) // 60
        self.assertEqual([s for s in before if s // 60 == minute and "heatsink" not in known.get(s, {})], [], "it was there before")

    def test_a_capture_on_the_disk_comes_in_parts(self):
        station = self.begin()
        heard = self.listener("homie/5/hilltop-23cm/recorder/on-disk")
        answers = self.listener("dekeyd/hilltop-23cm/capture")
        wait_for(lambda: [p for _, p, _ in heard.all()] and json.loads(heard.all()[-1][1]) == [], "an empty list", 60)
        station.set(heatsink=80.0)
        station.wait_inhibit()
        station.set(heatsink=30.0)
        (listed,) = wait_for(lambda: json.loads(heard.all()[-1][1]), "the capture in the list", 60)
        file = station.state / "captures" / listed["name"]
        self.assertEqual(listed["size"], file.stat().st_size)
        self.assertIn("eatsink", listed["cause"])
        ask = lambda name: answers.client.publish("homie/5/hilltop-23cm/recorder/fetch/set", name, 1)
        ask(listed["name"])
        parts = lambda: [json.loads(p) for _, p, _ in answers.all()]
        wait_for(lambda: sum(len(part["text"].encode()) for part in parts()) >= listed["size"], "all of it", 60)
        self.assertEqual("".join(part["text"] for part in parts()).encode(), file.read_bytes())
        self.assertTrue(all(len(payload) < 80_000 for _, payload, _ in answers.all()), "bounded parts")
        self.assertFalse(any(retained for _, _, retained in answers.all()))
        print(f"{listed['size']} bytes in {len(parts())} parts", flush=True)
        ask("../../dekeyd.yaml")
        wait_for(lambda: "error" in parts()[-1], "no other file")
        self.assertEqual(parts()[-1]["text"], "")

    def test_it_costs_little(self):
        station = self.begin()
        everything = self.listener("#")
        until = time.time() + 65
        i = 0
        while time.time() < until:  # the noise of an idle station
            i += 1
            station.set(heatsink=30.0 + 0.0625 * (i % 3), supply=28.0 + 0.01 * (i % 4), current=0.5 + 0.01 * (i % 5))
            time.sleep(0.25)
        heard = [(t, p) for t, p, retained in everything.all() if not retained]
        past = sum(len(t) + len(p) for t, p in heard if t.startswith(TOPIC)) / 65
        rest = sum(len(t) + len(p) for t, p in heard if not t.startswith(TOPIC) and not t.endswith(("summary", "pulse"))) / 65
        print(f"idle: {past:.0f} bytes/s of the past, {rest:.0f} of all else but summary and pulse", flush=True)
        self.assertLess(past, IDLE_BYTES_S)


if __name__ == "__main__":
    unittest.main(verbosity=2)
