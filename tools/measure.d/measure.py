"""The table of tools/measure: each row a figure, its goal, and whether it was met."""
import argparse
import contextlib
import json
import os
import pathlib
import platform
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "demo.d"))
import processes  # noqa: E402
import calls  # noqa: E402

PERIOD_MS = 20  # of scans and of the guard
QUICK_MS = 5  # the guard alone, for lateness: more looks in the same time
PAIRS = 5
QUIET = {"forward": 1e-4, "reflected": 1e-4, "drive": 0.13, "supply": 28.0}
KEYED = {**QUIET, "forward": 80.0, "reflected": 0.8}

CONFIGURATION = """\
dekeyd: 1
device: {{id: {id}, name: Hill-top repeater amplifier}}
paths: {{sysfs: {top}/sys, state: {top}/state, run: {top}/run}}
guard: {{period: {period} ms, deadline: 5 s, settling: 200 ms, hold_off: 100 ms, after_start: permit}}
line: {{driver: file, path: {top}/line}}
buses:
  adc: {{driver: iio, device: ads1015, period: {scan}, codes: -32768 .. 32767}}
sensors:
  forward: {{bus: adc, address: voltage0, role: forward, coupling: 40 dB, {detector}}}
  reflected: {{bus: adc, address: voltage1, role: reflected, coupling: 40 dB, {detector}}}
  drive: {{bus: adc, address: voltage2, role: drive, coupling: 20 dB, {detector}}}
  supply: {{bus: adc, address: voltage3, measures: voltage, role: supply, gain: 20, allowed_age: 10 s, valid: 1 mV .. 10 V}}
amplifier:
  rated_forward: 120 W
  minimum_forward: 6 W
  rf_present: 1 W
  maximum_drive: 2.5 W
  drive_absent: 200 mW
  nominal_supply: 28 V
  directivity: 30 dB
limits:
  vswr: {{watch: vswr, above: 2.0, clear: rf off, qualify: 20 ms, hold_off: 1 s, rearm: latched, while: {{quantity: forward, above: 6 W}}}}
  reflected: {{watch: reflected, above: 12 W, clear: rf off, qualify: 10 ms, hold_off: 1 s, rearm: latched}}
  forward: {{watch: forward, above: 125 W, clear: rf off, qualify: 10 ms, hold_off: 1 s, rearm: automatic}}
  drive: {{watch: drive, above: 2.5 W, clear: 2.0 W, qualify: {qualify}, hold_off: 40 ms, rearm: automatic, counted: no}}
  supply-high: {{watch: supply, above: +10 %, clear: +5 %, qualify: 20 ms, hold_off: 5 s, rearm: automatic}}
  supply-low: {{watch: supply, below: -15 %, clear: -7 %, qualify: 500 ms, hold_off: 5 s, rearm: automatic}}
{mqtt}"""
DETECTOR = ("measures: power, allowed_age: 10 s, valid: 0.35 V .. 2.2 V, detector: {slope: -24.4 mV/dB, "
            "intercept: 19.6 dBm, floor: -50 dBm, ceiling: 5 dBm}, pads: 10 dB, cable: 0.5 dB")


def code(quantity, value):
    """The converter's code: the detectors' law as in the configuration, 0.0625 mV a code."""
    import math
    if quantity == "supply":
        return round(value / 20 * 1000 / 0.0625)
    loss = 30.5 if quantity == "drive" else 50.5
    return round(-24.4 * (10 * math.log10(value * 1000) - loss - 19.6) / 0.0625)


