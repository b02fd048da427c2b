"""A telemetry that is wholly hostile: it may read, and hold. It may not release, slow a decision, keep an operator out, fill
the disk, or take the guard's memory. And a telemetry that is killed again and again takes nothing with it."""
import json
import os
import pathlib
import random
import signal
import socket
import subprocess
import sys
import time
import unittest

sys.path.insert(0, str(pathlib.Path(os.environ["DEKEYD_SOURCE_DIR"]) / "tests" / "integration"))
from station import CONFIGURATION, DETECTOR, Broker, StationTest, free_port, wait_for  # noqa: E402

STRANGER = 64001  # a user's number that nobody has
ROUNDS = int(os.environ.get("HOSTILE_ROUNDS", "40"))
SECONDS = float(os.environ.get("HOSTILE_SECONDS", "2"))
TRIES = ("release", "reset", "prove", "prove-line", "prove-end")
# The ages are wide, since what is tested here isn't how late a full machine is: the flood has a processor, and so do others.
PATIENT = CONFIGURATION.replace("DETECTOR", DETECTOR).replace("allowed_age: 100 ms", "allowed_age: 20 s")
KEYED = {"drive": 1.6, "forward": 100.0, "reflected": 0.5, "current": 7.0}

# What the hostile process runs: one try, for so long. Its standard output is what it got to hear.
HOSTILE = r'''
import json, os, random, socket, sys, time
path, what, seconds = sys.argv[1], sys.argv[2], float(sys.argv[3])
def connect():
    s = socket.socket(socket.AF_UNIX); s.connect(path); return s
def say(s, *texts):
    for text in texts: s.sendall(text.encode() + b"\n")
until = time.monotonic() + seconds
made = []
random.seed(1)
while time.monotonic() < until:
    try:
        if what == "connections":
            made.append(connect())
        elif what == "churn":
            connect().close()
        else:
            s = connect()
            if what == "deaf":
                say(s, '{"ask":"follow"}', '{"ask":"watch","hz":50}')
                while time.monotonic() < until: say(s, '{"ask":"status"}', '{"ask":"events","after":0}'); time.sleep(0.02)
            elif what == "endless":
                while time.monotonic() < until: s.sendall(b"x" * 65536)
            elif what == "noise":
                while time.monotonic() < until: s.sendall(random.randbytes(4096) + b"\n")
            elif what == "holds":
                say(s, '{"ask":"follow"}')
                while time.monotonic() < until: say(s, *['{"ask":"hold","reason":"%s"}' % ("y" * 190)] * 50)
            elif what == "events":
                say(s, '{"ask":"follow"}')
                while time.monotonic() < until:
                    say(s, *('{"ask":"events","after":%d}' % n for n in (0, 1, 2**63, 2**64 - 1)), '{"ask":"report","broker":true}',
                        *('{"ask":"capture","name":"%s","offset":%d}' % one for one in (("../../dekeyd.yaml", 0), ("000001-a.csv", 2**64 - 1))))
                    s.recv(65536)
            elif what == "bodies":
                while time.monotonic() < until:
                    for key in ("origin", "uid", "local", "ask"):
                        say(s, '{"ask":"release","%s":"local"}' % key, '{"ask":"reset","%s":0}' % key)
                    s.recv(65536)
    except OSError:
        time.sleep(0.005)
'''


def memory_kib(pid):
    words = pathlib.Path(f"/proc/{pid}/status").read_text().split()
    return int(words[words.index("VmRSS:") + 1])


