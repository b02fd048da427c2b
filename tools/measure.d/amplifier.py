"""The amplifier that is measured: the kernel's files in a folder, and both programs on them."""
import math
import os
import pathlib
import signal
import subprocess
import sys

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "demo.d"))
import processes  # noqa: E402

PERIOD_MS = 20  # of scans and of the guard
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

    def restart_telemetry(self):
        self.telemetry.kill()
        self.telemetry.wait()
        with open(self.top / "log", "ab") as log:
            self.telemetry = subprocess.Popen([self.tools.telemetry, "--config", str(self.configuration)], stdin=subprocess.DEVNULL,
                                              stdout=log, stderr=log)

    def last_event(self):
        """The number of the last event in its journal."""
        newest = max((self.top / "state/journal").glob("events-*"))
        return int(newest.read_text().splitlines()[-1].split()[1])

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