class Amplifier:
    """The kernel's files in a folder, and both programs on them."""

    def __init__(self, tools, folder, port=0, name="measured", scan=f"{PERIOD_MS} ms", period=PERIOD_MS, qualify="0 s",
                 fastest="1 s", host="127.0.0.1"):
        self.tools, self.name = tools, name
        self.top = pathlib.Path(folder) / name
        adc = self.top / "sys/bus/iio/devices/iio:device0"
        adc.mkdir(parents=True)
        (self.top / "state").mkdir()
        (adc / "name").write_text("ads1015\n")
        (adc / "in_voltage_scale").write_text("0.062500000\n")
        self.files = {q: adc / f"in_voltage{i}_raw" for i, q in enumerate(QUIET)}
        self.put_all(QUIET)
        mqtt = f"mqtt: {{host: {host}, port: {port}, fastest: {fastest}, slowest: 30 s}}\n" if port else ""
        self.configuration = self.top / "dekeyd.yaml"
        self.configuration.write_text(CONFIGURATION.format(id=name, top=self.top, period=period, scan=scan, mqtt=mqtt,
                                                           qualify=qualify, detector=DETECTOR))
        self.process = self.telemetry = None
        self.publishes = bool(port)

    def text(self, quantity, value):
        return f"{code(quantity, value):<6d}"

    def put(self, quantity, value):
        descriptor = os.open(self.files[quantity], os.O_WRONLY | os.O_CREAT, 0o644)
        os.pwrite(descriptor, (self.text(quantity, value) + "\n").encode(), 0)
        os.close(descriptor)

    def put_all(self, values):
        for quantity, value in values.items():
            self.put(quantity, value)

    def start(self, keyed=True, wait=True, environment=None):
        """Permitted, and then transmitting: RF before the permit would be a fault of its own."""
        with open(self.top / "log", "ab") as log:
            self.process = subprocess.Popen([self.tools.dekeyd, "--config", str(self.configuration)], stdin=subprocess.DEVNULL,
                                            stdout=log, stderr=log, env={**os.environ, **(environment or {})})
            if self.publishes:
                self.telemetry = subprocess.Popen([self.tools.telemetry, "--config", str(self.configuration)], stdin=subprocess.DEVNULL,
                                                  stdout=log, stderr=log, env={**os.environ, **(environment or {})})
        if wait:
            self.wait_permit()
            self.put_all(KEYED if keyed else {})
        return self

    def ctl(self, *arguments):
        return subprocess.run([self.tools.dekeyctl, "--run", str(self.top / "run"), *arguments], stdout=subprocess.DEVNULL,
                              stderr=subprocess.DEVNULL, check=False).returncode

    def wait_permit(self):
        """The first start is latched until a reset, which is refused before the sensors have proved good."""
        processes.wait_for("a permit", lambda: self.permits() or self.ctl("reset") and self.permits(), 30)

    def permits(self):
        try:
            return (self.top / "line").read_text().startswith(self.tools.permit)
        except FileNotFoundError:
            return False

    def stop(self):
        for process in (self.telemetry, self.process):
            if process and process.poll() is None:
                process.send_signal(signal.SIGCONT)
                process.terminate()
                process.wait(10)
        self.process = self.telemetry = None
        self.put_all(QUIET)  # for a next start

    def start_recording(self, seconds):
        """Of the guard's steps, through the control socket."""
        path = self.top / "recording.csv"
        path.unlink(missing_ok=True)
        return path, subprocess.Popen([self.tools.dekeyctl, "--run", str(self.top / "run"), "record", str(path), "--seconds",
                                       str(round(seconds))], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def lateness_us(recording, period_ms):
    """p99 of how late the guard's own period came."""
    path, process = recording
    process.wait(120)
    steps, names = [], None
    with open(path, encoding="utf-8") as rows:
        for row in rows:
            if row.startswith("#"):
                continue
            cells = row.rstrip("\n").split(",")
            if names is None:
                names = {name: i for i, name in enumerate(cells)} if "sampler" in cells else None
            elif cells[names["step"]]:
                steps.append((float(cells[names["t (s)"]]) * 1e6, not cells[names["sampler"]]))
    if len(steps) < 100:
        raise RuntimeError(f"{path}: only {len(steps)} steps")
    return p99_lateness(steps, period_ms * 1000)


def p99_lateness(steps, period_us):
    """Of steps, each a time and whether it came by the period: what does not, a scan or the start of the peer's loop, begins
    the grid anew. The same for the daemon and its peer."""
    late, grid = [], None
    for at, own in steps:
        if not own:
            grid = at
            continue
        slots = 0 if grid is None else int((at - grid) / period_us + 0.25)
        if slots == 0:  # one more look in the same period
            continue
        late.append(at - grid - period_us)
        grid += slots * period_us
        if at - grid > period_us / 2:
            grid = at - period_us / 2  # as the guard itself moves it
    return sorted(late)[int(len(late) * 0.99)]


def cpu_s(pid):
    """All threads, in the kernel and out of it, to the nanosecond: the process's own clock (<linux/posix-timers.h>)."""
    return time.clock_gettime((~pid << 3) | 2)


def cpu_shares(pids, seconds):
    """What share of a processor each took in the same seconds."""
    begun = [cpu_s(pid) for pid in pids]
    time.sleep(seconds)
    return [(cpu_s(pid) - b) / seconds for pid, b in zip(pids, begun)]


def own_kb(pid):
    """What it alone has in memory: pages that no other process shares."""
    lines = pathlib.Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    return sum(int(line.split()[1]) for line in lines if line.startswith("Private_"))


def rss_kb(pid):
    for line in pathlib.Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1])
    return 0


