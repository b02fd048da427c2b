"""A rig for the fault tests: the kernel's files in a folder, the shim's rules, and the real daemon on them.

How it is judged: by the order of the daemon's own events and by its own stamps, which are of the clock that the test
reads too (CLOCK_MONOTONIC). Every wait is for a condition, with a cap so wide that a loaded machine doesn't reach it.
"""
import collections
import json
import mmap
import os
import pathlib
import shutil
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import threading
import time
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent))
from state_text import newest_state  # noqa: E402

DEKEYD = os.environ["DEKEYD"]
INHIBIT = os.environ["DEKEYD_INHIBIT"]
SHIM = os.environ["FAULTS_SHIM"]
CAP_S = 40.0  # of every wait
FROZEN_S = 3.0

DETECTOR = ("measures: power, allowed_age: 300 ms, valid: 0.35 V .. 2.2 V, detector: {slope: -24.4 mV/dB, "
            "intercept: 19.6 dBm, floor: -50 dBm, ceiling: 5 dBm}, pads: 10 dB, cable: 0.5 dB, "
            "frozen_after: 3 s, frozen: fault")

# The deadline and the ages are wide: a noisy machine is late, and what is tested here isn't how late. The thermometer's
# thread has no real-time priority, so its age is the widest.
CONFIGURATION = """\
dekeyd: 1
device: {id: hilltop-23cm, name: Hill-top repeater amplifier}
paths: {sysfs: TOP/sys, state: TOP/state, run: TOP/run}
guard: {period: 10 ms, deadline: 10 s, settling: 200 ms, hold_off: 200 ms}
line: {driver: file, path: TOP/amplifier/inhibit-line}
buses:
  wire: {driver: w1, period: 10 ms, conversion: 1 ms}
  adc: {driver: iio, device: ads1015, period: 10 ms, codes: -32768 .. 32767}
  psu: {driver: hwmon, device: ltc4151, period: 10 ms}
  contacts: {driver: contact, period: 10 ms}
sensors:
  heatsink: {bus: wire, address: 28-000000000001, measures: temperature, role: heatsink, allowed_age: 1 s,
             largest_jump: 200 K, frozen_after: 3 s, frozen: fault}
  forward: {bus: adc, address: voltage0, role: forward, coupling: 40 dB, DETECTOR}
  reflected: {bus: adc, address: voltage1, role: reflected, coupling: 40 dB, DETECTOR}
  drive: {bus: adc, address: voltage2, role: drive, coupling: 20 dB, DETECTOR}
  supply: {bus: psu, address: in1, measures: voltage, role: supply, allowed_age: 300 ms, valid: 1 V .. 60 V,
           frozen_after: 3 s, frozen: fault}
  current: {bus: psu, address: curr1, measures: current, role: current, allowed_age: 300 ms, valid: -1 A .. 40 A}
  lid: {bus: contacts, address: "file:contacts/lid", measures: contact, allowed_age: 300 ms, hold_off: 200 ms,
        rearm: automatic}
  load-hot: {bus: contacts, address: "file:contacts/load", measures: contact, normally: open, allowed_age: 300 ms,
             hold_off: 200 ms, rearm: latched}
amplifier: {rated_forward: 120 W, minimum_forward: 6 W, rf_present: 1 W, maximum_drive: 2.5 W, drive_absent: 50 mW,
            nominal_supply: 28 V, maximum_current: 14 A, directivity: 30 dB}
limits:
  heatsink: {watch: heatsink, above: 70 degC, clear: 55 degC, qualify: 20 ms, hold_off: 200 ms, rearm: automatic}
  vswr: {watch: vswr, above: 2.0, clear: rf off, qualify: 20 ms, hold_off: 200 ms, rearm: latched,
         while: {quantity: forward, above: 6 W}}
  forward: {watch: forward, above: 125 W, clear: rf off, qualify: 20 ms, hold_off: 200 ms, rearm: automatic}
  drive: {watch: drive, above: 2.5 W, clear: 2.0 W, qualify: 20 ms, hold_off: 200 ms, rearm: automatic}
  supply-high: {watch: supply, above: +10 %, clear: +5 %, qualify: 20 ms, hold_off: 200 ms, rearm: automatic}
  supply-low: {watch: supply, below: -15 %, clear: -7 %, qualify: 20 ms, hold_off: 200 ms, rearm: automatic}
lockout: {trips: 100, window: 10 min, unclean_starts: 100}
"""


def now():
    return time.clock_gettime(time.CLOCK_MONOTONIC)