@unittest.skipUnless(os.geteuid() == 0, "only root can be another user")
class Hostile(StationTest):
    def begin(self):
        station = self.station()
        station.top.chmod(0o755)
        # It may do by MQTT what can be done by MQTT; here it isn't allowed.
        station.configure(PATIENT, extra=f"mqtt: {{host: 127.0.0.1, port: {free_port()}}}\n")
        station.start_telemetry = lambda *_: None
        station.start(environment={"LD_PRELOAD": os.environ["TELEMETRY_USER_SHIM"], "TELEMETRY_USER": str(STRANGER)})
        station.reset()
        station.wait_permit()
        station.run.chmod(0o751)
        return station

    def stranger(self, station, what, seconds=SECONDS):
        return subprocess.Popen(["/usr/bin/python3", "-c", HOSTILE, str(station.run / "telemetry"), what, str(seconds)],
                                user=STRANGER, group=STRANGER, extra_groups=[], stdin=subprocess.DEVNULL)

    def ask_as_stranger(self, station, *requests, path=None, group=STRANGER):
        program = ("import json,socket,sys\ns=socket.socket(socket.AF_UNIX);s.connect(sys.argv[1])\nf=s.makefile('rb')\n"
                   "for r in sys.argv[2:]:\n s.sendall(r.encode()+b'\\n');print(f.readline().decode(),end='')")
        done = subprocess.run(["/usr/bin/python3", "-c", program, str(path or station.run / "telemetry"), *(json.dumps(r) for r in requests)],
                              user=STRANGER, group=group, extra_groups=[], capture_output=True, text=True, timeout=60, check=True)
        return [json.loads(line) for line in done.stdout.splitlines()]

    def test_it_is_told_that_it_is_remote_whatever_it_says(self):
        station = self.begin()
        station.ask({"ask": "hold", "reason": "on the mast"})
        station.wait_inhibit()
        answers = self.ask_as_stranger(station, *({"ask": what} for what in TRIES), {"ask": "prove-limit", "limit": "vswr"},
                                       {"ask": "record", "seconds": 5}, {"ask": "release", "origin": "local"})
        for what, answer in zip((*TRIES, "prove-limit", "record", "a claim"), answers):
            self.assertFalse(answer["ok"], (what, answer))
        self.assertIn("remote", answers[0]["error"])
        self.assertTrue(station.status()["memory"]["held_locally"])
        station.ask({"ask": "release"})
        station.wait_permit()
        # It may hold, and then only who is here releases? No: a remote hold is anybody's here to release.
        self.assertTrue(self.ask_as_stranger(station, {"ask": "hold"})[0]["ok"])
        station.wait_inhibit()
        memory = station.status()["memory"]
        self.assertTrue(memory["held_remotely"] and not memory["held_locally"], memory)
        self.assertTrue(station.ask({"ask": "release"})["ok"])
        station.wait_permit()

    def test_it_may_read(self):
        station = self.begin()
        self.assertTrue(self.ask_as_stranger(station, {"ask": "status"})[0]["ok"])
        self.assertIn("hello", self.ask_as_stranger(station, {"ask": "follow"})[0])

    def test_the_operators_socket_is_closed_to_it(self):
        station = self.begin()
        with self.assertRaises(subprocess.CalledProcessError):
            self.ask_as_stranger(station, {"ask": "status"}, path=station.control)
        # And were it open: the kernel says who it is.
        answer = self.ask_as_stranger(station, {"ask": "reset"}, path=station.control, group=os.getgid())[0]
        self.assertFalse(answer["ok"])
        self.assertIn("remote", answer["error"])
        # The other way round: what comes in at the telemetry's socket is remote, whoever says it.
        with socket.socket(socket.AF_UNIX) as client:
            client.connect(str(station.run / "telemetry"))
            client.sendall(b'{"ask":"release"}\n')
            self.assertIn("remote", json.loads(client.makefile("rb").readline())["error"])

    def test_nothing_that_it_tries_is_felt(self):
        station = self.begin()
        station.set(**KEYED)
        wait_for(lambda: station.status()["rf_present"], "RF")
        for what in ("connections", "churn", "deaf", "endless", "noise", "events", "bodies", "holds"):
            with self.subTest(what):
                if what == "holds":
                    station.set(drive=0.0, forward=0.0, reflected=0.0, current=0.5)
                    wait_for(lambda: not station.status()["rf_present"], "RF off")
                before = memory_kib(station.daemon.pid)
                disk = sum(f.stat().st_size for f in station.state.rglob("*") if f.is_file())
                log = station.log.stat().st_size
                process = self.stranger(station, what)
                worst = 0.0
                while process.poll() is None:  # an operator's question, all the while
                    began = time.monotonic()
                    self.assertEqual(station.permits() or what == "holds", True)
                    station.status()
                    worst = max(worst, time.monotonic() - began)
                    time.sleep(0.02)
                # An amplifier that is held has no RF.
                station.set(drive=0.0, forward=0.0, reflected=0.0, current=0.5)
                wait_for(lambda: not station.status()["rf_present"], "RF off")
                began = time.monotonic()
                held = station.ask({"ask": "hold", "reason": "by hand"})
                took = time.monotonic() - began
                self.assertTrue(held["ok"], held)
                station.wait_inhibit()
                station.ask({"ask": "release"})
                if what == "holds":
                    wait_for(lambda: not station.status()["memory"]["held_remotely"] or station.ask({"ask": "release"}), "released")
                    station.ask({"ask": "release"})
                station.wait_permit()
                station.set(**KEYED)
                wait_for(lambda: station.status()["rf_present"], "RF")
                grown = memory_kib(station.daemon.pid) - before
                more_disk = sum(f.stat().st_size for f in station.state.rglob("*") if f.is_file()) - disk
                more_log = station.log.stat().st_size - log
                print(f"{what}: a status within {1000 * worst:.0f} ms, a hold within {1000 * took:.0f} ms; memory {grown:+} KiB, "
                      f"disk {more_disk:+} bytes, log {more_log:+} bytes; {station.status()['guard']['overruns']} overruns", flush=True)
                self.assertLess(worst, 5.0)  # a machine that does much else; some milliseconds, of one that doesn't
                self.assertLess(grown, 4096)
                self.assertLess(more_disk, 200_000)
                self.assertLess(more_log, 100_000)
        self.assertEqual(station.status()["guard"]["overruns"], 0)


