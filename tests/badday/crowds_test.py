"""Too much of everything: messages, clients, work, signals. Each is bounded, and the guard doesn't notice."""
import os
import pathlib
import random
import resource
import select
import signal
import socket
import statistics
import struct
import subprocess
import time

from day import CAP_S, LONG, Day, figure, free_port, main, now, processor_s, status_of


def text(value):
    return struct.pack(">H", len(value)) + value


def packet(kind, body):
    """An MQTT 3.1.1 control packet (OASIS standard, 2.2: fixed header, remaining length)."""
    length, size = b"", len(body)
    while True:
        size, digit = divmod(size, 128)
        length += bytes([digit | (0x80 if size else 0)])
        if not size:
            return bytes([kind]) + length + body


class Flood:
    """A client that publishes as fast as the broker takes it."""

    def __init__(self, port):
        self.socket = socket.create_connection(("127.0.0.1", port), CAP_S)
        self.socket.sendall(packet(0x10, text(b"MQTT") + bytes([4, 2, 0, 60]) + text(b"flood")))
        assert self.socket.recv(4)[:2] == b"\x20\x02"

    def publish(self, messages):
        block = b"".join(packet(0x30, text(topic) + payload) for topic, payload in messages)
        self.socket.sendall(block)
        return len(messages)


def stands_still(pid):
    """The signal is taken by each thread when that one next runs."""
    tasks = pathlib.Path(f"/proc/{pid}/task")
    return all((task / "stat").read_text().rsplit(")", 1)[1].split()[0] == "T" for task in tasks.iterdir())


