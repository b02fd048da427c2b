"""A station for tests: the kernel's files in a folder, a configuration, and the real daemon on them.

Nothing here sleeps for luck: every wait is for a condition, with a cap so wide that reaching it is a failure.
"""
import json
import math
import os
import pathlib
import shutil
import signal
import socket
import subprocess
import tempfile
import time
import unittest

DEKEYD = os.environ["DEKEYD"]
TELEMETRY = DEKEYD + "-telemetry"
INHIBIT = os.environ["DEKEYD_INHIBIT"]
MOSQUITTO = os.environ.get("MOSQUITTO")
CAP_S = 20.0  # of every wait
AGE_S = 0.1  # allowed age of every sensor
REFRESH_S = 1.0  # a removed file that is still open is found out so late

DETECTOR = ("measures: power, allowed_age: 100 ms, valid: 0.35 V .. 2.2 V, detector: {slope: -24.4 mV/dB, "
            "intercept: 19.6 dBm, floor: -50 dBm, ceiling: 5 dBm}, pads: 10 dB, cable: 0.5 dB")

CONFIGURATION = """\
dekeyd: 1
device: {id: hilltop-23cm, name: Hill-top repeater amplifier}
paths: {sysfs: SYS, state: STATE, run: RUN}
guard: {period: 10 ms, deadline: 5 s, settling: 200 ms, hold_off: 200 ms, after_start: permit}
line: {driver: file, path: LINE}
buses:
  wire: {driver: w1, period: 10 ms, conversion: 1 ms}
  adc: {driver: iio, device: ads1015, period: 10 ms, codes: -32768 .. 32767}
  psu: {driver: hwmon, device: ltc4151, period: 10 ms}
  fans: {driver: hwmon, device: emc2305, period: 10 ms}
sensors:
  heatsink: {bus: wire, address: 28-000000000001, measures: temperature, role: heatsink, allowed_age: 100 ms, largest_jump: 100 K}
  forward: {bus: adc, address: voltage0, role: forward, coupling: 40 dB, DETECTOR}
  reflected: {bus: adc, address: voltage1, role: reflected, coupling: 40 dB, DETECTOR}
  drive: {bus: adc, address: voltage2, role: drive, coupling: 20 dB, DETECTOR}
  supply: {bus: psu, address: in1, measures: voltage, role: supply, allowed_age: 100 ms, valid: 1 V .. 60 V}
  current: {bus: psu, address: curr1, measures: current, role: current, allowed_age: 100 ms, valid: -1 A .. 40 A}
  fan: {bus: fans, address: fan1, measures: speed, role: fan, allowed_age: 100 ms}
amplifier:
  rated_forward: 120 W
  minimum_forward: 6 W
  rf_present: 1 W
  maximum_drive: 2.5 W
  drive_absent: 50 mW
  nominal_supply: 28 V
  maximum_current: 14 A
  directivity: 30 dB
  feeder_loss: 0.8 dB
  small_signal_gain: 18 dB
limits:
  heatsink: {watch: heatsink, above: 70 degC, clear: 55 degC, qualify: 20 ms, hold_off: 200 ms, rearm: automatic}
  vswr: {watch: vswr, above: 2.0, clear: rf off, qualify: 20 ms, hold_off: 200 ms, rearm: latched, while: {quantity: forward, above: 6 W}}
  reflected: {watch: reflected, above: 12 W, clear: rf off, qualify: 20 ms, hold_off: 200 ms, rearm: latched}
  forward: {watch: forward, above: 125 W, clear: rf off, qualify: 20 ms, hold_off: 200 ms, rearm: automatic}
  drive: {watch: drive, above: 2.5 W, clear: 2.0 W, qualify: 20 ms, hold_off: 200 ms, rearm: automatic}
  supply-high: {watch: supply, above: +10 %, clear: +5 %, qualify: 20 ms, hold_off: 200 ms, rearm: automatic}
  supply-low: {watch: supply, below: -15 %, clear: -7 %, qualify: 20 ms, hold_off: 200 ms, rearm: automatic}
  current: {watch: current, above: 14 A, clear: rf off, qualify: 20 ms, hold_off: 200 ms, rearm: latched}
  fan: {watch: fan, below: 500 rpm, clear: 800 rpm, qualify: 100 ms, hold_off: 200 ms, rearm: automatic, while: {quantity: heatsink, above: 45 degC}}
lockout: {trips: 100, window: 10 min}
"""