class Failed(AssertionError):
    pass


class Shim:
    """The rules of shim.cpp: the same layout as its Control."""
    OPERATIONS = {"pread": 1, "pwrite": 2, "write": 4, "fsync": 8, "open": 16, "rename": 32, "malloc": 64,
                  "ftruncate": 128}
    ACTIONS = {"hang": 1, "slow": 2, "errno": 3, "content": 4, "swallow": 5, "die": 6, "torn": 7, "full": 8}
    HEAD, RULE, RULES = struct.Struct("=qII"), struct.Struct("=IIIIqII64s160s"), 8

    def __init__(self, path):
        size = self.HEAD.size + self.RULES * self.RULE.size + 8
        path.write_bytes(bytes(size))
        with open(path, "r+b") as file:
            self.memory = mmap.mmap(file.fileno(), size)
        self.on_now = {}

    def place(self, rule):
        return self.HEAD.size + rule * self.RULE.size

    def on(self, operations, action, path, argument=0, content=b""):
        """The rule's number."""
        rule = next(r for r in range(self.RULES) if r not in self.on_now)
        mask = sum(self.OPERATIONS[o] for o in operations.split())
        at = self.place(rule)
        packed = self.RULE.pack(0, mask, self.ACTIONS[action], 0, argument, len(content), 0, content, str(path).encode())
        self.memory[at:at + self.RULE.size] = packed
        self.memory[at:at + 4] = struct.pack("=I", 1)
        self.on_now[rule] = mask
        self.tell()
        return rule

    def off(self, rule):
        self.memory[self.place(rule):self.place(rule) + 4] = struct.pack("=I", 0)
        self.on_now.pop(rule, None)
        self.tell()

    def clear(self):
        for rule in list(self.on_now):
            self.off(rule)

    def tell(self):
        mask = 0
        for one in self.on_now.values():
            mask |= one
        self.memory[8:12] = struct.pack("=I", mask)

    def hits(self, rule):
        return struct.unpack_from("=I", self.memory, self.place(rule) + 12)[0]

    def sleep(self, seconds):
        """As if the machine had slept so long in all: the boot clock alone goes on."""
        self.memory[-8:] = struct.pack("=q", round(seconds * 1e9))

    def step_wall_clock(self, seconds):
        self.memory[0:8] = struct.pack("=q", round(seconds * 1e9))


class Manager:
    """A service manager's notify socket, with the time of each message."""

    def __init__(self, path):
        self.path = str(path)
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(self.path)
        self.messages = []
        threading.Thread(target=self.listen, daemon=True).start()

    def listen(self):
        while True:
            try:
                data = self.socket.recv(8192)
            except OSError:
                return
            for line in data.decode().splitlines():
                self.messages.append((now(), line))

    def times(self, message):
        return [at for at, text in list(self.messages) if text == message]

    def close(self):
        self.socket.close()


