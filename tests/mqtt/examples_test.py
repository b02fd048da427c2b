"""config/examples/broker as it is installed, in real mosquitto processes: two brokers, their bridge, a real dekeyd.

Only paths, ports and host names are changed; certificates are made by the commands that site.conf gives.
"""
import json
import os
import pathlib
import pwd
import queue
import shlex
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import tempfile
import threading
import time
import unittest
import urllib.request

import paho.mqtt.client

SOURCE = pathlib.Path(os.environ["DEKEYD_SOURCE_DIR"])
sys.path.insert(0, str(SOURCE / "tests" / "integration"))
from station import Station, free_port, wait_for  # noqa: E402

MOSQUITTO = os.environ["MOSQUITTO"]
EXAMPLES = SOURCE / "config" / "examples" / "broker"
AMPLIFIER, OTHER = "hilltop-23cm", "hilltop-13cm"
WORDS = {AMPLIFIER: "word-1", OTHER: "word-2", "display": "word-3", "operator": "word-4",
         "site-hilltop": "the-word-of-site-hilltop", "site-lakeside": "word-6"}
CAP_S = 40.0
# mosquitto forgets to die with us when it changes its user itself, so it is started as another one.
USER = "nobody" if os.geteuid() == 0 else None


def run(*command, cwd=None):
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, f"{command}: {done.stderr}"


def recipe(folder, replaced, only=""):
    """The commands of site.conf, as somebody would type them."""
    for line in (EXAMPLES / "site.conf").read_text().splitlines():
        command = line.removeprefix("#   ")
        if not command.startswith(("openssl ", "echo ")) or only not in command:
            continue
        for old, new in replaced.items():
            command = command.replace(old, new)
        run("sh", "-c", command, cwd=folder)


class Client:
    """One who speaks to a broker with TLS; what it hears is kept in order."""

    def __init__(self, port, user=None, topics=(), word=None, transport="tcp"):
        self.heard, self.answer = [], queue.Queue()
        self.client = paho.mqtt.client.Client(client_id=f"test-{user}-{id(self)}", transport=transport)
        self.client.tls_set(ca_certs=str(World.ca))
        if user:
            self.client.username_pw_set(user, word or WORDS[user])
        self.client.on_connect = lambda *a: self.answer.put(a[3])
        self.client.on_message = lambda *a: self.heard.append((a[2].topic, a[2].payload.decode(), a[2].retain))
        taken = queue.Queue()
        self.client.on_subscribe = lambda *a: taken.put(a[3])
        self.client.connect("localhost", port, keepalive=30)
        self.client.loop_start()
        self.code = self.answer.get(timeout=CAP_S)  # MQTT 3.1.1, 3.2.2.3: 0 accepted, 4 bad user or password, 5 not authorised
        for topic in topics if self.code == 0 else ():
            self.client.subscribe(topic, 1)
            taken.get(timeout=CAP_S)

    def send(self, topic, payload, retain=False):
        self.client.publish(topic, payload, 1, retain).wait_for_publish(CAP_S)

    def of(self, topic):
        return [payload for at, payload, _ in list(self.heard) if at == topic]

    def last(self, topic):
        return (self.of(topic) or [None])[-1]

    def wait(self, topic, payload):
        wait_for(lambda: self.last(topic) == payload, f"'{payload}' on {topic}", CAP_S)

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


