"""The virtual board with its sensors and dekeyd, as an operator and the world around it see them: a console, plugs and
wires, a broker on this machine, and the inhibit line's edges as QEMU reports them.
"""
import json
import math
import os
import queue
import shutil
import socket
import subprocess
import time

import board as virtual

LINE = 5  # as board.yaml says; its high level permits
CAP_S = 240  # of every wait: reaching it is a failure, and nothing else is judged by time
WIRE, BUS = "/sys/kernel/debug/fake_w1", "/sys/kernel/debug/fake_i2c"
INHIBIT, PERMIT = False, True
REST_UV = 1_700_000  # the detectors at rest


class Failed(Exception):
    pass


def expect(true, what):
    if not true:
        raise Failed(what)


def microvolts(watts, coupling_db):
    """The log detector's output: 19.6 dBm intercept and -24.4 mV/dB, as board.yaml has it, behind coupler, pad and cable."""
    if watts <= 0:
        return REST_UV
    dbm = 10 * math.log10(watts * 1000) - coupling_db - 10.5
    return round(-24_400 * (dbm - 19.6))


class Broker:
    """A mosquitto of its own, and all that it was told."""

    def __init__(self, folder):
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        configuration = folder / "mosquitto.conf"
        # As root it would change to a user of its own, who may not enter the folder.
        user = "user root\n" if os.geteuid() == 0 else ""
        configuration.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\n{user}")
        self.server = subprocess.Popen([shutil.which("mosquitto", path=os.environ["PATH"] + ":/usr/sbin"), "-c", configuration],
                                       stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        until = time.monotonic() + 60
        while subprocess.run(["mosquitto_pub", "-p", str(self.port), "-t", "test", "-m", ""], capture_output=True, check=False).returncode:
            if time.monotonic() > until:
                raise RuntimeError("mosquitto did not start")
            time.sleep(0.1)
        self.heard = folder / "heard"
        with open(self.heard, "wb") as file:
            self.listener = subprocess.Popen(["mosquitto_sub", "-v", "-p", str(self.port), "-t", "homie/5/hilltop-board/#"],
                                             stdin=subprocess.DEVNULL, stdout=file, stderr=subprocess.DEVNULL)

    def told(self, topic):
        """Every value of a topic, in order."""
        lines = (line.partition(" ") for line in self.heard.read_text(errors="replace").splitlines())
        return [value for name, _, value in lines if name == f"homie/5/hilltop-board/{topic}"]

    def close(self):
        for process in (self.listener, self.server):
            process.kill()
            process.wait()


class Station:
    def __init__(self, kernel, initramfs, root, broker):
        self.board, self.broker = virtual.Board(kernel, initramfs, root), broker
        self.heatsink = "a1"  # the thermometer that the configuration names

    # ---- the console ----

    def answer(self):
        try:
            return self.board.answer(CAP_S)
        except queue.Empty:
            raise Failed(f"the console gives no answer within {CAP_S} s") from None

    def tell(self, command):
        self.board.send(f"{command}; echo '= done'")
        return self.answer()

    def run(self, command):
        """Its whole output, and its exit code."""
        self.board.send(f"{{ {command}; }} >/run/out 2>&1; code=$?; sed 's/^/= : /' /run/out; echo; echo \"= $code\"")
        text = []
        while True:
            line = self.answer()
            if not line.startswith(": "):
                return "\n".join(text), int(line)
            text.append(line[2:])

    def succeeds(self, command):
        text, code = self.run(command)
        expect(code == 0, f"{command}: exit code {code}\n{text}")
        return text

    def status(self):
        """What dekeyd answers; empty where it doesn't."""
        text, _ = self.run("dekeyctl status --json")
        try:
            return json.loads(text).get("status", {})
        except json.JSONDecodeError:
            return {}

    @staticmethod
    def causes(status):
        """Such as limit:vswr, channel:heatsink."""
        return [f"{cause['kind']}:{cause['id']}" for cause in status.get("causes", [])]

    def status_with(self, cause, what):
        """The status in which this cause stands. Of several that one fault brings, it needn't be the first."""
        seen = []

        def holds():
            seen[:] = [self.status()]
            return cause in self.causes(seen[0])

        self.wait_for(holds, f"{what}: {cause} stands")
        return seen[0]

    # ---- the world ----

    def connect(self):
        """Everything that is plugged in, as after power-on. The inputs first: at 0 V a log detector shows the highest power."""
        self.tell("for module in virtio_net ti-ads1015 ltc4151 w1_therm fake_i2c fake_w1; do modprobe $module; done; "
                  "ifconfig eth0 10.0.2.15 netmask 255.255.255.0 up; "
                  "grep -q debugfs /proc/mounts || mount -t debugfs none /sys/kernel/debug")
        self.tell(f"echo 0 > {WIRE}/a1/present; echo 1 > {WIRE}/{self.heatsink}/present")
        self.rf(0, 0, 0)
        self.heat(30)
        self.tell(f"echo 0 500 > {BUS}/monitor/inputs; echo 1 28000000 > {BUS}/monitor/inputs; "
                  f"bus=/sys/bus/i2c/devices/i2c-$(cat {BUS}/adapter); "
                  "echo ltc4151 0x6f > $bus/new_device; echo ads1115 0x48 > $bus/new_device; "
                  "for rate in /sys/bus/iio/devices/iio:device0/in_voltage?_sampling_frequency; do echo 860 > $rate; done")

    def rf(self, forward_w, reflected_w, drive_w):
        values = enumerate((microvolts(forward_w, 40), microvolts(reflected_w, 40), microvolts(drive_w, 20)))
        self.tell("; ".join(f"echo {channel} {value} > {BUS}/converter/inputs" for channel, value in values))

    def heat(self, celsius):
        self.tell(f"echo {round(celsius * 16) & 0xFFFFFFFF} > {WIRE}/{self.heatsink}/sixteenths")

    def fault(self, place, word):
        self.tell(f"echo {word} > {place}")

    # ---- what is seen from outside ----

    def mark(self):
        """From here on: a place in the list of edges."""
        self.board.pad(LINE)  # edges and answers come by one socket in their order: after an answer, all edges are here
        return len(self.board.edges)

    def edges(self, since=0):
        self.board.pad(LINE)
        return [(at, level) for at, line, level in self.board.edges[since:] if line == LINE]

    def levels(self, since=0):
        return [level for _, level in self.edges(since)]

    def wait(self, level, since, what):
        """The time of the first edge to `level` since then. Asks the board nothing: it may be unable to answer."""
        until = time.monotonic() + CAP_S
        while time.monotonic() < until:
            found = [at for at, seen in self.edges(since) if seen == level]
            if found:
                return found[0]
            if self.board.qemu.poll() is not None:
                break
            time.sleep(0.05)
        raise Failed(f"no edge to {'permit' if level else 'inhibit'}: {what}")

    def wait_for(self, holds, what):
        until = time.monotonic() + CAP_S
        while not holds():
            expect(time.monotonic() < until, what)
            time.sleep(0.2)

    def evidence(self):
        """What the board itself says, for a failure's report."""
        text = []
        try:
            for command in ("dekeyctl status --all", "systemctl status dekeyd --no-pager", "journalctl -u dekeyd -o cat --no-pager | tail -n 40"):
                text += [f"--- {command}", self.run(command)[0]]
        except Failed:
            text += ["--- the console's last lines", *self.board.log[-40:]]
        return "\n".join(text)

    def close(self):
        self.board.close()