def wait_for(condition, what, cap_s=CAP_S):
    """The condition's first true value."""
    until = time.monotonic() + cap_s
    while True:
        value = condition()
        if value:
            return value
        if time.monotonic() > until:
            raise AssertionError(f"not within {cap_s} s: {what}")
        time.sleep(0.002)


def detector_code(watts, coupling_db):
    """The converter's code for a power on the line: 19.6 dBm intercept, -24.4 mV/dB, 0.0625 mV a code (AD8318 at
    2.2 GHz, ADS1115 at +-2.048 V). No power is the detector at rest, near 1.7 V."""
    if watts <= 0:
        return 27250
    dbm = 10 * math.log10(watts * 1000) - coupling_db - 10.5
    return round(-24.4 * (dbm - 19.6) / 0.0625)


class Client:
    """One connection to the control socket."""

    def __init__(self, path):
        self.socket = socket.socket(socket.AF_UNIX)
        self.socket.settimeout(CAP_S)
        try:
            self.socket.connect(str(path))
        except OSError:
            self.socket.close()
            raise
        self.lines = self.socket.makefile("rb")

    def send(self, request):
        self.socket.sendall(json.dumps(request).encode() + b"\n")

    def receive(self):
        line = self.lines.readline()
        if not line:
            raise EOFError("the daemon closed the connection")
        return json.loads(line)

    def ask(self, request):
        self.send(request)
        return self.receive()

    def close(self):
        self.lines.close()
        self.socket.close()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()


class Watch(Client):
    """The stream of events."""

    def __init__(self, path):
        super().__init__(path)
        self.send({"ask": "watch", "hz": 20})
        while "status" not in self.receive():  # from here on nothing is missed
            pass

    def event(self, kind, source=None):
        """The next event of this kind, and of this source if one is given."""
        until = time.monotonic() + CAP_S
        while time.monotonic() < until:
            event = self.receive().get("event")
            if event and event["kind"] == kind and source in (None, event["source"]):
                return event
        raise AssertionError(f"no event {kind} {source or ''} within {CAP_S} s")


