"""The programs that are run beside the daemon: its own, and its peers."""
import json
import pathlib
import subprocess

from amplifier import QUIET

HERE = pathlib.Path(__file__).resolve().parent
PYTHON = ("/usr/bin/python3", "-B", str(HERE / "peer.py"))
NODE = ("node", str(HERE / "peer.mjs"))


class Tools:
    def __init__(self, build):
        build = pathlib.Path(build).resolve()
        self.dekeyd, self.dekeyctl, self.telemetry, self.inhibit_hook = (
            str(build / name) for name in ("dekeyd", "dekeyctl", "dekeyd-telemetry", "dekeyd-inhibit"))
        self.cycle, self.peer = str(build / "measure_cycle"), str(build / "measure_peer")
        self.page = build / "page/index.html"
        self.resolver = str(build / "tests/mqtt/slow_resolver.so")
        self.permit, self.inhibit = "1", "0"

    def run_peer(self, *arguments):
        return json.loads(subprocess.run([self.peer, *map(str, arguments)], capture_output=True, check=True).stdout)

    def start_peer(self, *arguments):
        return subprocess.Popen([self.peer, *map(str, arguments)], stdout=subprocess.PIPE)


def start(program, hz, seconds, port, amplifier):
    """A peer on the amplifier's files, with a line file of its own. Returns when it is in its loop: what it takes to start
    is not its work."""
    line = amplifier.top / "peer-line"
    line.write_text("0\n")
    files = [str(amplifier.files[q]) for q in QUIET]
    peer = subprocess.Popen([*program, str(hz), str(seconds), str(port), str(line), *files], stdout=subprocess.PIPE)
    if peer.stdout.readline() != b"running\n":
        raise RuntimeError(f"the peer {program[-1]} didn't start")
    return peer


def best_rate(program, port, amplifier):
    """The fastest of usual rates that it holds, alone on the machine: at most one round in a hundred is missing."""
    for hz in (1000, 500, 200, 100, 50):
        peer = start(program, hz, 2, port, amplifier)
        rounds = int(peer.communicate(timeout=60)[0])
        if rounds >= 0.99 * 2 * hz:
            return hz
    return 20


def end(*processes):
    for process in processes:
        process.kill()
        process.communicate()
