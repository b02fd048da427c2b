"""Figures of processes and of recordings, and how sure a ratio is."""
import math
import pathlib
import random
import statistics
import time

# Student's t, 97.5 % points for 1 to 12 degrees of freedom (scipy.stats.t.ppf(0.975, n)); more are taken as 12.
T_975 = (12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228, 2.201, 2.179)


class Figure:
    """A figure with the interval in which it lies at 95 %; without one it is a count, and exact."""

    def __init__(self, value, low=None, high=None):
        self.value, self.low, self.high = value, value if low is None else low, value if high is None else high

    def verdict(self, most):
        """Met or missed only where the whole interval says so; else the machine's noise hides it."""
        return "met" if self.high <= most else "MISSED" if self.low > most else "open"

    def __str__(self):
        value, low, high = (f"{v:,.0f}" if v >= 1000 else f"{v:.3g}" for v in (self.value, self.low, self.high))
        return value if self.low == self.value == self.high else f"{value} ({low} to {high})"


def of_pairs(ratios):
    """The geometric mean of ratios, each taken side by side, with its interval by Student's t."""
    logarithms = [math.log(ratio) for ratio in ratios]
    mean = statistics.mean(logarithms)
    wide = T_975[min(len(ratios) - 1, len(T_975)) - 1] * statistics.stdev(logarithms) / math.sqrt(len(ratios))
    return Figure(math.exp(mean), math.exp(mean - wide), math.exp(mean + wide))


def at_share(values, share):
    """The smallest value that this share of them doesn't exceed."""
    ordered = sorted(values)
    return ordered[max(0, math.ceil(share * len(ordered)) - 1)]


def of_share(values, share, over=None):
    """A quantile, or its ratio to the same quantile of others, with its interval by drawing again (bootstrap)."""
    draw = random.Random(1)

    def once(pick):
        value = at_share(pick(values), share)
        return value / at_share(pick(over), share) if over else value

    drawn = sorted(once(lambda all_of_them: draw.choices(all_of_them, k=len(all_of_them))) for _ in range(400))
    return Figure(once(lambda all_of_them: all_of_them), drawn[10], drawn[389])


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
    """Of steps, each a time and whether it came by the period: what does not, a scan, begins the grid anew."""
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
    return at_share(late, 0.99)


def cpu_s(pid):
    """All threads, in the kernel and out of it, to the nanosecond: the process's own clock (<linux/posix-timers.h>)."""
    return time.clock_gettime((~pid << 3) | 2)


def cpu_shares(groups, seconds):
    """What share of a processor each group of processes took in the same seconds."""
    begun = [sum(map(cpu_s, pids)) for pids in groups]
    time.sleep(seconds)
    return [(sum(map(cpu_s, pids)) - b) / seconds for pids, b in zip(groups, begun)]


def rss_kb(*pids):
    """Resident memory, of processes together."""
    return sum(int(line.split()[1]) for pid in pids for line in pathlib.Path(f"/proc/{pid}/status").read_text().splitlines()
               if line.startswith("VmRSS"))


def pages_written(pid):
    for line in pathlib.Path(f"/proc/{pid}/io").read_text().splitlines():
        if line.startswith("write_bytes"):
            return int(line.split()[1]) / 4096
    return 0.0
