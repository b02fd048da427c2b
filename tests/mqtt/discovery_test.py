"""The amplifier as a home dashboard finds it, with no typing: a reader of the open form "MQTT device discovery", written from
its public description alone, at a real broker, beside the real guard and telemetry.

Source of every rule here: https://www.home-assistant.io/integrations/mqtt/ ("Discovery messages and availability", "Device
discovery payload", "Using availability topics"), and https://www.home-assistant.io/integrations/{sensor,binary_sensor,button}.mqtt/
and .../integrations/sensor/#device-class for what each kind takes. Read on 2026-11-28 as stored copies; that a payload of None is an unknown
state and an empty one no news, and that a component with its platform alone is taken away, is from memory of the same pages.
"""
import json
import math
import os
import pathlib
import re
import signal
import sys
import threading
import time
import unittest

import paho.mqtt.client as mqtt
from jinja2.sandbox import SandboxedEnvironment

sys.path.insert(0, str(pathlib.Path(os.environ["DEKEYD_SOURCE_DIR"]) / "tests" / "integration"))
from station import CONFIGURATION, Broker, StationTest, wait_for  # noqa: E402

PREFIX = "house/discovery"
SLOWEST_S = 2
BUSY_S = 2.0  # what a machine that does much else may add
KEEP_ALIVE_S = 10  # the client's; a broker waits for one and a half times that (MQTT 3.1.1, 3.1.2.10)
EXTRA = f"mqtt: {{{{host: 127.0.0.1, port: {{port}}, slowest: {SLOWEST_S} s, discovery_prefix: {{prefix}}{{more}}}}}}\n"

# The units of the form's device classes, as far as an amplifier may have them; its list has many more.
CLASS_UNITS = {"temperature": {"°C", "°F", "K"}, "power": {"mW", "W", "kW", "MW", "GW", "TW"}, "voltage": {"V", "mV", "µV", "kV", "MV"},
               "current": {"A", "mA"}, "duration": {"d", "h", "min", "s", "ms", "µs"}, "signal_strength": {"dB", "dBm"},
               "frequency": {"Hz", "kHz", "MHz", "GHz"}, "power_factor": {None, "%"}}
STATE_CLASSES = {"measurement", "total", "total_increasing"}
KNOWN = {"platform", "unique_id", "name", "state_topic", "value_template", "unit_of_measurement", "device_class", "state_class", "options",
         "expire_after", "entity_category", "enabled_by_default", "availability", "availability_mode", "payload_on", "payload_off",
         "command_topic", "payload_press", "retain", "qos"}
TEMPLATES = SandboxedEnvironment()
UNKNOWN = "unknown"


def render(template, payload):
    return payload if template is None else TEMPLATES.from_string(template).render(value=payload)


class Entity:
    """One component, with what the shared part of its document gives it."""

    def __init__(self, key, component, shared):
        self.key, self.config = key, {**{k: shared[k] for k in ("availability", "availability_mode", "qos") if k in shared}, **component}
        self.platform = component["platform"]
        self.state = UNKNOWN
        self.heard_at = None
        self.online = {}

    def topics(self):
        return [place["topic"] for place in self.config.get("availability", [])] + [self.config[k] for k in ("state_topic",) if k in self.config]

    def hear(self, topic, payload):
        for index, place in enumerate(self.config.get("availability", [])):
            if place["topic"] == topic:
                said = render(place.get("value_template"), payload)
                if said == place.get("payload_available", "online"):
                    self.online[index] = self.online["latest"] = True
                elif said == place.get("payload_not_available", "offline"):
                    self.online[index] = self.online["latest"] = False
        if topic == self.config.get("state_topic"):
            self.take(render(self.config.get("value_template"), payload))

    def take(self, said):
        if self.platform == "binary_sensor":
            states = {self.config.get("payload_on", "ON"): "on", self.config.get("payload_off", "OFF"): "off", "None": UNKNOWN}
            if said == "":
                return
            assert said in states, f"{self.key}: {said!r} is neither on nor off"
            self.state = states[said]
        else:
            numeric = {"unit_of_measurement", "state_class"} & self.config.keys() or self.config.get("device_class") not in (None, "enum")
            if said == "" and numeric:
                return  # "an empty value is ignored": what is shown would be old
            if said == "None":
                self.state = UNKNOWN
            elif numeric:
                assert math.isfinite(float(said)), f"{self.key}: {said!r} is no number"
                self.state = float(said)
            else:
                assert len(said) <= 255, f"{self.key}: {len(said)} characters"
                if self.config.get("device_class") == "enum":
                    assert said in self.config["options"], f"{self.key}: {said!r} is none of its options"
                self.state = said
        self.heard_at = time.monotonic()

    def available(self):
        places = self.config.get("availability", [])
        answers = [self.online.get(i, False) for i in range(len(places))]
        mode = self.config.get("availability_mode", "latest")
        said = {"all": all(answers), "any": any(answers), "latest": self.online.get("latest", not places)}[mode]
        age = self.config.get("expire_after")
        fresh = not age or (self.heard_at is not None and time.monotonic() - self.heard_at <= age)
        return said and fresh

    def shows(self):
        return self.state if self.available() else "unavailable"