class Tools:
    def __init__(self, build):
        build = pathlib.Path(build).resolve()
        self.dekeyd, self.dekeyctl, self.telemetry = (str(build / name) for name in ("dekeyd", "dekeyctl", "dekeyd-telemetry"))
        self.cycle, self.peer = str(build / "measure_cycle"), str(build / "measure_peer")
        self.resolver = str(build / "tests/mqtt/slow_resolver.so")
        self.permit, self.inhibit = "1", "0"

    def run_peer(self, *arguments):
        return json.loads(subprocess.run([self.peer, *map(str, arguments)], capture_output=True, check=True).stdout)

    def start_peer(self, *arguments):
        return subprocess.Popen([self.peer, *map(str, arguments)], stdout=subprocess.PIPE)

    def start_python(self, hz, seconds, port, amplifier):
        """Returns when it is in its loop: what it takes to start is not its work."""
        files = [str(amplifier.files[q]) for q in QUIET]
        peer = subprocess.Popen(["/usr/bin/python3", "-B", str(HERE / "peer.py"), str(hz), str(seconds), str(port), *files],
                                stdout=subprocess.PIPE)
        if peer.stdout.readline() != b"running\n":
            raise RuntimeError("the Python peer didn't start")
        return peer


def answer(process):
    out, _ = process.communicate(timeout=120)
    if process.returncode != 0:
        raise RuntimeError(f"{process.args[0]} ended with {process.returncode}")
    return json.loads(out)


def end(*peers):
    for peer in peers:
        peer.kill()
        peer.communicate()


def median(values):
    return statistics.median(values)


