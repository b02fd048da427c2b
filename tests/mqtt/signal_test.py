"""A receiver's numbers by MQTT: good, bad, stale, garbage, huge, retained, a flood of them. The properties tell each; line and
guard are the same throughout. The real guard and telemetry, at a real broker."""
import os
import pathlib
import sys
import tempfile
import threading
import time
import unittest

import paho.mqtt.client as mqtt

sys.path.insert(0, str(pathlib.Path(os.environ["DEKEYD_SOURCE_DIR"]) / "tests" / "integration"))
from station import CONFIGURATION, DETECTOR, Broker, StationTest, wait_for  # noqa: E402

DEVICE = "homie/5/hilltop-23cm"
SHOULDERS, RATIO = "receiver/shoulders", "receiver/mer"
ALLOWED_AGE_S = 4
# The ages are wide: what is tested here isn't how late a full machine is.
PATIENT = CONFIGURATION.replace("DETECTOR", DETECTOR).replace("allowed_age: 100 ms", "allowed_age: 20 s")
MQTT = "mqtt: {{host: 127.0.0.1, port: {port}, fastest: 100 ms}}\n"
SIGNAL = f"""signal:
  shoulder_attenuation: {{topic: {SHOULDERS}, warn_below: 40 dB, allowed_age: {ALLOWED_AGE_S} s}}
  modulation_error_ratio: {{topic: {RATIO}, warn_below: 20 dB, allowed_age: 1 h}}
"""
STARVED_S = 60.0  # of waits for what goes through five programs
NAMES = {"state": "shoulder-attenuation-state", "number": "shoulder-attenuation", "warning": "warning", "clean": "clean",
         "ratio_state": "modulation-error-ratio-state"}
KEYED = {"drive": 1.6, "forward": 100.0, "reflected": 0.5, "current": 7.0}
GARBAGE = (b"", b"nan", b"NaN", b"inf", b"-inf", b"42 dB", b" 42", b"42\n", b"4e1", b"0x2a", b"+42", b"42,5", b"999", b"-21", b"1e308", b"\xff\xfe",
           b"42\x00", b"{}", b"true", b"42" * 100, b"4" * 1_000_000)


class Station:
    """Publishes as the receiver, and reads as a dashboard."""

    def __init__(self, port):
        self.heard = []
        self.client = mqtt.Client()
        self.client.on_message = lambda _client, _data, message: self.heard.append((time.monotonic(), message.topic, message.payload.decode()))
        self.client.on_connect = lambda client, *_: client.subscribe(DEVICE + "/#", 1)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def say(self, payload, topic=SHOULDERS, retain=False, qos=1):
        self.client.publish(topic, payload, qos, retain).wait_for_publish(STARVED_S)

    def last(self, name):
        return next((payload for _, topic, payload in reversed(list(self.heard)) if topic == f"{DEVICE}/{name}"), None)

    def wait(self, name, *values):
        wait_for(lambda: self.last(name) in values, f"{name} is one of {values}", STARVED_S)

    def tells(self, what, **values):
        """Says it again and again, as a receiver does, until all is told: of a guard that was starved for a moment nothing is
        known, and what comes meanwhile is of no transmission."""
        def told():
            what()
            until = time.monotonic() + 1
            while time.monotonic() < until:
                if all((self.last(f"signal/{NAMES[name]}") or "").startswith(value) and (value or not self.last(f"signal/{NAMES[name]}"))
                       for name, value in values.items()):
                    return True
                time.sleep(0.01)
            return False
        wait_for(told, f"{values}", STARVED_S)

    def close(self):
        self.client.loop_stop()
        self.client.disconnect()


class LineWatch:
    """Every text that the line had, as often as it can be read, and every event of the guard's."""

    def __init__(self, station):
        self.station, self.lines, self.events, self.over = station, set(), [], False
        self.feed = station.watch()
        self.threads = [threading.Thread(target=work, daemon=True) for work in (self.look, self.follow)]
        for thread in self.threads:
            thread.start()

    def look(self):
        while not self.over:
            self.lines.add(self.station.line_text())
            time.sleep(0.005)

    def follow(self):
        while not self.over:
            event = self.feed.receive().get("event")
            if event:
                self.events.append(event["text"])

    def close(self):
        if not self.over:
            self.over = True
            for thread in self.threads:
                thread.join()
            self.feed.close()


