"""Figures of processes and of recordings, and the peers they are compared with."""
import json
import pathlib
import statistics
import subprocess
import time

from amplifier import QUIET

HERE = pathlib.Path(__file__).resolve().parent


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