class Bench:
    """One folder and one broker for all rows."""

    def __init__(self, tools, seconds):
        self.tools, self.seconds = tools, seconds
        self.rows = []
        self.stack = contextlib.ExitStack()
        self.folder = self.stack.enter_context(tempfile.TemporaryDirectory(prefix="dekeyd-measure-"))
        self.processes = processes.Processes(self.folder)
        self.stack.callback(self.processes.stop)
        self.port = processes.start_broker(self.processes)[0]

    @property
    def broker(self):
        return dict(self.processes.running)["mosquitto"]

    def amplifier(self, **how):
        how.setdefault("name", f"a{len(os.listdir(self.folder))}")
        amplifier = Amplifier(self.tools, self.folder, **how)
        self.stack.callback(amplifier.stop)
        return amplifier

    def say(self, number, figure, value, goal, met, words=None):
        """`met` None: shown only, with no goal of its own."""
        mark = "" if met is None else "met" if met else "MISSED"
        shown = words or f"{value:.3f}"
        print(f"{number:>4}  {figure:<58} {shown:>22}   {goal:<12} {mark}", flush=True)
        self.rows.append({"row": number, "figure": figure, "value": value, "shown": shown, "goal": goal, "met": met})

    def ratio(self, number, figure, value, most):
        self.say(number, figure, value, f"<= {most:g}", value <= most)

    # ---- rows ----

    def row_0(self):
        noise = self.tools.run_peer("spin", 3)
        self.say("0", "the machine: a spinning thread loses its processor for", noise["lost_share"], "", None,
                 f"{noise['lost_share'] * 100:.2f} %, worst {noise['worst_us'] / 1000:.1f} ms")

    def row_1(self):
        out = subprocess.run([self.tools.cycle, self.folder + "/cycle"], capture_output=True, check=True).stdout
        found = json.loads(out)
        for size, most in zip(found["sizes"], (1.05, 1.10, 1.05)):
            self.ratio("1", f"whole cycle / its reads ({found['of']}): {size['channels']} channels, {size['limits']} limits", size["ratio"], most)

    def row_2(self):
        amplifier = self.amplifier()
        with open(amplifier.top / "log", "ab") as log:
            counts = calls.trace(self.tools.dekeyd, amplifier.configuration, log, amplifier.wait_permit, self.seconds)
        rounds, sampler = calls.of_a_round(counts, "bus adc", "in_voltage1_raw")
        decisions = counts["guard"]["wait"]
        guard = {name: n / decisions for name, n in counts["guard"].items()}
        # Five reads, a wake and a wait; the guard a wait, and now and then a look at its line.
        for side, each, most in ((f"scan ({rounds} seen)", sampler, 7.1), (f"decision ({decisions} seen)", guard, 1.2)):
            total = sum(each.values())
            listed = ", ".join(f"{name} {n:.2f}" for name, n in sorted(each.items(), key=lambda c: -c[1]))
            self.say("2", f"system calls a {side}", total, f"<= {most:g}", total <= most, listed)

    def row_3(self):
        bare, python = [], []
        for _ in range(PAIRS):
            amplifier = self.amplifier().start()
            reads = [amplifier.files[q] for q in (*QUIET, "forward")]
            peers = [self.tools.start_python(1000 / PERIOD_MS, self.seconds + 5, 0, amplifier),
                     self.tools.start_peer("reads", 1000 / PERIOD_MS, self.seconds + 5, *reads)]
            time.sleep(0.3)
            own, other, least = cpu_shares([amplifier.process.pid, *(p.pid for p in peers)], self.seconds)
            bare.append(own / least)
            python.append(own / other)
            end(*peers)
            amplifier.stop()
        self.ratio("3", "CPU at 50 Hz / a bare loop of the same reads", median(bare), 1.9)
        self.ratio("3", "CPU at 50 Hz / the Python peer at 50 Hz", median(python), 0.2)

    def row_4(self):
        ratios, least = [], []
        for _ in range(PAIRS):
            amplifier = self.amplifier(scan="1 ms").start()
            reads = [amplifier.files[q] for q in (*QUIET, "forward")]
            peers = [self.tools.start_python(1000 / PERIOD_MS, self.seconds + 5, 0, amplifier),
                     self.tools.start_peer("reads", 1000, self.seconds + 5, *reads)]
            own, other, bare = cpu_shares([amplifier.process.pid, *(p.pid for p in peers)], self.seconds)
            ratios.append(own / other)
            least.append(bare / other)
            end(*peers)
            amplifier.stop()
        self.ratio("4", "CPU at 1 kHz / the Python peer at 50 Hz", median(ratios), 1.5)
        self.say("4", "a bare loop of the same reads at 1 kHz / that peer", median(least), "", None)

    def row_5(self):
        for qualify, most in (("0 s", 1.05), (f"{2 * PERIOD_MS} ms", 3.05)):
            amplifier = self.amplifier(qualify=qualify).start(keyed=False)  # RF of its own would go on after the trip
            load = [self.tools.start_peer("load", 120) for _ in range(os.cpu_count())]
            try:
                found = self.tools.run_peer("trip", amplifier.files["drive"], amplifier.text("drive", QUIET["drive"]),
                                            amplifier.text("drive", 4.0), amplifier.top / "line", self.tools.permit,
                                            self.tools.inhibit, PERIOD_MS, 100)
            finally:
                end(*load)
            amplifier.stop()
            self.ratio("5", f"file to line, p95 in periods, processors loaded, qualify {qualify}", found["p95_periods"], most)

    def lateness_ratios(self, one, other):
        """Of pairs recorded in the same seconds, so that the machine's noise falls on both."""
        ratios = []
        for _ in range(PAIRS):
            recordings = [a.start_recording(self.seconds) for a in (one, other)]
            late = [lateness_us(r, QUICK_MS) for r in recordings]
            ratios.append(late[0] / max(late[1], 1.0))
        return ratios

    def row_6(self):
        ratios = []
        amplifier = self.amplifier(scan="1 s", period=QUICK_MS).start()
        for _ in range(PAIRS):
            peer = self.tools.start_peer("wait", 1000 / QUICK_MS, self.seconds)
            own = lateness_us(amplifier.start_recording(self.seconds), QUICK_MS)
            ratios.append(own / max(p99_lateness([(0, False), *((at, True) for at in answer(peer)["at_us"])], QUICK_MS * 1000), 1.0))
        amplifier.stop()
        self.ratio("6", "the guard's lateness, p99 / a bare real-time loop's", median(ratios), 1.05)

    def row_7(self):
        for state in ("killed", "frozen", "silent", "flooding", "behind a slow resolver"):
            with self.broken(state) as (host, port, environment):
                up, other = (self.amplifier(scan="1 s", period=QUICK_MS, port=p, host=h, fastest="100 ms")
                             for h, p in (("127.0.0.1", self.port), (host, port)))
                up.start()
                other.start(environment=environment)
                ratios = self.lateness_ratios(other, up)
                up.stop()
                other.stop()
            self.ratio("7", f"lateness, p99, broker {state} / broker up", median(ratios), 1.05)

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

    def row_8(self):
        with self.own_broker() as (port, broker):
            amplifier = self.amplifier(port=port, fastest="10 ms").start()

            def change(seconds):
                """Values move beyond their dead bands at each look."""
                until, n = time.monotonic() + seconds, 0
                while time.monotonic() < until:
                    n += 1
                    amplifier.put("forward", 60 + 20 * (n % 2))
                    amplifier.put("supply", 27 + n % 2)
                    time.sleep(0.02)

            change(3)  # everything has been used once
            listener = subprocess.Popen(["mosquitto_sub", "-p", str(port), "-t", f"homie/5/{amplifier.name}/#"],
                                        stdout=subprocess.PIPE)
            change(4)
            listener.terminate()
            rate = len(listener.communicate()[0].splitlines()) / 4
            broker.send_signal(signal.SIGSTOP)
            change(45)  # its silence is noticed, and it is looked for again: those pages of the program are touched now
            before = rss_kb(amplifier.telemetry.pid)
            change(min(15000 / rate, 270))
            after = rss_kb(amplifier.telemetry.pid)
            amplifier.stop()
        self.ratio("8", f"memory after {min(15000, round(rate * 270))} messages' time, broker frozen / before", after / before, 1.02)

    def row_9(self):
        ratios, alone = [], []
        for _ in range(PAIRS):
            amplifier = self.amplifier(port=self.port).start()
            peer = self.tools.start_python(1000 / PERIOD_MS, 30, self.port, amplifier)
            time.sleep(2)
            own, own_alone = rss_kb(amplifier.process.pid), own_kb(amplifier.process.pid)
            ratios.append(own / rss_kb(peer.pid))
            alone.append(own_alone / own_kb(peer.pid))
            end(peer)
            amplifier.stop()
        self.say("9", "the guard's resident memory", own, "<= 8192 KiB", own <= 8192, f"{own} KiB")
        self.ratio("9", f"memory ({own / 1024:.1f} MiB) / the Python peer's", median(ratios), 0.4)
        self.say("9", f"of it not shared ({own_alone / 1024:.1f} MiB) / the Python peer's", median(alone), "", None)

    def row_10(self):
        amplifier = self.amplifier(port=self.port).start()
        time.sleep(3)

        def written():
            for line in pathlib.Path(f"/proc/{amplifier.process.pid}/io").read_text().splitlines():
                if line.startswith("write_bytes"):
                    return int(line.split()[1])

        before = written()
        time.sleep(2 * self.seconds)
        idle = written() - before
        amplifier.stop()
        pages = idle / 4096 * 3600 / (2 * self.seconds)
        # By arithmetic, not waited for: the hourly line is one append of less than a page, and its file's own entry.
        self.ratio("10", "pages written an idle hour, and 2 for the hourly line", pages + 2, 2)

    def row_11(self):
        figures = {}
        for count in (1, 5, 20):
            amplifiers = [self.amplifier(port=self.port, name=f"n{count}x{i}") for i in range(count)]
            for amplifier in amplifiers:
                amplifier.start()
            time.sleep(2)
            *own, broker = (share * 100 for share in cpu_shares([a.process.pid for a in amplifiers] + [self.broker.pid],
                                                                2 * self.seconds))
            memory = sum(rss_kb(a.process.pid) for a in amplifiers) / count / 1024
            figures[count] = statistics.mean(own), memory
            self.say("11", f"{count} instance{'s' if count > 1 else ''}: CPU, memory each; the broker's CPU", statistics.mean(own), "", None,
                     f"{statistics.mean(own):.2f} %, {memory:.1f} MiB; {broker:.2f} %")
            for amplifier in amplifiers:
                amplifier.stop()
        for what, index in (("CPU", 0), ("memory", 1)):
            spread = figures[20][index] / figures[1][index]
            self.say("11", f"{what} of each of twenty / of one alone", spread, "1 +- 0.1", abs(spread - 1) <= 0.1)

    def replays(self, scan):
        """Reports of several replays of one recording."""
        amplifier = self.amplifier(scan=scan).start()
        path, recording = amplifier.start_recording(3 * self.seconds)
        recording.wait(120)
        amplifier.stop()
        replay = [self.tools.dekeyctl, "replay", "--json", str(path)]
        return [json.loads(subprocess.run(replay, capture_output=True, check=False).stdout) for _ in range(PAIRS)]

    def row_12(self):
        rate = median(report["steps"] * 5 / report["took_s"] for report in self.replays("1 ms"))
        self.say("12", "replay: samples a second", rate, ">= 1e6", rate >= 1e6, f"{rate:,.0f}")
        times = median(report["length_s"] / report["took_s"] for report in self.replays(f"{PERIOD_MS} ms"))
        self.say("12", "replay: times real time, of a recording at 50 Hz", times, ">= 1000", times >= 1000, f"{times:,.0f}")

    def row_13(self):
        amplifier = self.amplifier().start()
        amplifier.stop()
        times = []
        for _ in range(PAIRS):
            begun = time.monotonic()
            amplifier.start(keyed=False, wait=False)
            while not amplifier.permits():
                time.sleep(0.001)
            times.append((time.monotonic() - begun) * 1000 - 200)
            amplifier.stop()
        self.say("13", "start to permit, beyond the settling time, ms", median(times), "<= 200", median(times) <= 200,
                 f"{median(times):.0f} ms")