def as_it_decides(status):
    """What the guard has decided, and by what; without what RF changes by itself."""
    same = ("permit", "state", "reason", "line", "causes", "holds", "memory", "rf_present", "monitor_only", "contactor_closed")
    limits = [(one["id"], one["active"], one["warning"], one["trip"]) for one in status["limits"]]
    return {key: status[key] for key in same}, limits


class Signal(StationTest):
    def begin(self, signal=SIGNAL, log=None):
        station = self.station()
        broker = Broker(station.top)
        if log:
            broker.file.write_text(broker.file.read_text() + f"log_dest file {log}\nlog_type subscribe\n")
        broker.start()
        self.addCleanup(broker.stop)
        station.configure(PATIENT, extra=MQTT.format(port=broker.port) + signal)
        station.start_permitted()
        receiver = wait_for(lambda: self.connected(broker.port), "the broker")
        receiver.wait("$state", "ready")
        return station, broker, receiver

    def connected(self, port):
        try:
            receiver = Station(port)
        except OSError:
            return None
        self.addCleanup(receiver.close)
        return receiver

    def key(self, station):
        station.set(**KEYED)
        wait_for(lambda: station.status()["rf_present"], "RF")

    def listens(self, receiver):
        """Until the subscription stands, a number that is said is heard by nobody."""
        receiver.tells(lambda: receiver.say("42"), state="not of this transmission", number="42.0")
        receiver.tells(lambda: receiver.say("42", RATIO), ratio_state="not of this transmission")

    def test_the_line_and_the_guard_never_know_of_it(self):
        station, _broker, receiver = self.begin()
        receiver.wait("signal/shoulder-attenuation-state", "awaited")
        self.assertTrue(receiver.last("signal/clean").startswith("Not transmitting: "))
        self.listens(receiver)
        receiver.tells(lambda: receiver.say("5"), state="not of this transmission", number="5.0", warning="false", clean="Not transmitting: ")
        self.key(station)
        before = as_it_decides(station.status())
        self.assertTrue(before[0]["permit"])
        watch = LineWatch(station)
        self.addCleanup(watch.close)

        def tells(payload, state, number, warning, clean, retain=False, after=None):
            def say():
                if after:
                    receiver.say(after)
                    receiver.wait("signal/shoulder-attenuation", f"{float(after):.1f}", "")
                receiver.say(payload, retain=retain)
            receiver.tells(say, state=state, number=number, warning=warning, clean=clean)
            self.assertEqual(as_it_decides(station.status()), before, f"{payload!r}")

        # What came before the transmission isn't of it, and then nothing more comes.
        receiver.tells(lambda: receiver.say("25", RATIO), ratio_state="good", clean="Known in part. ")
        receiver.wait("signal/shoulder-attenuation-state", "stale")
        receiver.wait("signal/shoulder-attenuation", "")

        alert = "$alert/signal-shoulder-attenuation"
        tells("42.34", "good", "42.3", "false", "Clean by both measurements. Shoulder attenuation 42.0 dB")
        tells("40", "good", "40.0", "false", "Clean by both measurements. Shoulder attenuation 40.0 dB")
        self.assertIn(receiver.last(alert), (None, ""))
        tells("39.9", "good", "39.9", "true", "Not clean. Shoulder attenuation 39.5 dB, below 40 dB")
        wait_for(lambda: (receiver.last(alert) or "").startswith("The signal is not clean: "), "the alert", STARVED_S)
        tells("40.9", "good", "40.9", "true", "Not clean. Shoulder attenuation 40.5 dB, was below 40 dB", after="39")
        tells("41", "good", "41.0", "false", "Clean by both measurements. ")
        receiver.wait(alert, "")
        tells("-20", "good", "-20.0", "true", "Not clean. ")

        receiver.wait("signal/shoulder-attenuation-state", "stale")
        receiver.wait("signal/shoulder-attenuation", "")
        receiver.wait("signal/warning", "false")
        receiver.wait(alert, "")
        receiver.tells(lambda: None, clean="Known in part. Shoulder attenuation: nothing has come from receiver/shoulders for more than ")

        for payload in GARBAGE:
            tells("42", "good", "42.0", "false", "Clean by both measurements. ")
            tells(payload, "unreadable", "", "false", "Known in part. ")

        # Where the telemetry finds one at the broker, nothing tells how old it is. To those who listen already it is new.
        tells("38", "good", "38.0", "true", "Not clean. ", retain=True)
        station.stop_telemetry()
        receiver.wait("$state", "disconnected")
        station.start_telemetry()
        receiver.wait("$state", "ready")
        receiver.tells(lambda: None, state="of unknown age", number="", warning="false",
                       clean="Not known by measurement. Shoulder attenuation: 38.0 dB of unknown age at receiver/shoulders")
        receiver.say("", retain=True)
        self.assertEqual(as_it_decides(station.status()), before)

        receiver.tells(lambda: receiver.say("25", RATIO), ratio_state="good")
        tells("42", "good", "42.0", "false", "Clean by both measurements. ")
        for i in range(20_000):
            receiver.client.publish(SHOULDERS, ("42", "3", "nan", "1" * 1000)[i % 4], 0)
        tells("38", "good", "38.0", "true", "Not clean. ")

        watch.close()
        self.assertEqual(watch.lines, {b"1\n"})
        self.assertEqual(watch.events, [])

    def test_a_broker_that_is_gone_leaves_nothing_good(self):
        station, broker, receiver = self.begin()
        self.listens(receiver)
        self.key(station)
        before = as_it_decides(station.status())
        receiver.tells(lambda: receiver.say("38"), warning="true")
        broker.stop()
        time.sleep(ALLOWED_AGE_S + 0.5)  # not for luck: an age has to pass
        self.assertEqual(as_it_decides(station.status()), before)
        broker.start()
        back = wait_for(lambda: self.connected(broker.port), "the broker")
        back.wait("$state", "ready")
        back.wait("signal/shoulder-attenuation-state", "stale")
        self.assertIn(back.last("signal/shoulder-attenuation"), (None, ""))
        self.assertEqual(back.last("signal/warning"), "false")
        back.tells(lambda: back.say("42"), state="good", number="42.0")  # it is listened to again
        self.assertEqual(as_it_decides(station.status()), before)
        self.assertTrue(station.permits())

    def test_a_flood_of_it_keeps_no_command_out_and_no_event_back(self):
        station, _broker, receiver = self.begin()
        self.listens(receiver)
        over = threading.Event()

        def flood():
            other = mqtt.Client()
            other.connect("127.0.0.1", receiver.client._port)
            other.loop_start()
            while not over.is_set():
                for _ in range(1000):
                    other.publish(SHOULDERS, "4" * 200, 0)
                time.sleep(0.01)  # what it has is sent meanwhile
            other.loop_stop()

        thread = threading.Thread(target=flood, daemon=True)
        thread.start()
        try:
            receiver.wait("signal/shoulder-attenuation-state", "unreadable")
            receiver.say("a flood", f"{DEVICE}/permit/hold/set")
            station.wait_state("held")
            receiver.wait("permit/state", "held")
            station.ask({"ask": "release"})
            receiver.wait("permit/state", "permitted")
        finally:
            over.set()
            thread.join()
        self.assertNotIn("messages come too fast", station.log_text())

    def subscriptions(self, signal):
        log = pathlib.Path(self.enterContext(tempfile.TemporaryDirectory())) / "broker.log"
        log.parent.chmod(0o777)  # mosquitto writes it as a user of its own
        _station, _broker, receiver = self.begin(signal, log)
        if signal:
            self.listens(receiver)
        else:
            receiver.wait("signal/clean", "Not transmitting: a number that is received says nothing of this amplifier now.")
        lines = [line.split(": ", 1)[-1].split() for line in log.read_text().splitlines()]
        return {(words[2], words[1]) for words in lines if len(words) == 3 and words[0].startswith("dekeyd")}

    def test_what_it_asks_the_broker_for(self):
        own = {(f"{DEVICE}/+/+/set", "1"), (f"{DEVICE}/+/+", "0")}
        without = self.subscriptions("")
        past = {one for one in without if one[0].startswith("dekeyd/hilltop-23cm/history/")}
        self.assertEqual(without - past, own)
        self.assertEqual({(topic, qos) for topic, qos in self.subscriptions(SIGNAL) if not topic.startswith("dekeyd/")},
                         own | {(SHOULDERS, "0"), (RATIO, "0")})


if __name__ == "__main__":
    unittest.main(verbosity=2)
