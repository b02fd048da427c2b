"""The rows of tools/measure, by their numbers."""
import contextlib
import importlib.util
import json
import os
import pathlib
import shutil
import signal
import socket
import statistics
import subprocess
import tempfile
import time

import peers
import processes
from amplifier import KEYED, PERIOD_MS, QUIET, Amplifier
from figures import Figure, at_share, cpu_shares, lateness_us, of_pairs, of_share, pages_written, rss_kb

ROOT = pathlib.Path(__file__).resolve().parents[2]
QUICK_MS = 5  # the guard alone, for lateness: more looks in the same time
PAIRS = 5
HZ = 1000 // PERIOD_MS
MONTH_S = 30 * 86400


class Rows:
    """One folder and one broker for all rows. What is measured is told to `table`."""

    def __init__(self, tools, seconds, table):
        self.tools, self.seconds, self.table = tools, seconds, table
        self.stack = contextlib.ExitStack()
        self.folder = self.stack.enter_context(tempfile.TemporaryDirectory(prefix="dekeyd-measure-"))
        self.processes = processes.Processes(self.folder)
        self.stack.callback(self.processes.stop)
        page = tools.page if tools.page.exists() else None
        self.port, *web = processes.start_broker(self.processes, page)
        self.address = web[0] if web else None

    @property
    def broker(self):
        return dict(self.processes.running)["mosquitto"]

    def amplifier(self, **how):
        how.setdefault("name", f"a{len(os.listdir(self.folder))}")
        amplifier = Amplifier(self.tools, self.folder, **how)
        self.stack.callback(amplifier.stop)
        return amplifier

    # ---- the machine, and how fast a trip is ----

    def row_0(self):
        noise = self.tools.run_peer("spin", 3)
        self.table.shown(0, "the machine: a spinning thread loses its processor for",
                         f"{noise['lost_share'] * 100:.2f} %, worst {noise['worst_us'] / 1000:.1f} ms")

    def trips(self, amplifier, line, period_ms, times):
        """Delays from the file's change to the line's, in periods, every processor busy."""
        load = [self.tools.start_peer("load", 300) for _ in range(os.cpu_count())]
        try:
            return self.tools.run_peer("trip", amplifier.files["drive"], amplifier.text("drive", QUIET["drive"]),
                                       amplifier.text("drive", 4.0), line, self.tools.permit, self.tools.inhibit, period_ms,
                                       times)["periods"]
        finally:
            peers.end(*load)

    def row_1(self):
        delays_s = {}
        for hz, times in ((50, 300), (1000, 1000)):
            period = 1000 // hz
            amplifier = self.amplifier(scan=f"{period} ms", period=period, port=self.port).start(keyed=False)
            delays = self.trips(amplifier, amplifier.top / "line", period, times)
            amplifier.stop()
            p50, p95, p999 = (of_share(delays, share) for share in (0.5, 0.95, 0.999))
            self.table.shown(1, f"file to line at {hz} Hz, in periods: p50; p99.9 of {times}", f"{p50}; {p999}")
            self.table.at_most(1, f"file to line at {hz} Hz, in periods: p95", p95, 1.05, judged=hz == 1000)
            delays_s[hz] = [delay / hz for delay in delays]
        amplifier = self.amplifier()
        for name, program in (("Python", peers.PYTHON), ("Node", peers.NODE)):
            best = peers.best_rate(program, self.port, amplifier)
            peer = peers.start(program, best, 600, self.port, amplifier)
            delays = self.trips(amplifier, amplifier.top / "peer-line", 1000 / best, 1000)
            peers.end(peer)
            others = [delay / best for delay in delays]
            ratio = of_share(delays_s[1000], 0.999, over=others)
            self.table.at_most(1, f"p99.9 at 1 kHz / the {name} program's at {best} Hz, its best", ratio, 0.1)

    # ---- processor and memory ----

    def row_2(self):
        ratios = {"Node": [], "Python": []}
        for _ in range(PAIRS):
            amplifier = self.amplifier(port=self.port).start()
            running = [peers.start(program, HZ, self.seconds + 15, self.port, amplifier) for program in (peers.NODE, peers.PYTHON)]
            time.sleep(5.0)  # each has connected, and announced what it has
            own, node, python = cpu_shares([(amplifier.process.pid, amplifier.telemetry.pid), *((p.pid,) for p in running)], self.seconds)
            ratios["Node"].append(own / node)
            ratios["Python"].append(own / python)
            peers.end(*running)
            amplifier.stop()
        for name, most in (("Node", 0.25), ("Python", 0.5)):
            self.table.at_most(2, f"CPU at 50 Hz with MQTT, guard and telemetry / the {name} program", of_pairs(ratios[name]), most)
        self.against_bare(2, "50 Hz", f"{PERIOD_MS} ms", HZ)

    def row_3(self):
        self.against_bare(3, "1 kHz", "1 ms", 1000)

    def against_bare(self, row, words, scan, hz):
        ratios = []
        for _ in range(PAIRS):
            amplifier = self.amplifier(scan=scan).start()
            reads = [amplifier.files[q] for q in (*QUIET, "forward")]
            bare = self.tools.start_peer("pair", hz, self.seconds + 5, *reads)
            time.sleep(0.3)
            own, least = cpu_shares([(amplifier.process.pid,), (bare.pid,)], self.seconds)
            ratios.append(own / least)
            peers.end(bare)
            amplifier.stop()
        self.table.at_most(row, f"CPU at {words}, the guard alone / a bare loop of two threads", of_pairs(ratios), 1.8)

    def row_4(self):
        ratios = {"Node": [], "Python": []}
        for _ in range(3):
            amplifier = self.amplifier(port=self.port).start()
            running = [peers.start(program, HZ, 30, self.port, amplifier) for program in (peers.NODE, peers.PYTHON)]
            time.sleep(3)
            guard, both = rss_kb(amplifier.process.pid), rss_kb(amplifier.process.pid, amplifier.telemetry.pid)
            ratios["Node"].append(both / rss_kb(running[0].pid))
            ratios["Python"].append(both / rss_kb(running[1].pid))
            peers.end(*running)
            amplifier.stop()
        self.table.at_most(4, "resident memory, locked: guard, MiB", Figure(guard / 1024), 8)
        for name, most in (("Node", 0.3), ("Python", 0.8)):
            self.table.at_most(4, f"memory, guard and telemetry ({both / 1024:.1f} MiB) / the {name} program", of_pairs(ratios[name]), most)

    def row_5(self):
        if not shutil.which("valgrind"):
            return self.table.open(5, "instructions of a decision", "valgrind is not installed")
        os.environ["CYCLE"] = self.tools.cycle
        spec = importlib.util.spec_from_file_location("instructions", ROOT / "tests/instructions/instructions_test.py")
        counted = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(counted)
        counts = counted.count()
        for name, most in (("decision, 4 channels and 8 limits", 6000), ("decision, for a further limit", 80),
                           ("decision, for a further channel", 500)):
            self.table.at_most(5, f"instructions: {name}", Figure(counts[name]), most)
        self.table.at_most(5, "64 channels, 1,024 limits / what the figures of few make of it", Figure(counted.growth(counts)), 1.1)

    # ---- the guard beside a broken network ----

    def row_6(self):
        for state in ("killed", "frozen", "silent", "flooding", "behind a slow resolver"):
            with self.broken(state) as (host, port, environment):
                self.lateness(f"broker {state}", environment, host=host, port=port)
        self.lateness("telemetry killed in a loop", {}, killed=True, host="127.0.0.1", port=self.port)

    def lateness(self, words, environment, killed=False, **network):
        """Of pairs recorded in the same seconds, so that the machine's noise falls on both."""
        up = self.amplifier(scan="1 s", period=QUICK_MS, port=self.port, fastest="100 ms").start()
        other = self.amplifier(scan="1 s", period=QUICK_MS, fastest="100 ms", **network).start(environment=environment)
        ratios = []
        for _ in range(2 * PAIRS):
            recordings = [a.start_recording(self.seconds) for a in (other, up)]
            until = time.monotonic() + self.seconds
            while killed and time.monotonic() < until:
                other.restart_telemetry()
                time.sleep(0.3)
            late = [lateness_us(r, QUICK_MS) for r in recordings]
            ratios.append(late[0] / max(late[1], 1.0))
        up.stop()
        other.stop()
        self.table.at_most(6, f"the guard's lateness, p99, {words} / quiet", of_pairs(ratios), 1.05)

    @contextlib.contextmanager
    def broken(self, state):
        """Host and port of a broker in such a state, and what the daemon's environment needs for it."""
        if state == "killed":
            yield "127.0.0.1", processes.free_port(), {}
            return
        if state == "behind a slow resolver":
            yield "slow.example", self.port, {"LD_PRELOAD": self.tools.resolver, "SLOW_RESOLVER_NAME": "slow.example",
                                              "SLOW_RESOLVER_S": "3"}
            return
        if state == "silent":
            with socket.socket() as listener:  # takes connections, and says nothing
                listener.bind(("127.0.0.1", 0))
                listener.listen(16)
                yield "127.0.0.1", listener.getsockname()[1], {}
            return
        with self.own_broker() as (port, broker):
            flood = None
            try:
                if state == "frozen":
                    broker.send_signal(signal.SIGSTOP)
                else:
                    topic = f"homie/5/a{len(os.listdir(self.folder)) + 1}/permit/hold/set"
                    flood = subprocess.Popen(["sh", "-c", f"while :; do yes nonsense | head -500 | mosquitto_pub -p {port} "
                                              f"-t {topic} -l; sleep 0.2; done"], stderr=subprocess.DEVNULL, start_new_session=True)
                yield "127.0.0.1", port, {}
            finally:
                if flood:
                    os.killpg(flood.pid, signal.SIGKILL)
                    flood.wait()

    @contextlib.contextmanager
    def own_broker(self):
        with tempfile.TemporaryDirectory(prefix="dekeyd-measure-") as folder:
            own = processes.Processes(folder)
            try:
                port = processes.start_broker(own)[0]
                broker = dict(own.running)["mosquitto"]
                yield port, broker
            finally:
                for _, process in own.running:
                    process.send_signal(signal.SIGCONT)
                own.stop()

    # ---- many ----

    def row_7(self):
        shares = {}
        for count in (1, 5, 20):
            amplifiers = [self.amplifier(port=self.port, name=f"n{count}x{i}").start() for i in range(count)]
            time.sleep(2)
            *own, broker = cpu_shares([*((a.process.pid, a.telemetry.pid) for a in amplifiers), (self.broker.pid,)], 2 * self.seconds)
            shares[count] = own
            memory = statistics.mean(rss_kb(a.process.pid, a.telemetry.pid) for a in amplifiers) / 1024
            self.table.shown(7, f"{count} amplifier{'s' if count > 1 else ''} at 50 Hz: CPU, memory each; the broker's CPU",
                             f"{statistics.mean(own) * 100:.2f} %, {memory:.1f} MiB; {broker * 100:.2f} %")
            for amplifier in amplifiers:
                amplifier.stop()
        alone = shares[1][0]
        self.table.at_most(7, "CPU of each of twenty / of one alone", of_pairs([share / alone for share in shares[20]]), 1.1)
        self.hundred_stations()

    def hundred_stations(self):
        """Each publishes once a second, and trips and clears once, while its broker's processor time is counted."""
        stations = [self.amplifier(port=self.port, name=f"station-{i}", scan="200 ms", period=200) for i in range(100)]
        heard = self.listen("-q", "1", "-t", "dekeyd/+/event", "-F", "%t %p")
        for station in stations:
            station.start(wait=False)
        for station in stations:
            station.wait_permit()
        for station in stations:
            station.put("drive", 4.0)
        broker = cpu_shares([(self.broker.pid,)], 2 * self.seconds)[0]
        for station in stations:
            station.put("drive", QUIET["drive"])
        time.sleep(3)
        numbers = {}
        last = {station.name: station.last_event() for station in stations}
        time.sleep(3)
        for station in stations:
            station.stop()
        for line in heard().decode().splitlines():
            topic, payload = line.split(" ", 1)
            numbers.setdefault(topic.split("/")[1], set()).add(json.loads(payload)["number"])
        lost = sum(len(set(range(1, last[name] + 1)) - numbers.get(name, set())) for name in last)
        self.table.shown(7, "a hundred stations at 1 Hz on one broker: its CPU", f"{broker * 100:.1f} %")
        self.table.at_most(7, f"events lost of their {sum(last.values())}", Figure(lost), 0)

    # ---- replay, starts and ends, what it leaves behind ----

    def replays(self, scan, seconds):
        """Seconds for a step, and for a second of recording; each pair a short piece and a long one, so that what a start
        takes (its configuration is read) isn't in it."""
        pieces = []
        for length_s in (seconds / 4, seconds):
            amplifier = self.amplifier(scan=scan).start()
            path, recording = amplifier.start_recording(length_s)
            recording.wait(120)
            amplifier.stop()
            pieces.append([self.tools.dekeyctl, "replay", "--json", str(path)])
        a_step, a_second = [], []
        for _ in range(2 * PAIRS):
            short, long = (json.loads(subprocess.run(piece, capture_output=True, check=False).stdout) for piece in pieces)
            took_s = long["took_s"] - short["took_s"]
            a_step.append(took_s / (long["steps"] - short["steps"]))
            a_second.append(took_s / (long["length_s"] - short["length_s"]))
        return a_step, a_second

    def row_8(self):
        a_step, _ = self.replays("1 ms", 4 * self.seconds)
        self.table.at_most(8, "replay: microseconds a sample (2 million a second)", of_pairs([s / 5 * 1e6 for s in a_step]), 0.5)
        _, a_second = self.replays(f"{PERIOD_MS} ms", 10 * self.seconds)
        self.table.at_most(8, "replay of a month at 50 Hz, by a piece of it, minutes",
                           of_pairs([s * MONTH_S / 60 for s in a_second]), 5)

    def row_9(self):
        amplifier = self.amplifier().start()
        amplifier.stop()
        starts, kills = [], []
        for _ in range(2 * PAIRS):
            begun = time.monotonic()
            amplifier.start(keyed=False, wait=False)
            until = begun + 30
            while not amplifier.permits() and time.monotonic() < until:
                time.sleep(0.0005)
            starts.append((time.monotonic() - begun) * 1000 - 200)
            amplifier.stop()
        for _ in range(PAIRS):
            amplifier.start(keyed=False)  # with a reset, where so many unclean starts have locked it out
            begun = time.monotonic()
            amplifier.process.kill()
            amplifier.process.wait()  # and, as the unit says, the stop hook
            subprocess.run([self.tools.inhibit_hook, str(amplifier.top / "run/line")], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True)
            kills.append((time.monotonic() - begun) * 1000)
            if amplifier.permits():
                raise RuntimeError("permitted after the stop hook")
            amplifier.stop()
        self.table.at_most(9, "start to permit beyond the settling time, ms", of_pairs(starts), 50)
        self.table.at_most(9, "SIGKILL to inhibited, by the stop hook, ms", of_pairs(kills), 100)
        if not self.address or not shutil.which("chromium"):
            return self.table.open(9, "the page's first paint", "no built page, or no Chromium")
        told = subprocess.run(["node", str(ROOT / "tools/measure.d/first_paint.mjs"), self.address, str(2 * PAIRS)],
                              capture_output=True, check=True).stdout
        self.table.at_most(9, "the page's first contentful paint, ms", of_pairs(json.loads(told)), 1000)

    def row_10(self):
        amplifier = self.amplifier(port=self.port).start(keyed=False)
        time.sleep(3)
        before = pages_written(amplifier.process.pid) + pages_written(amplifier.telemetry.pid)
        idle = self.bytes_a_second(amplifier, lambda n: None)
        written = pages_written(amplifier.process.pid) + pages_written(amplifier.telemetry.pid) - before

        def transmit(n):
            amplifier.put_all({**KEYED, "forward": 78 + n % 5, "supply": 27.8 + n % 3 * 0.1})

        keyed = self.bytes_a_second(amplifier, transmit)
        amplifier.stop()
        self.table.at_most(10, "bytes a second to the broker, idle", Figure(idle), 300)
        self.table.at_most(10, "bytes a second to the broker, transmitting", Figure(keyed), 3000)
        # The hourly line by arithmetic, not waited for: one append of less than a page, and its file's own entry.
        self.table.at_most(10, "pages written an idle hour, with 2 for the hourly line", Figure(written * 3600 / (4 * self.seconds) + 2), 2)

    def bytes_a_second(self, amplifier, change):
        """Topics and payloads of all that it publishes."""
        heard = self.listen("-R", "-F", "%t%p", "-t", f"homie/5/{amplifier.name}/#", "-t", f"dekeyd/{amplifier.name}/#")
        seconds = 4 * self.seconds
        until, n = time.monotonic() + seconds, 0
        while time.monotonic() < until:
            change(n)
            n += 1
            time.sleep(0.1)
        return len(heard()) / seconds

    def listen(self, *what):
        """Listens from now on; the answer, once called, ends that and gives what was heard. By a file: a pipe that is full
        would hold up the listener, and the broker would throw away what it can't take."""
        file = self.stack.enter_context(tempfile.TemporaryFile(dir=self.folder))
        listener = subprocess.Popen(["mosquitto_sub", "-p", str(self.port), *what], stdout=file)

        def heard():
            listener.terminate()
            listener.wait()
            file.seek(0)
            return file.read()

        return heard
