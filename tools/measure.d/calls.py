"""The system calls of the real daemon in the steady state, counted by strace, thread by thread."""
import collections
import contextlib
import os
import pathlib
import re
import shutil
import signal
import subprocess
import tempfile
import time

# 12345<guard> 1700000000.123456 futex(0x55…, FUTEX_WAIT_BITSET_PRIVATE, …
LINE = re.compile(r"^\d+<(?P<thread>[^>]*)> +(?P<at>\d+\.\d+) (?P<call>\w+)\((?P<rest>.*)")


def why_not():
    """Why nothing can be counted on this machine; empty where it can."""
    if not shutil.which("strace"):
        return "strace is not installed"
    tried = subprocess.run(["strace", "-f", "-Y", "-y", "-o", "/dev/stderr", "true"], capture_output=True, text=True, check=False)
    return f"strace may not trace here: {tried.stderr.strip()[:200]}" if tried.returncode else ""


def trace(daemon, configuration, log, steady, seconds, after=lambda: None):
    """{thread: {call: how often}} in so many seconds. `steady()` brings the started daemon to the steady state,
    `after()` is called when they are over. A wait
    and a wake are told apart, and so are the reads of a converter's codes ("read") from all others."""
    with tempfile.TemporaryDirectory(prefix="dekeyd-calls-") as folder:
        table = pathlib.Path(folder) / "calls"
        # Started by strace, not attached to: a daemon that forbids core dumps forbids that as well.
        tracer = subprocess.Popen(["strace", "-f", "-Y", "-y", "-ttt", "-s", "0", "-o", str(table), "--", daemon, "--config",
                                   str(configuration)], stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        try:
            steady()
            begun = time.time()
            time.sleep(seconds)
            ended = time.time()
            after()
        finally:
            end(tracer)
        counts = collections.defaultdict(collections.Counter)
        with open(table, encoding="utf-8", errors="replace") as lines:
            for found in map(LINE.match, lines):
                if found and begun <= float(found["at"]) <= ended:
                    counts[found["thread"]][name_of(found["call"], found["rest"])] += 1
        return counts


def end(tracer):
    """Ends what it traces; it ends with that, and with nothing else."""
    for number in (signal.SIGTERM, signal.SIGKILL):
        until = time.monotonic() + 15
        while tracer.poll() is None and time.monotonic() < until:
            for child in pathlib.Path(f"/proc/{tracer.pid}/task/{tracer.pid}/children").read_text().split():
                os.kill(int(child), number)
            with contextlib.suppress(subprocess.TimeoutExpired):
                tracer.wait(2)
    tracer.wait(5)


def name_of(call, rest):
    if call == "futex":
        return "wake" if "FUTEX_WAKE" in rest else "wait"
    if call == "pread64" and (code := re.search(r"in_voltage\d+_raw>", rest)):
        return f"read {code[0][:-1]}"
    return call


def of_a_round(counts, sampler, file):
    """How often each call of a sampler that its rounds need comes in one of them: all but the look, once a second,
    whether its files are still those of the device. `file` is read once a round."""
    calls = counts[sampler]
    rounds = calls[f"read {file}"]
    if rounds == 0:
        raise RuntimeError(f"no read of {file} by {sampler}: {dict(calls)}")
    looks = ("openat", "close", "newfstatat", "fstat", "stat", "getdents64", "pread64", "lseek", "mprotect")
    needed = collections.Counter()
    for name, times in calls.items():
        if name not in looks:
            needed["read" if name.startswith("read ") else name] += times / rounds
    return rounds, dict(needed)