def main():
    parser = argparse.ArgumentParser(prog="tools/measure")
    parser.add_argument("build")
    parser.add_argument("rows", nargs="*", type=int)
    parser.add_argument("--json", help="writes the figures to a file too")
    parser.add_argument("--seconds", type=float, default=5.0, help="of each measurement")
    options = parser.parse_intermixed_args()
    bench = Bench(Tools(options.build), options.seconds)
    begun = time.monotonic()
    print(f"{time.strftime('%Y-%m-%d')}, {platform.machine()}, {os.cpu_count()} processors, Linux {platform.release()}\n")
    print(f"{'row':>4}  {'figure':<58} {'here':>22}   {'goal':<12}")
    with bench.stack:
        for number in options.rows or range(14):
            try:
                getattr(bench, f"row_{number}")()
            except Exception as error:  # a row that can't be measured is said, and the others go on
                bench.say(str(number), f"not measured: {error}"[:200], float("nan"), "", False, "-")
    with_goal = [row for row in bench.rows if row["met"] is not None]
    met = sum(row["met"] for row in with_goal)
    if options.json:
        pathlib.Path(options.json).write_text(json.dumps(bench.rows, indent=1))
    print(f"\nin {(time.monotonic() - begun) / 60:.1f} minutes: {met} of {len(with_goal)} goals met, {len(with_goal) - met} missed")
    return 0


if __name__ == "__main__":
    sys.exit(main())