class Mosquitto:
    """Debian's main file, and the example where Debian's includes it."""

    def __init__(self, top, name):
        self.name, self.folder = name, top / name
        self.port, self.page_port = free_port(), free_port()
        self.process = None
        for part in ("conf.d", "dekeyd", "lib"):
            (self.folder / part).mkdir(parents=True)

    def configure(self, replaced=None):
        text = (EXAMPLES / f"{self.name}.conf").read_text()
        for old, new in {"/etc/mosquitto/dekeyd": str(self.folder / "dekeyd"), "/usr/share/dekeyd/page": str(World.page),
                         "listener 8883": f"listener {self.port}", "listener 8443": f"listener {self.page_port}",
                         **(replaced or {})}.items():
            assert old in text, old
            text = text.replace(old, new)
        (self.folder / "conf.d" / "dekeyd.conf").write_text(text)
        (self.folder / "mosquitto.conf").write_text(  # /etc/mosquitto/mosquitto.conf of Debian 12, but for the pid file
            f"persistence true\npersistence_location {self.folder}/lib/\nlog_dest stderr\nlog_type all\n"
            f"include_dir {self.folder}/conf.d\n")

    def start(self):
        if USER:
            account = pwd.getpwnam(USER)
            for path in (self.folder, *self.folder.rglob("*")):
                os.chown(path, account.pw_uid, account.pw_gid)
        with open(World.top / f"{self.name}.log", "ab") as log:
            self.process = subprocess.Popen([MOSQUITTO, "-c", str(self.folder / "mosquitto.conf")], user=USER,
                                            stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        wait_for(self.answers, f"{self.name}'s broker answers", CAP_S)

    def answers(self):
        assert self.process.poll() is None, f"mosquitto has ended:\n{self.log()}"
        try:
            socket.create_connection(("localhost", self.port), 5).close()
            return True
        except OSError:
            return False

    def stop(self):
        if self.process:
            self.process.send_signal(signal.SIGTERM)
            self.process.wait(CAP_S)
            self.process = None

    def log(self):
        return (World.top / f"{self.name}.log").read_text(errors="replace")


class World:
    """Made once for all tests."""

    @classmethod
    def make(cls):
        cls.top = pathlib.Path(tempfile.mkdtemp(prefix="dekeyd-examples-"))
        cls.top.chmod(0o711)  # the brokers' user reaches its own folders, and no more
        cls.page = cls.top / "page"
        cls.page.mkdir()
        (cls.page / "index.html").write_text("<!doctype html><title>the page</title>")
        cls.page.chmod(0o755)
        keys = cls.top / "keys"
        keys.mkdir()
        recipe(keys, {"hilltop.example.net": "localhost"})
        made = {"site.": "central.", "hilltop.example.net": "localhost"}
        recipe(keys, made, "site.")
        recipe(keys, {"site.": "wrong.", "hilltop.example.net": "elsewhere.example.net"}, "site.")
        cls.ca = keys / "ca.pem"
        cls.site, cls.central = Mosquitto(cls.top, "site"), Mosquitto(cls.top, "central")
        for broker in (cls.site, cls.central):
            place = broker.folder / "dekeyd"
            for name in (f"{broker.name}.pem", f"{broker.name}.key", "ca.pem"):
                shutil.copy(keys / name, place / name)
            shutil.copy(EXAMPLES / f"{broker.name}.acl", place)
            (place / "users").touch(0o600)
            for user, word in WORDS.items():
                run("mosquitto_passwd", "-b", "users", user, word, cwd=place)
        cls.keys = keys
        cls.central.configure()
        cls.site.configure({"address central.example.net:8883": f"address localhost:{cls.central.port}"})

    @classmethod
    def end(cls):
        for broker in (cls.site, cls.central):
            broker.stop()
        shutil.rmtree(cls.top)


class Examples(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        World.make()
        cls.addClassCleanup(World.end)
        World.central.start()
        World.site.start()
        cls.station = Station()
        cls.addClassCleanup(cls.station.close)
        cls.station.top.joinpath("word").write_text(WORDS[AMPLIFIER] + "\n")
        cls.configure()
        cls.station.start_permitted()
        wait_for(lambda: cls.station.status()["mqtt"]["connected"], "dekeyd reaches the site's broker", CAP_S)

    @classmethod
    def configure(cls, host="localhost"):
        """The mqtt section that site.conf gives."""
        lines = (EXAMPLES / "site.conf").read_text().splitlines()
        first = next(i for i, line in enumerate(lines) if line.startswith("#   mqtt: {"))
        section = "\n".join(line.removeprefix("#   ") for line in lines[first:first + 2]) + "\n"
        for old, new in {"host: hilltop.example.net": f"host: {host}", "8883": str(World.site.port),
                         "/etc/dekeyd/ca.pem": str(World.ca), "/etc/dekeyd/broker-password": f"{cls.station.top}/word",
                         "}": ", remote_release: yes, remote_reset: yes, discovery_prefix: homeassistant}"}.items():
            assert old in section, old
            section = section.replace(old, new)
        cls.station.configure(extra=section)

    def client(self, broker, user, *topics, **more):
        client = Client(broker.port, user, topics, **more)
        self.addCleanup(client.close)
        return client

    def release(self):
        """As it was, for the next test."""
        with self.station.client() as client:
            client.ask({"ask": "release", "reason": "test"})
        operator = self.client(World.site, "operator", f"homie/5/{AMPLIFIER}/permit/state")
        operator.send(f"homie/5/{AMPLIFIER}/permit/release/set", "release")
        operator.wait(f"homie/5/{AMPLIFIER}/permit/state", "permitted")

    def test_who_gives_no_name_or_a_wrong_word_is_refused(self):
        for broker in (World.site, World.central):
            self.assertEqual(self.client(broker, None).code, 5)
            self.assertIn(self.client(broker, "display", word="guessed").code, (4, 5))
            self.assertIn(self.client(broker, "stranger", word="guessed").code, (4, 5))
            self.assertEqual(self.client(broker, "display").code, 0)

    def test_the_broker_must_prove_its_name(self):
        # The right broker, dialled by a name that it hasn't proved (its certificate is for "localhost").
        context = ssl.create_default_context(cafile=str(World.ca))
        context.verify_flags |= ssl.VERIFY_X509_STRICT  # as Python does by itself from 3.13 on
        with socket.create_connection(("127.0.0.1", World.site.port), 10) as plain:
            with self.assertRaises(ssl.SSLCertVerificationError):
                context.wrap_socket(plain, server_hostname="127.0.0.1")
        self.assertEqual(self.station.stop_telemetry(), 0)
        self.assertEqual(self.station.stop(), 0)
        self.configure("127.0.0.1")
        self.station.start()
        self.station.wait_log("another name than the configured host")
        self.assertFalse(self.station.status()["mqtt"]["connected"])
        self.assertNotIn(WORDS[AMPLIFIER], self.station.log_text())
        self.station.wait_permit()  # guarded all the same
        self.assertEqual(self.station.stop_telemetry(), 0)
        self.assertEqual(self.station.stop(), 0)
        self.configure()
        self.station.start()
        wait_for(lambda: self.station.status()["mqtt"]["connected"], "connected again", CAP_S)
        self.station.wait_permit()

    def test_an_amplifier_writes_its_own_topics_only(self):
        display = self.client(World.site, "display", "homie/5/#", "dekeyd/#")
        other = self.client(World.site, OTHER, "homie/5/#")
        other.send(f"homie/5/{AMPLIFIER}/permit/permit", "true", retain=True)
        other.send(f"homie/5/{AMPLIFIER}/permit/hold/set", "hold")
        other.send(f"dekeyd/{AMPLIFIER}/event", "{}")
        other.send(f"homie/5/{OTHER}/permit/state", "last of these")
        display.wait(f"homie/5/{OTHER}/permit/state", "last of these")  # so all before it are decided
        self.assertEqual(display.of(f"homie/5/{AMPLIFIER}/permit/hold/set"), [])
        self.assertNotIn("{}", display.of(f"dekeyd/{AMPLIFIER}/event"))
        self.assertEqual(set(display.of(f"homie/5/{AMPLIFIER}/permit/state")), {"permitted"})
        self.assertEqual({topic.split("/")[2] for topic, _, _ in other.heard}, {OTHER})  # nor hears others
        self.assertTrue(self.station.permits())

    def test_a_display_may_hold_and_no_more(self):
        display = self.client(World.site, "display", f"homie/5/{AMPLIFIER}/#")
        watcher = self.client(World.site, AMPLIFIER, f"homie/5/{AMPLIFIER}/+/+/set")  # sees what reaches the amplifier
        for command in ("reset", "release"):
            display.send(f"homie/5/{AMPLIFIER}/permit/{command}/set", command)
        display.send(f"homie/5/{AMPLIFIER}/permit/permit", "false", retain=True)
        display.send(f"homie/5/{AMPLIFIER}/permit/hold/set", "hold")
        display.wait(f"homie/5/{AMPLIFIER}/permit/state", "held")
        self.station.wait_inhibit()
        self.assertEqual(watcher.heard, [(f"homie/5/{AMPLIFIER}/permit/hold/set", "hold", False)])
        display.send(f"homie/5/{AMPLIFIER}/permit/release/set", "release")
        display.send(f"homie/5/{AMPLIFIER}/permit/hold/set", "hold")
        wait_for(lambda: len(watcher.heard) == 2, "the second hold")
        self.assertEqual(watcher.heard[1][0], f"homie/5/{AMPLIFIER}/permit/hold/set")
        self.release()  # an operator's rule lets a release through

    def test_the_page_and_mqtt_come_by_one_port(self):
        context = ssl.create_default_context(cafile=str(World.ca))
        context.verify_flags |= ssl.VERIFY_X509_STRICT  # as Python does by itself from 3.13 on
        for broker in (World.site, World.central):
            with urllib.request.urlopen(f"https://localhost:{broker.page_port}/", timeout=20, context=context) as page:
                self.assertIn(b"the page", page.read())
            by_browser = Client(broker.page_port, "display", [f"homie/5/{AMPLIFIER}/$state"], transport="websockets")
            self.addCleanup(by_browser.close)
            by_browser.wait(f"homie/5/{AMPLIFIER}/$state", "ready")
            anonymous = Client(broker.page_port, transport="websockets")
            self.addCleanup(anonymous.close)
            self.assertEqual(anonymous.code, 5)

    def test_the_centre_sees_a_site_and_may_hold(self):
        here = self.client(World.site, "display", "homie/5/#")
        there = self.client(World.central, "display", "homie/5/#", "dekeyd/#")
        there.wait("dekeyd/sites/hilltop/link", "1")
        there.wait(f"homie/5/{AMPLIFIER}/$state", "ready")
        there.wait(f"homie/5/{AMPLIFIER}/permit/permit", "true")
        # Whole and unchanged: what is retained at the site is retained there.
        whole = self.client(World.site, "display", "homie/5/#", "homeassistant/#")
        whole.wait(f"homie/5/{AMPLIFIER}/$state", "ready")
        newcomer = self.client(World.central, "display", "homie/5/#", "homeassistant/#")
        newcomer.wait(f"homie/5/{AMPLIFIER}/$state", "ready")

        def retained(client):
            return {t for t, payload, kept in list(client.heard) if kept and payload and AMPLIFIER in t}
        wait_for(lambda: retained(newcomer) == retained(whole), "the same topics on both sides", 60)
        self.assertGreater(len(retained(whole)), 40)

        # A home dashboard there finds the amplifier: the same document, and each topic that it names for what is known.
        document = newcomer.last(f"homeassistant/device/{AMPLIFIER}/config")
        self.assertEqual(document, whole.last(f"homeassistant/device/{AMPLIFIER}/config"))
        found = json.loads(document)
        available = [place["topic"] for place in found["availability"]]
        self.assertEqual(available, [f"homie/5/{AMPLIFIER}/$state"])
        self.assertLessEqual(set(available), retained(newcomer))
        readings = [one for one in found["components"].values() if one["platform"] != "button"]
        self.assertGreater(len(readings), 40)
        for one in readings:
            named = {one["state_topic"], *(place["topic"] for place in one.get("availability", []))}
            self.assertEqual(named & retained(whole), named & retained(newcomer))
            # While the link is down nobody says that it is: an age alone takes an old value away.
            self.assertGreater(one["expire_after"], 0, one)

        # A hold from the centre arrives; its event comes back.
        watcher = self.client(World.site, AMPLIFIER, f"homie/5/{AMPLIFIER}/+/+/set")
        events = len(there.of(f"dekeyd/{AMPLIFIER}/event"))
        there.send(f"homie/5/{AMPLIFIER}/permit/hold/set", "hold")
        here.wait(f"homie/5/{AMPLIFIER}/permit/state", "held")
        there.wait(f"homie/5/{AMPLIFIER}/permit/state", "held")
        self.station.wait_inhibit()
        wait_for(lambda: any('"kind":"held"' in e for e in there.of(f"dekeyd/{AMPLIFIER}/event")[events:]), "its event")
        # Even who may write all at the centre gets nothing else across.
        acl = World.central.folder / "dekeyd" / "central.acl"
        acl.write_text(acl.read_text() + "topic readwrite homie/5/#\n")  # the last block of the file is display's
        World.central.process.send_signal(signal.SIGHUP)
        wait_for(lambda: "Reloading config" in World.central.log(), "the broker reads its rules again")
        for topic, payload in (("permit/release/set", "release"), ("permit/reset/set", "reset"), ("permit/permit", "true"),
                               ("measurements/forward/set", "0"), ("permit/hold/set", "hold")):
            there.send(f"homie/5/{AMPLIFIER}/{topic}", payload)
        wait_for(lambda: len(watcher.heard) == 2, "the second hold")
        self.assertEqual({topic for topic, _, _ in watcher.heard}, {f"homie/5/{AMPLIFIER}/permit/hold/set"})
        self.assertEqual(here.last(f"homie/5/{AMPLIFIER}/permit/permit"), "false")
        self.release()
        # A command given at the site doesn't go to the centre: it has heard its own alone.
        there.wait(f"homie/5/{AMPLIFIER}/permit/state", "permitted")
        self.assertEqual(there.of(f"homie/5/{AMPLIFIER}/permit/release/set"), ["release"])

    def test_a_site_writes_its_own_amplifiers_only_and_the_centre_away_loses_nothing_that_matters(self):
        there = self.client(World.central, "display", "homie/5/#", "dekeyd/#")
        lakeside = self.client(World.central, "site-lakeside", "homie/5/#")
        lakeside.send(f"homie/5/{AMPLIFIER}/permit/hold/set", "hold")
        lakeside.send(f"homie/5/{AMPLIFIER}/permit/state", "forged", retain=True)
        lakeside.send("homie/5/lakeside-23cm/$state", "ready")
        there.wait("homie/5/lakeside-23cm/$state", "ready")
        self.assertNotIn("forged", there.of(f"homie/5/{AMPLIFIER}/permit/state"))
        self.assertEqual(there.of(f"homie/5/{AMPLIFIER}/permit/hold/set"), [])

        # The centre is away: a trip, and its end. All of it comes there after, in order; a command of before doesn't.
        topic = f"dekeyd/{AMPLIFIER}/event"
        there.wait("dekeyd/sites/hilltop/link", "1")
        World.central.stop()
        here = self.client(World.site, "display", "homie/5/#", "dekeyd/#")
        self.station.set(drive=1.6, forward=100.0, reflected=0.5, current=7.0)
        wait_for(lambda: self.station.status()["rf_present"], "RF")
        self.station.set(reflected=11.9)  # VSWR 2.05
        here.wait(f"homie/5/{AMPLIFIER}/permit/state", "latched")
        self.station.set(drive=0.0, reflected=0.0, forward=0.0, current=0.5)
        wait_for(lambda: self.station.reset()["ok"], "reset")
        here.wait(f"homie/5/{AMPLIFIER}/permit/state", "permitted")
        here.wait(f"homie/5/{AMPLIFIER}/$alert/limit-vswr", "")
        wait_for(lambda: any('"kind":"permitted"' in e for e in here.of(topic)), "the last event")
        # A command that the centre got while the link was down is never delivered.
        World.site.process.send_signal(signal.SIGSTOP)
        World.central.start()
        again = self.client(World.central, "display", "homie/5/#", "dekeyd/#")
        again.send(f"homie/5/{AMPLIFIER}/permit/hold/set", "hold")
        World.site.process.send_signal(signal.SIGCONT)
        again.wait("dekeyd/sites/hilltop/link", "1")
        again.wait(f"homie/5/{AMPLIFIER}/permit/state", "permitted")
        again.wait(f"homie/5/{AMPLIFIER}/$alert/limit-vswr", "")
        expected = here.of(topic)
        wait_for(lambda: again.of(topic)[-1:] == expected[-1:], "the last event at the centre", CAP_S)
        heard = again.of(topic)
        missing = [e for e in expected if e not in heard]
        self.assertEqual(missing, [])
        self.assertEqual([e for e in heard if e in expected], expected)
        self.assertTrue(self.station.permits())


class Bridge(unittest.TestCase):
    def test_a_centre_that_can_t_prove_its_name_gets_nothing(self):
        World.make()
        self.addCleanup(World.end)
        for kind in ("pem", "key"):
            shutil.copy(World.keys / f"wrong.{kind}", World.central.folder / "dekeyd" / f"central.{kind}")
        World.central.start()
        World.site.start()
        wait_for(lambda: "certificate verify failed" in World.central.log() + World.site.log(), "refused", CAP_S)
        self.assertNotIn("site-hilltop (", World.central.log())  # "New client connected from ... as site-hilltop (p2, ..."


if __name__ == "__main__":
    unittest.main(verbosity=2)