class Rig:
    """One amplifier with its daemon."""
    NAMES = {"heatsink": "Heatsink", "forward": "Forward", "drive": "Drive", "supply": "Supply", "lid": "Lid",
             "load-hot": "Load hot"}

    def __init__(self, extra="", platter=False, configuration=CONFIGURATION):
        self.top = pathlib.Path(tempfile.mkdtemp(prefix="dekeyd-faults-"))
        self.sys, self.state, self.run = self.top / "sys", self.top / "state", self.top / "run"
        self.line = self.top / "amplifier/inhibit-line"
        self.platter = self.top / "platter" if platter else None
        self.changed = threading.Condition()
        self.telemetry = None
        self.events, self.status, self.daemon, self.stream = [], None, None, None
        self.seen = collections.deque(maxlen=4000)  # (when, values) of every status
        self.still = set()  # sensors that the dithering leaves alone
        self.manager = None
        self.make_files()
        self.shim = Shim(self.top / "control")
        self.configuration = self.top / "dekeyd.yaml"
        self.configuration.write_text(configuration.replace("DETECTOR", DETECTOR).replace("TOP", str(self.top)) + extra)
        with Dither.lock:
            Dither.rigs.append(self)

    # ---- the kernel's files ----

    def make_files(self):
        for folder in ("sys/bus/w1/devices/28-000000000001", "sys/bus/iio/devices/iio:device0", "sys/class/hwmon/hwmon0",
                       "sys/contacts", "state", "amplifier"):
            (self.top / folder).mkdir(parents=True)
        if self.platter:
            self.platter.mkdir()
        self.adc, self.psu = self.sys / "bus/iio/devices/iio:device0", self.sys / "class/hwmon/hwmon0"
        self.wire = self.sys / "bus/w1/devices/28-000000000001"
        (self.adc / "name").write_text("ads1015\n")
        (self.psu / "name").write_text("ltc4151\n")
        for channel in range(3):
            (self.adc / f"in_voltage{channel}_scale").write_text("0.062500000\n")
        self.values = {"heatsink": 30000, "forward": 27250, "reflected": 27250, "drive": 27250, "supply": 28000,
                       "current": 500, "lid": 1, "load-hot": 0}
        for sensor, value in self.values.items():
            self.write(sensor, value)

    def file(self, sensor):
        return {"heatsink": self.wire / "temperature", "forward": self.adc / "in_voltage0_raw",
                "reflected": self.adc / "in_voltage1_raw", "drive": self.adc / "in_voltage2_raw",
                "supply": self.psu / "in1_input", "current": self.psu / "curr1_input",
                "lid": self.sys / "contacts/lid", "load-hot": self.sys / "contacts/load"}[sensor]

    def write(self, sensor, content):
        """In the kernel's way: one write of constant length, so that no reader sees half of it."""
        if isinstance(content, int):
            content = f"{content:<11d}\n".encode()
        descriptor = os.open(self.file(sensor), os.O_WRONLY | os.O_CREAT, 0o644)
        try:
            if os.fstat(descriptor).st_size > len(content):
                os.ftruncate(descriptor, len(content))
            os.pwrite(descriptor, content, 0)
        finally:
            os.close(descriptor)

    def set(self, sensor, value):
        with Dither.lock:
            self.values[sensor] = value
            self.write(sensor, value)

    def damage(self, sensor, content):
        with Dither.lock:
            self.still.add(sensor)
            self.write(sensor, content)

    def freeze(self, sensor):
        with Dither.lock:
            self.still.add(sensor)

    def mend(self, sensor):
        with Dither.lock:
            self.still.discard(sensor)
            self.write(sensor, self.values[sensor] + 1 if sensor in Dither.moving else self.values[sensor])

    # ---- the daemon ----

    def start(self, wait=True, watchdog_s=None, log=None):
        """`log`: a descriptor for its standard error, instead of the rig's file."""
        assert self.daemon is None
        environment = {**os.environ, "LD_PRELOAD": SHIM, "FAULTS_CONTROL": str(self.top / "control")}
        self.events, self.status = [], None
        self.seen.clear()
        if self.platter:
            self.seed_platter()
            environment.update(FAULTS_DISK=str(self.state), FAULTS_PLATTER=str(self.platter))
        if watchdog_s:
            self.manager = self.manager or Manager(self.top / "notify")
            environment.update(NOTIFY_SOCKET=self.manager.path, WATCHDOG_USEC=str(round(watchdog_s * 1e6)))
        with open(self.top / "log", "ab") as file:
            self.daemon = subprocess.Popen([DEKEYD, "--config", str(self.configuration)], stdin=subprocess.DEVNULL,
                                           stdout=file, stderr=file if log is None else log, env=environment)
        if self.telemetry is None and "\nmqtt:" in self.configuration.read_text():
            with open(self.top / "log", "ab") as file:  # never with faults: what it does is nothing to the guard
                self.telemetry = subprocess.Popen([DEKEYD + "-telemetry", "--config", str(self.configuration)],
                                                  stdin=subprocess.DEVNULL, stdout=file, stderr=file)
        if wait:
            self.connect()
        return self

    def connect(self):
        """The stream of events and statuses; from here on nothing is missed."""
        until = now() + CAP_S
        while True:
            stream = socket.socket(socket.AF_UNIX)
            try:
                stream.connect(str(self.run / "control"))
                break
            except OSError:
                stream.close()
                if self.daemon.poll() is not None:
                    raise Failed(f"the daemon ended with {self.daemon.returncode}:\n{self.log()}") from None
                if now() > until:
                    raise Failed(f"no control socket within {CAP_S} s:\n{self.log()}") from None
                time.sleep(0.01)
        self.stream = stream
        stream.sendall(b'{"ask":"watch","hz":20}\n')
        threading.Thread(target=self.follow, args=(stream,), daemon=True).start()
        self.wait(lambda: self.status is not None, "a first status")
        return self

    def follow(self, stream):
        try:
            for line in stream.makefile("rb"):
                said = json.loads(line)
                with self.changed:
                    if "event" in said:
                        self.events.append(said["event"])
                    elif "status" in said:
                        self.status = said["status"]
                        self.seen.append((self.status["now_s"], {q["id"]: q["value"] for q in self.status["quantities"]}))
                    self.changed.notify_all()
        except (OSError, ValueError):
            pass

    def answers(self):
        """Whether somebody listens at the control socket."""
        with socket.socket(socket.AF_UNIX) as client:
            try:
                client.connect(str(self.run / "control"))
            except OSError:
                return False
            return True

    def ask(self, **request):
        with socket.socket(socket.AF_UNIX) as client:
            client.settimeout(CAP_S)
            client.connect(str(self.run / "control"))
            client.sendall(json.dumps(request).encode() + b"\n")
            return json.loads(client.makefile("rb").readline())

    def reset_when_clear(self):
        self.until(lambda: self.ask(ask="reset", reason="test")["ok"], "a reset that is taken")

    def send(self, number):
        self.daemon.send_signal(number)

    def ended(self, cap_s=CAP_S):
        """Its exit code, once it has ended."""
        try:
            code = self.daemon.wait(cap_s)
        except subprocess.TimeoutExpired:
            raise Failed(f"the daemon doesn't end within {cap_s} s:\n{self.log()}") from None
        self.daemon = None
        if self.stream:
            self.stream.close()
            self.stream = None
        return code

    def stop(self, number=signal.SIGTERM):
        self.send(number)
        return self.ended()

    def kill_and_hook(self):
        """As the service manager does: SIGKILL, then the stop hook. The line's text after it."""
        self.stop(signal.SIGKILL)
        subprocess.run([INHIBIT, str(self.run / "line")], check=True, timeout=CAP_S, stdout=subprocess.DEVNULL)
        return self.line_text()

    def close(self):
        with Dither.lock:
            if self in Dither.rigs:
                Dither.rigs.remove(self)
        self.shim.clear()
        for process in (self.telemetry, self.daemon):
            if process is not None:
                process.kill()
                process.wait()
        if self.stream:
            self.stream.close()
        if self.manager:
            self.manager.close()
        shutil.rmtree(self.top, ignore_errors=True)

    # ---- the disk: what there is at a start is durable, and from then on what was fsynced is ----

    def state_folders(self):
        """Each with the suffix of its list of names."""
        return [(self.state, "")] + [(p, "+" + p.name) for p in sorted(self.state.iterdir()) if p.is_dir()]

    def seed_platter(self):
        shutil.rmtree(self.platter)
        self.platter.mkdir()
        for folder, flat in self.state_folders():
            names = {e.name: e.stat(follow_symlinks=False).st_ino for e in os.scandir(folder)}
            (self.platter / f"names{flat}").write_text("".join(f"{inode} {name}\n" for name, inode in names.items()))
            for name, inode in names.items():
                if (folder / name).is_file():
                    shutil.copyfile(folder / name, self.platter / str(inode))

    def stored_state(self):
        """The newest state's text in the state file, as a start would find it now."""
        return newest_state((self.state / "state").read_bytes())

    def durable_state(self):
        """The same as a power cut would leave it."""
        try:
            inode = next(line.split(" ", 1)[0] for line in (self.platter / "names").read_text().splitlines()
                         if line.endswith(" state"))
            return newest_state((self.platter / inode).read_bytes())
        except (OSError, StopIteration):  # just being renewed
            return ""

    def power_cut(self, all_names):
        """Makes the state directory what the disk has, and the run directory empty. `all_names`: names that weren't fsynced are there as well (a file
        system may write names first), with the content that was fsynced, which may be none."""
        fresh = self.top / "state.after"
        for folder, flat in self.state_folders():
            target = fresh / folder.relative_to(self.state)
            target.mkdir(parents=True, exist_ok=True)
            names = self.platter / f"names{flat}"
            if all_names or not names.exists():
                entries = {e.name: e.stat(follow_symlinks=False).st_ino for e in os.scandir(folder)} if all_names else {}
            else:
                entries = {name: int(inode) for inode, name in
                           (line.split(" ", 1) for line in names.read_text().splitlines()) if name not in (".", "..")}
            for name, inode in entries.items():
                if not (folder / name).is_dir():
                    content = self.platter / str(inode)
                    (target / name).write_bytes(content.read_bytes() if content.exists() else b"")
        shutil.rmtree(self.state)
        fresh.rename(self.state)
        shutil.rmtree(self.run, ignore_errors=True)  # which lies in memory

    # ---- what it says ----

    def log(self):
        log = self.top / "log"
        return log.read_text(errors="replace") if log.exists() else ""

    def line_text(self):
        try:
            return self.line.read_bytes()
        except FileNotFoundError:
            return b""

    def holders(self, path):
        """The names of the daemon's threads that have the file open; the guard has a table of its own."""
        found = set()
        for entry in pathlib.Path(f"/proc/{self.daemon.pid}/task").glob("*/fd/*"):
            try:
                if os.readlink(entry) == str(path):
                    found.add((entry.parent.parent / "comm").read_text().strip())
            except OSError:  # just closed, or ended
                pass
        return found

    def permits(self):
        return self.line_text() == b"1\n"

    def causes(self):
        return {cause["id"]: cause for cause in self.status["causes"]}

    def quantity(self, sensor):
        return next(q for q in self.status["quantities"] if q["id"] == sensor)

    def wait(self, condition, what, cap_s=CAP_S):
        """The condition's first true value, looked at after everything that the daemon says."""
        until = now() + cap_s
        with self.changed:
            while True:
                value = condition()
                if value:
                    return value
                left = until - now()
                if left <= 0:
                    raise Failed(f"not within {cap_s:g} s: {what}; {self.where()}")
                self.changed.wait(min(left, 0.1))
                if self.daemon is not None and self.daemon.poll() is not None:
                    raise Failed(f"the daemon ended with {self.daemon.returncode} while waiting for {what}:\n{self.log()}")

    def until(self, condition, what, cap_s=CAP_S):
        """The same for what the daemon doesn't say."""
        until = now() + cap_s
        while True:
            value = condition()
            if value:
                return value
            if now() > until:
                raise Failed(f"not within {cap_s:g} s: {what}; {self.where()}")
            time.sleep(0.01)

    def where(self):
        if not self.status:
            return "no status; log:\n" + self.log()[-2000:]
        causes = {c["id"]: c["condition"] + (" latched" if c["latched"] else "") for c in self.status["causes"]}
        return (f"state {self.status['state']}, line {self.line_text()!r}, causes {causes}, '{self.status['reason']}', "
                f"last events {[(e['kind'], e['source']) for e in self.events[-8:]]}")

    def mark(self):
        with self.changed:
            return len(self.events)

    def event(self, mark, kind, sources=None, what=None):
        """The first event of this kind after the mark, of one of these sources where given."""
        def found():
            return next((e for e in self.events[mark:] if e["kind"] == kind and (sources is None or e["source"] in sources)),
                        None)
        return self.wait(found, what or f"the event '{kind}' of {sources or 'any source'}")

    def events_since(self, mark, kind):
        with self.changed:
            return [e for e in self.events[mark:] if e["kind"] == kind]

    def wait_permit(self):
        self.wait(lambda: self.status["permit"] and self.status["state"] == "permitted" and self.permits(), "a permit")

    def require(self, holds, what):
        if not holds:
            raise Failed(f"{what}; {self.where()}")


