"""What the bad days share: the rig of tests/faults, figures that are printed, and how a trip is asked for."""
import os
import pathlib
import resource
import socket
import sys
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "faults"))
from rig import CAP_S, CONFIGURATION, INHIBIT, Failed, RigTest, now  # noqa: E402,F401

LONG = os.environ.get("BADDAY_LONG") == "1"
FIGURES = []


def figure(text):
    FIGURES.append(text)
    print(f"figure: {text}", flush=True)


class Day(RigTest):
    def inhibits(self, rig):
        """Seconds from an opened lid to the line at inhibit, both as the test sees them; then well again."""
        began = now()
        rig.set("lid", 0)
        rig.until(lambda: not rig.permits(), "the line inhibits")
        took = now() - began
        rig.set("lid", 1)
        return took


def status_of(rig, name):
    """A figure of /proc/<pid>/status, in its own unit."""
    for line in pathlib.Path(f"/proc/{rig.daemon.pid}/status").read_text().splitlines():
        if line.startswith(name + ":"):
            return int(line.split()[1])
    raise Failed(f"no {name}")


def processor_s(rig):
    """Processor time of the daemon so far."""
    words = pathlib.Path(f"/proc/{rig.daemon.pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")


def limit(rig, what, soft):
    """A soft limit of the running daemon; the one before."""
    before = resource.prlimit(rig.daemon.pid, what)
    resource.prlimit(rig.daemon.pid, what, (soft, before[1]))
    return before


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def main():
    program = unittest.main(verbosity=2, exit=False)
    print("\n" + "\n".join(FIGURES))
    sys.exit(0 if program.result.wasSuccessful() else 1)