class Dashboard:
    """Whatever it finds below the prefix, it shows."""

    def __init__(self, port, prefix=PREFIX):
        self.prefix, self.entities, self.documents, self.trouble, self.retained = prefix, {}, {}, [], {}
        self.lock = threading.RLock()
        self.history = []
        self.client = mqtt.Client()
        self.client.on_message = self.hear
        self.client.connect("127.0.0.1", port)
        self.client.subscribe(prefix + "/device/+/config", 1)
        self.client.loop_start()

    def hear(self, _client, _data, message):
        with self.lock:
            try:
                payload = message.payload.decode()
                if message.topic.startswith(self.prefix + "/device/"):
                    self.find(message.topic, payload)
                    return
                self.retained[message.topic] = payload
                for entity in self.entities.values():
                    if message.topic in entity.topics():
                        entity.hear(message.topic, payload)
                        self.history.append((time.monotonic(), entity.key, entity.shows()))
            except Exception as trouble:  # the client's thread would end silently
                self.trouble.append(repr(trouble))

    def find(self, topic, payload):
        if payload == "":
            self.documents.pop(topic, None)
            self.entities = {}
            return
        document = self.documents[topic] = json.loads(payload)
        for key, component in document["components"].items():
            if set(component) == {"platform"}:
                self.entities.pop(key, None)
            elif key not in self.entities or self.entities[key].config != Entity(key, component, document).config:
                self.entities[key] = Entity(key, component, document)
        for wanted in sorted({t for entity in self.entities.values() for t in entity.topics()}):
            self.client.subscribe(wanted, 1)

    def shows(self, key):
        with self.lock:
            if self.trouble:
                raise AssertionError(self.trouble)
            return self.entities[key].shows() if key in self.entities else "no such entity"

    def press(self, key):
        with self.lock:
            config = self.entities[key].config
        self.client.publish(config["command_topic"], config.get("payload_press", "PRESS"), config.get("qos", 0), config.get("retain", False))

    def close(self):
        self.client.loop_stop()
        self.client.disconnect()