class Dither:
    """A living sensor's last digit moves; what stands still for long is a fault."""
    lock = threading.RLock()
    rigs = []
    moving = ("heatsink", "forward", "reflected", "drive", "supply")

    @classmethod
    def run(cls):
        odd = 0
        while True:
            odd ^= 1
            with cls.lock:
                for rig in cls.rigs:
                    for sensor in cls.moving:
                        if sensor not in rig.still:
                            rig.write(sensor, rig.values[sensor] + odd)
            time.sleep(0.4)


threading.Thread(target=Dither.run, daemon=True).start()

_lasting = threading.Lock()
_state_after_first_start = None


def used_rig(**keywords):
    """A rig whose daemon has had its first start and a clean stop, so that a start permits."""
    global _state_after_first_start
    rig = Rig(**keywords)
    if keywords.get("configuration"):  # another plan, with a first start of its own
        rig.start()
        rig.reset_when_clear()
        rig.wait_permit()
        rig.stop()
        return rig
    with _lasting:
        if _state_after_first_start is None:
            rig.start()
            rig.reset_when_clear()
            rig.wait_permit()
            if rig.stop() != 0:
                raise Failed("a clean stop doesn't end with 0")
            _state_after_first_start = (rig.state / "state").read_bytes()
            return rig
    (rig.state / "state").write_bytes(_state_after_first_start)
    return rig


class RigTest(unittest.TestCase):
    """Tests that each take a used rig: its log is shown where the test fails, and it is closed in any case."""

    def rig(self, **keywords):
        rig = used_rig(**keywords)

        def end():
            if not self._outcome.success:
                print(f"---- log of {self.id()}\n{rig.log()}----", flush=True)
            rig.close()

        self.addCleanup(end)
        return rig
