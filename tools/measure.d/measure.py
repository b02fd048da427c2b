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
from amplifier import PERIOD_MS, QUIET, Amplifier  # noqa: E402
from figures import lateness_us, p99_lateness, cpu_shares, own_kb, rss_kb, Tools, answer, end, median  # noqa: E402

QUICK_MS = 5  # the guard alone, for lateness: more looks in the same time
PAIRS = 5


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