class Discovery(StationTest):
    def configure(self, prefix=PREFIX, more="", configuration=CONFIGURATION):
        extra = EXTRA.format(port=self.broker.port, prefix=prefix, more=more)
        if prefix is None:
            extra = re.sub(", discovery_prefix: None", "", extra)
        self.at_station.configure(configuration, extra)

    def begin(self, more=""):
        self.at_station = self.station()
        self.broker = Broker(self.at_station.top).start()
        self.addCleanup(self.broker.stop)
        self.configure(more=more)
        self.at_station.start()
        self.at_station.reset()
        self.at_station.wait_permit()
        dashboard = self.dashboard()
        wait_for(lambda: dashboard.shows("permit-permit") == "on", "the permit, shown", 60)
        return self.at_station, dashboard

    def dashboard(self, prefix=PREFIX):
        made = Dashboard(self.broker.port, prefix)
        self.addCleanup(made.close)
        return made

    def of_state(self, dashboard):
        return [key for key, entity in dashboard.entities.items() if "state_topic" in entity.config]

    def test_the_document_is_what_the_form_describes(self):
        _, dashboard = self.begin(", remote_release: yes, remote_reset: yes")
        (topic, document), = dashboard.documents.items()
        self.assertRegex(topic, rf"^{PREFIX}/device/[a-zA-Z0-9_-]+/config$")
        self.assertTrue(document["device"]["identifiers"])
        self.assertTrue(document["device"]["name"])
        self.assertTrue(document["origin"]["name"])
        self.assertEqual([c["unique_id"] for c in document["components"].values()].count(None), 0)
        ids = [c["unique_id"] for c in document["components"].values()]
        self.assertEqual(len(ids), len(set(ids)), "unique")
        names = [(c["platform"], c["name"]) for c in document["components"].values()]
        self.assertEqual(len(names), len(set(names)), "two entities of one name can't be told apart")
        shown = 0
        for key, one in document["components"].items():
            with self.subTest(key):
                self.assertRegex(key, r"^[a-zA-Z0-9_-]+$")
                self.assertEqual(set(one) - KNOWN, set(), "keys that the form doesn't have")
                self.assertIn(one["platform"], {"sensor", "binary_sensor", "button"})
                self.assertIn("command_topic" if one["platform"] == "button" else "state_topic", one)
                self.assertIn(one.get("entity_category"), {None, "diagnostic"})
                shown += "entity_category" not in one
                if one["platform"] == "sensor":
                    self.judge_sensor(one)
                if one["platform"] == "binary_sensor":
                    self.assertIn(one.get("device_class"), {None, "problem"})
                if one["platform"] != "button":
                    self.assertGreater(one["expire_after"], 0)
        self.assertEqual({key for key, one in document["components"].items() if one["platform"] == "button"},
                         {"permit-hold", "permit-release", "permit-reset"})
        self.assertLess(shown, 30, "a few are shown, the rest is diagnostic")
        print(f"{len(document['components'])} components, {shown} of them in front, {len(json.dumps(document))} bytes", flush=True)

    def judge_sensor(self, one):
        kind, unit = one.get("device_class"), one.get("unit_of_measurement")
        if kind == "enum":
            self.assertTrue(one["options"])
            self.assertEqual({"state_class", "unit_of_measurement"} & one.keys(), set())
        elif kind is not None:
            self.assertIn(unit, CLASS_UNITS[kind])
        if "state_class" in one:
            self.assertIn(one["state_class"], STATE_CLASSES)

    def test_each_topic_is_there_and_what_it_says_fits(self):
        station, dashboard = self.begin()
        station.set(heatsink=41.0)
        wait_for(lambda: dashboard.shows("measurements-heatsink") == 41.0, "the heatsink")
        # What isn't measured without RF has no topic now; all else has a payload, retained.
        late = self.dashboard()
        wait_for(lambda: late.shows("measurements-heatsink") == 41.0, "what is retained")
        time.sleep(1)  # the rest of what is retained comes in one go
        for key in self.of_state(late):
            entity = late.entities[key]
            if entity.config["state_topic"] not in late.retained:
                self.assertTrue(key.startswith("measurements-"), f"{key}: no payload")
                self.assertEqual(late.shows(key), "unavailable", key)
            elif key not in ("measurements-vswr",):
                self.assertNotEqual(late.shows(key), "unavailable", key)
        self.assertEqual(late.shows("permit-state"), "permitted")
        self.assertEqual(late.shows("measurements-supply"), 28.0)
        self.assertEqual(late.shows("measurements-vswr"), "unavailable")
        self.assertEqual(late.shows("hazards-heat"), "off")
        station.set(heatsink=80.0)
        wait_for(lambda: dashboard.shows("hazards-heat") == "on" and dashboard.shows("permit-permit") == "off", "a problem, and no permit")
        self.assertEqual(dashboard.shows("hazards-supply"), "off")

    def test_what_is_not_known_is_not_shown(self):
        station, dashboard = self.begin()
        wait_for(lambda: dashboard.shows("measurements-heatsink") == 30.0, "the heatsink")
        station.files["heatsink"].unlink()
        wait_for(lambda: dashboard.shows("measurements-heatsink") in ("unavailable", UNKNOWN), "no old number")
        wait_for(lambda: dashboard.shows("hazards-sensors") == "on" and dashboard.shows("permit-permit") == "off", "a problem of sensors")
        with dashboard.lock:
            entity = dashboard.entities["measurements-heatsink"]
            self.assertEqual(entity.state, UNKNOWN, "and behind its availability there is no old number either")
        self.assertEqual(self.settled(self.dashboard(), "measurements-heatsink"), "unavailable")
        station.restore("heatsink")
        wait_for(lambda: dashboard.shows("measurements-heatsink") == 30.0, "again")

    def settled(self, dashboard, key):
        wait_for(lambda: dashboard.shows("permit-permit") != "no such entity", "found", 10)
        time.sleep(1)
        return dashboard.shows(key)

    def test_the_buttons_do_what_they_say(self):
        station, dashboard = self.begin(", remote_release: yes")
        dashboard.press("permit-hold")
        station.wait_inhibit()
        wait_for(lambda: dashboard.shows("permit-held") == "remote" and "home dashboard" in dashboard.shows("permit-holds"), "its reason")
        self.assertNotIn("permit-reset", dashboard.entities, "not from the network unless the configuration says so")
        dashboard.press("permit-release")
        station.wait_permit()
        wait_for(lambda: dashboard.shows("permit-permit") == "on", "shown")

    def test_a_dead_guard_makes_all_unavailable(self):
        station, dashboard = self.begin()
        killed = time.monotonic()
        station.stop(signal.SIGKILL)
        keys = self.of_state(dashboard)
        wait_for(lambda: {dashboard.shows(key) for key in keys} == {"unavailable"}, "all of it", 10)
        took = time.monotonic() - killed
        print(f"unavailable {took:.2f} s after the guard's death", flush=True)
        self.assertLess(took, 1.0 + BUSY_S)
        late = self.dashboard()
        self.assertEqual(self.settled(late, "permit-permit"), "unavailable")
        self.assertNotIn("on", [state for _, key, state in late.history if key == "permit-permit"])

    def test_a_dead_telemetry_leaves_no_old_permit(self):
        station, dashboard = self.begin()
        station.stop_telemetry(signal.SIGKILL)
        wait_for(lambda: dashboard.shows("permit-permit") != "on", "no permit", 1.5 * KEEP_ALIVE_S)
        late = self.dashboard()
        wait_for(lambda: dashboard.shows("permit-permit") == "unavailable", "and then nothing at all", 30)
        self.assertNotIn("on", [state for _, key, state in late.history if key == "permit-permit"])
        front = [key for key in self.of_state(dashboard) if "entity_category" not in dashboard.entities[key].config]
        wait_for(lambda: {dashboard.shows(key) for key in front} == {"unavailable"}, "the rest of the front", 30)
        wait_for(lambda: {dashboard.shows(key) for key in self.of_state(dashboard)} == {"unavailable"}, "all", 90)
        station.start_telemetry()
        wait_for(lambda: dashboard.shows("permit-permit") == "on", "again", 60)

    def restart(self, **changes):
        station = self.at_station
        self.assertEqual(station.stop_telemetry(), 0)
        station.stop()
        self.configure(**changes)
        station.start()

    def everything(self):
        """All documents that a newcomer finds, wherever they lie."""
        heard = {}
        client = mqtt.Client()
        client.on_message = lambda _c, _d, message: heard.update({message.topic: message.payload})
        client.connect("127.0.0.1", self.broker.port)
        client.subscribe("#", 1)
        client.loop_start()
        wait_for(lambda: any(topic.startswith("homie/") for topic in heard), "what is retained")
        time.sleep(0.5)
        client.loop_stop()
        client.disconnect()
        return {topic for topic in heard if topic.endswith("/config")}

    def test_it_goes_when_it_is_switched_off_or_moves(self):
        _, dashboard = self.begin()
        here, there = f"{PREFIX}/device/hilltop-23cm/config", "other/device/hilltop-23cm/config"
        self.assertEqual(self.everything(), {here})
        self.restart(prefix="other")
        wait_for(lambda: self.everything() == {there}, "another prefix", 30)
        wait_for(lambda: dashboard.documents == {}, "told to the one that had it")
        other = CONFIGURATION.replace("id: hilltop-23cm", "id: hilltop-13cm")
        self.assertNotEqual(other, CONFIGURATION)
        self.restart(prefix="other", configuration=other)
        wait_for(lambda: self.everything() == {there.replace("23", "13")}, "another id", 30)
        self.restart(prefix=None, configuration=other)
        wait_for(lambda: self.everything() == set(), "switched off", 30)

    def test_what_the_configuration_loses_the_dashboard_loses(self):
        _, dashboard = self.begin()
        self.assertIn("limits-fan", dashboard.entities)
        without = "".join(line for line in CONFIGURATION.splitlines(True) if not line.startswith("  fan: {watch"))
        self.restart(configuration=without)
        wait_for(lambda: "limits-fan" not in dashboard.entities, "gone", 30)
        self.assertIn("limits-drive", dashboard.entities)


if __name__ == "__main__":
    unittest.main(verbosity=2)