class Killed(StationTest):
    def test_again_and_again_during_a_transmission(self):
        station = self.station()
        broker = Broker(station.top).start()
        self.addCleanup(broker.stop)
        station.configure(PATIENT, extra=f"mqtt: {{host: 127.0.0.1, port: {broker.port}}}\n")
        station.start()
        station.reset()
        station.wait_permit()
        wait_for(lambda: station.status()["mqtt"]["connected"], "connected", 60)
        station.set(**KEYED)
        wait_for(lambda: station.status()["rf_present"], "RF")
        listener = subprocess.Popen(["mosquitto_sub", "-p", str(broker.port), "-q", "1", "-t", "dekeyd/hilltop-23cm/event", "-c", "-i",
                                     "listener"], stdout=subprocess.PIPE, text=True)
        self.addCleanup(listener.stdout.close)
        self.addCleanup(listener.wait)
        self.addCleanup(listener.kill)
        time.sleep(0.5)
        chance = random.Random(3)
        warm = False
        for _ in range(ROUNDS):
            warm = not warm
            station.set(supply=28.0 + (0.01 if warm else 0.0))
            self.assertFalse(station.reset()["ok"])  # nothing is latched: an event, and nothing else
            time.sleep(chance.uniform(0.0, 0.25))
            station.stop_telemetry(signal.SIGKILL)
            self.assertTrue(station.permits())
            station.start_telemetry()
        status = station.status()
        self.assertTrue(station.permits())
        self.assertEqual(status["guard"]["overruns"], 0)
        self.assertTrue(status["rf_present"])
        # Its events, from the transmission's begin on: each at least once, in order.
        station.set(drive=0.0, forward=0.0, reflected=0.0, current=0.5)
        wait_for(lambda: not station.status()["rf_present"], "RF off")
        station.ask({"ask": "hold"})
        numbers, kinds = [], {}
        for line in listener.stdout:
            event = json.loads(line)
            numbers.append(event["number"])
            kinds[event["number"]] = event["kind"]
            if event["kind"] == "held":
                break
        seen = sorted(kinds)
        self.assertEqual(seen, list(range(seen[0], seen[-1] + 1)), "no event is lost")
        print(f"killed {ROUNDS} times during a transmission: permit never lost, {len(seen)} events, "
              f"{len(numbers) - len(seen)} of them twice", flush=True)


if __name__ == "__main__":
    unittest.main(verbosity=2)