class Crowds(Day):
    def test_a_broker_that_floods(self):
        wanted = 1_000_000 if LONG else 100_000
        port = free_port()
        rig = self.rig(extra=f"mqtt: {{host: 127.0.0.1, port: {port}, remote_release: true, remote_reset: true}}\n")
        file = rig.top / "mosquitto.conf"
        file.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nmax_queued_messages 0\n")
        broker = subprocess.Popen([os.environ["MOSQUITTO"], "-c", str(file)], stdin=subprocess.DEVNULL,
                                  stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        self.addCleanup(broker.wait)
        self.addCleanup(broker.kill)
        rig.start()
        rig.wait_permit()
        rig.wait(lambda: rig.status["mqtt"]["connected"], "the broker")
        base = b"homie/5/hilltop-23cm/"
        chance = random.Random(1)
        messages = [(base + topic + b"/set", payload) for topic in (b"permit/reset", b"permit/release", b"permit/permit",
                                                                    b"limits/vswr", b"permit/reset/x")
                    for payload in (b"", b"reset ", b"release", b"true", bytes(200), chance.randbytes(60))]
        flood = Flood(port)
        memory, sent, trips = status_of(rig, "VmRSS"), 0, []
        began, used = now(), processor_s(rig)
        while sent < wanted:
            for _ in range(50):
                sent += flood.publish(messages * 10)
            if len(trips) < 20:
                trips.append(self.inhibits(rig))
                rig.until(rig.permits, "it permits again")
        rate = sent / (now() - began)
        share = (processor_s(rig) - used) / (now() - began)
        self.assertEqual(rig.status["guard"]["overruns"], 0)
        # Of a flood of holds one at most is needed: then it is held, and that is the worst that a peer can do.
        # A session that the flood has cost loses those of that moment, and an operator says it again.
        def held():
            flood.publish([(base + b"permit/hold/set", b"hold")] * 1000)
            time.sleep(1)
            return rig.status["state"] == "held"
        rig.until(held, "held")
        self.assertFalse(rig.permits())
        grown = status_of(rig, "VmRSS") - memory
        figure(f"a broker's flood: {sent:,d} messages, {rate:,.0f} a second; inhibits after {statistics.median(trips) * 1e3:.1f} ms "
               f"(worst {max(trips) * 1e3:.1f} ms of {len(trips)}); {share * 100:.0f} % of a processor; "
               f"memory grew {grown} KiB")
        self.assertLess(grown, 16 * 1024, "it keeps what it was sent")

    def test_a_thousand_clients(self):
        wanted = 1000
        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        if soft < wanted + 200:
            if hard != resource.RLIM_INFINITY and hard < wanted + 200:
                wanted = hard - 200
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted + 200, hard))
        rig = self.rig().start()
        rig.wait_permit()
        clients = []
        for i in range(wanted):
            client = socket.socket(socket.AF_UNIX)
            client.settimeout(CAP_S)
            while True:
                try:
                    client.connect(str(rig.run / "control"))
                    break
                except BlockingIOError:  # the queue of those who wait is full: it is worked off
                    time.sleep(0.01)
            try:
                client.sendall(b'{"ask":"watch","hz":50}\n' if i % 2 else b'{"ask":"status"}\n')
            except OSError:
                pass  # closed before it spoke
            clients.append(client)
        took = self.inhibits(rig)
        held = rig.ask(ask="hold")
        self.assertTrue(held["ok"], held)
        self.assertTrue(rig.ask(ask="release")["ok"])
        closed = sum(self.is_closed(client) for client in clients)
        for client in clients:
            client.close()
        rig.until(lambda: rig.answers() and rig.ask(ask="status")["ok"], "it answers the next one")
        rig.wait_permit()
        self.assertEqual(rig.status["guard"]["overruns"], 0)
        self.assertGreaterEqual(closed, len(clients) - 16)
        figure(f"{len(clients)} clients: {closed} closed for others; inhibits after {took * 1e3:.1f} ms, holds at once; "
               f"at most {status_of(rig, 'VmHWM')} KiB in use")

    def is_closed(self, client):
        look = select.poll()
        look.register(client, 0)
        return any(news & select.POLLHUP for _, news in look.poll(0))

    def threads(self, rig):
        return [int(name) for name in os.listdir(f"/proc/{rig.daemon.pid}/task")]

    def test_heavy_load(self):
        """Twice as many busy programs as processors: the guard without and, where it may, with its priority."""
        rig = self.rig().start()
        rig.wait_permit()
        fifo = rig.status["guard"]["realtime"]
        kinds = {task: (os.sched_getscheduler(task), os.sched_getparam(task)) for task in self.threads(rig)}
        busy = [subprocess.Popen(["/usr/bin/python3", "-c", "x = bytearray(1 << 24)\nwhile True: x[:] = bytes(1 << 24)"])
                for _ in range(2 * os.cpu_count())]
        try:
            for with_priority in ([False, True] if fifo else [False]):
                for task, (kind, parameter) in kinds.items():
                    os.sched_setscheduler(task, kind if with_priority else os.SCHED_OTHER,
                                          parameter if with_priority else os.sched_param(0))
                trips = []
                for _ in range(30):
                    rig.until(rig.permits, "it permits")
                    trips.append(self.inhibits(rig))
                figure(f"heavy load, {'priority' if with_priority else 'no priority'}: inhibits after "
                       f"{statistics.median(trips) * 1e3:.1f} ms, worst {max(trips) * 1e3:.1f} ms of {len(trips)}")
        finally:
            for one in busy:
                one.kill()
                one.wait()
        if not fifo:
            figure("heavy load: no real-time priority to be had here")
        self.assertEqual(rig.status["guard"]["overruns"], 0)

    def test_storms_of_signals(self):
        """Those that are not for it, to the process and to each thread: nothing happens. Then many stops: one stop."""
        rig = self.rig().start()
        rig.wait_permit()
        chance = random.Random(2)
        harmless = [signal.SIGUSR1, signal.SIGUSR2, signal.SIGALRM, signal.SIGVTALRM, signal.SIGPROF, signal.SIGIO,
                    signal.SIGPIPE, signal.SIGPWR, signal.SIGXFSZ, signal.SIGXCPU, signal.SIGWINCH, signal.SIGURG,
                    signal.SIGCHLD, signal.SIGCONT]
        sent = 200_000 if LONG else 20_000
        mark = rig.mark()
        for _ in range(sent):
            os.kill(rig.daemon.pid, chance.choice(harmless))
        self.assertIsNone(rig.daemon.poll(), "it ended")
        self.assertTrue(rig.permits())
        self.assertEqual(rig.events_since(mark, "tripped"), [])
        took = self.inhibits(rig)
        rig.wait_permit()
        began = now()
        for _ in range(1000):
            try:
                rig.send(chance.choice([signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT]))
            except ProcessLookupError:
                break
        self.assertEqual(rig.ended(), 0)
        self.assertFalse(rig.permits())
        figure(f"a storm of {sent:,d} signals: inhibits after {took * 1e3:.1f} ms; a storm of stops ends after "
               f"{(now() - began) * 1e3:.0f} ms")

    def test_stopped_and_gone_on(self):
        """SIGSTOP and SIGCONT again and again: decisions go on, and what happened meanwhile is seen."""
        rig = self.rig().start()
        rig.wait_permit()
        chance = random.Random(3)
        turns = 1000 if LONG else 100
        for _ in range(turns):
            rig.send(signal.SIGSTOP)
            time.sleep(chance.uniform(0.0, 0.02))
            rig.send(signal.SIGCONT)
            time.sleep(chance.uniform(0.0, 0.02))
        rig.until(rig.permits, "it permits")
        rig.send(signal.SIGSTOP)
        rig.until(lambda: stands_still(rig.daemon.pid), "each of its threads stands still")
        rig.set("lid", 0)
        time.sleep(0.05)
        self.assertTrue(rig.permits())  # nobody is there: this is what the watchdog and the dynamic permit are for
        rig.send(signal.SIGCONT)
        rig.until(lambda: not rig.permits(), "it inhibits as soon as it runs")
        rig.set("lid", 1)
        rig.wait_permit()
        figure(f"stopped and continued {turns} times: {rig.status['guard']['overruns']} overruns counted, none in a row "
               "long enough to trip")


main()