class Station:
    def __init__(self, configuration=CONFIGURATION, extra=""):
        self.top = pathlib.Path(tempfile.mkdtemp(prefix="dekeyd-"))
        self.sys, self.state, self.run = self.top / "sys", self.top / "state", self.top / "run"
        self.line, self.control = self.top / "line", self.run / "control"
        self.log = self.top / "log"
        self.state.mkdir()
        self.daemon = self.telemetry = None
        self.make_files()
        self.configure(configuration, extra)

    def make_files(self):
        adc = self.sys / "bus/iio/devices/iio:device0"
        psu, fans = self.sys / "class/hwmon/hwmon0", self.sys / "class/hwmon/hwmon1"
        wire = self.sys / "bus/w1/devices/28-000000000001"
        for folder in (adc, psu, fans, wire):
            folder.mkdir(parents=True)
        (adc / "name").write_text("ads1015\n")
        (psu / "name").write_text("ltc4151\n")
        (fans / "name").write_text("emc2305\n")
        for channel in range(3):
            (adc / f"in_voltage{channel}_scale").write_text("0.062500000\n")
        self.files = {
            "heatsink": wire / "temperature",
            "forward": adc / "in_voltage0_raw",
            "reflected": adc / "in_voltage1_raw",
            "drive": adc / "in_voltage2_raw",
            "supply": psu / "in1_input",
            "current": psu / "curr1_input",
            "fan": fans / "fan1_input",
        }
        self.set(heatsink=30.0, forward=0.0, reflected=0.0, drive=0.0, supply=28.0, current=0.5, fan=3000)

    def text_for(self, sensor, value):
        if sensor == "fan":
            number = round(value)
        elif sensor in ("forward", "reflected"):
            number = detector_code(value, 40)
        elif sensor == "drive":
            number = detector_code(value, 20)
        else:
            number = round(value * 1000)
        return f"{number:<11d}\n"  # constant length, so that no reader sees half a value

    def set(self, **values):
        """One write each, in the kernel's place, in the order given."""
        for sensor, value in values.items():
            self.write(sensor, self.text_for(sensor, value).encode())
        self.values = {**getattr(self, "values", {}), **values}

    def write(self, sensor, content):
        descriptor = os.open(self.files[sensor], os.O_WRONLY | os.O_CREAT, 0o644)
        try:
            if os.fstat(descriptor).st_size > len(content):
                os.ftruncate(descriptor, len(content))
            os.pwrite(descriptor, content, 0)
        finally:
            os.close(descriptor)

    def restore(self, sensor):
        """A sensor's file as it was before it was damaged: a new one, as after plugging in again."""
        path = self.files[sensor]
        if path.is_dir():
            path.rmdir()
        elif path.exists() or path.is_symlink():
            path.unlink()
        self.write(sensor, self.text_for(sensor, self.values[sensor]).encode())

    def configure(self, configuration=CONFIGURATION, extra=""):
        text = configuration.replace("SYS", str(self.sys)).replace("STATE", str(self.state))
        text = text.replace("RUN", str(self.run)).replace("LINE", str(self.line)).replace("DETECTOR", DETECTOR)
        self.configuration = self.top / "dekeyd.yaml"
        self.configuration.write_text(text + extra)

    # ---- the daemon ----

    def start(self, wait=True, environment=None):
        """The guard, and where a broker is configured the telemetry, if it doesn't run yet."""
        assert self.daemon is None
        self.daemon = self.program(DEKEYD, environment)
        if self.telemetry is None and "\nmqtt:" in self.configuration.read_text():
            self.start_telemetry(environment)
        if wait:
            wait_for(self.answers, "the control socket answers")
        return self

    def program(self, path, environment=None):
        with open(self.log, "ab") as log:
            return subprocess.Popen([path, "--config", str(self.configuration)], stdin=subprocess.DEVNULL, stdout=log, stderr=log,
                                    env={**os.environ, **(environment or {})})

    def start_telemetry(self, environment=None):
        self.telemetry = self.program(TELEMETRY, environment)

    def stop_telemetry(self, number=signal.SIGTERM):
        """Its exit code."""
        self.telemetry.send_signal(number)
        code = self.telemetry.wait(CAP_S)
        self.telemetry = None
        return code

    def answers(self):
        if self.daemon.poll() is not None:
            raise AssertionError(f"the daemon ended with {self.daemon.returncode}:\n{self.log_text()}")
        try:
            with self.client() as client:
                return client.ask({"ask": "status"})["ok"]
        except (FileNotFoundError, ConnectionRefusedError):
            return False

    def start_permitted(self):
        """With the first start's latch reset."""
        self.start()
        self.reset()
        self.wait_permit()
        return self

    def stop(self, number=signal.SIGTERM):
        """Its exit code."""
        self.daemon.send_signal(number)
        return self.wait_end()

    def wait_end(self):
        code = self.daemon.wait(CAP_S)
        self.daemon = None
        return code

    def close(self):
        for process in (self.telemetry, self.daemon):
            if process is not None:
                process.kill()
                process.wait()
        shutil.rmtree(self.top)

    def log_text(self):
        return self.log.read_text() if self.log.exists() else ""

    def wait_log(self, text):
        wait_for(lambda: text in self.log_text(), f"the log says '{text}'")

    # ---- what it says ----

    def client(self):
        return Client(self.control)

    def watch(self):
        return Watch(self.control)

    def ask(self, request):
        with self.client() as client:
            return client.ask(request)

    def status(self):
        return self.ask({"ask": "status"})["status"]

    def quantity(self, name):
        return next(q for q in self.status()["quantities"] if q["id"] == name)

    def causes(self):
        return {cause["id"] for cause in self.status()["causes"]}

    def reset(self):
        return self.ask({"ask": "reset", "reason": "test"})

    def line_text(self):
        return self.line.read_bytes()

    def permits(self):
        return self.line_text() == b"1\n"

    def wait_permit(self):
        wait_for(self.permits, "the line permits")

    def wait_inhibit(self):
        wait_for(lambda: self.line_text() == b"0\n", "the line inhibits")

    def wait_state(self, state):
        return wait_for(lambda: (s := self.status())["state"] == state and s, f"state {state}")


class StationTest(unittest.TestCase):
    """One station a test, gone with it."""

    def station(self, *arguments, **keywords):
        station = Station(*arguments, **keywords)

        result = self._outcome.result
        before = len(result.failures) + len(result.errors)

        def end():
            if len(result.failures) + len(result.errors) > before:  # the log is what explains it
                print(f"---- log of {self.id()}\n{station.log_text()}----", flush=True)
            station.close()

        self.addCleanup(end)
        return station


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class Broker:
    """A mosquitto of the test's own."""

    def __init__(self, folder, port=None):
        self.port = port or free_port()
        self.file = pathlib.Path(folder) / "mosquitto.conf"
        self.file.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
        self.process = None

    def start(self):
        self.process = subprocess.Popen([MOSQUITTO, "-c", str(self.file)], stdin=subprocess.DEVNULL,
                                        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        return self

    def signal(self, number):
        self.process.send_signal(number)

    def stop(self):
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None
