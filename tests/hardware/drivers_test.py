#!/usr/bin/env python3
"""The kernel's own sensor drivers beside the bench's imitation of them: every fault is read through both, as bytes and by
the daemon's drivers, and the table of it is printed. A difference that isn't explained here is a failure.

Usage: drivers_test.py SOURCE-FOLDER CACHE-FOLDER DEKEYD-BENCH HARDWARE-READER
Exit code 77, with the reason, where the board can't be had; with DEKEYD_HARDWARE=required that is a failure.
"""
import os
import pathlib
import re
import socket
import subprocess
import sys
import tempfile
import time

import board as virtual
import debian
import image as images

WIRE, SENSOR = "/sys/kernel/debug/fake_w1", "/sys/bus/w1/devices/28-0000000000a1"
BUS = "/sys/kernel/debug/fake_i2c"
IIO = "/sys/bus/iio/devices/iio:device0/in_voltage0_raw"
# Thermometers are hwmon devices too, so the monitor has no number of its own: the board's shell looks for its name.
MONITOR = "$(dirname $(grep -l ltc4151 /sys/class/hwmon/hwmon*/name) 2>/dev/null)/in1_input"
HANGS = "waits without end"
POWER = "/sys/bus/i2c/devices/0-0048/power"
AWAKE = f"echo on > {POWER}/control"  # as systemd/udev.rules has it
ASLEEP = f"echo auto > {POWER}/control; while [ $(cat {POWER}/runtime_status) = active ]; do sleep 0.1; done"

# Why the bench may differ, where it does. Its files are plain ones: they can't wait, and have no errno but open()'s.
# (tests/faults gives the daemon both by a shim.)
PLAIN = "explained: a plain file has no errno"
CANNOT_WAIT = "explained: a plain file can't wait; opening the bench's fails"

# (kind, case, the board's commands, the bench's commands, explained difference). What is set is undone before the next.
CASES = [
    ("w1", "25.0625 degC", f"echo 401 > {WIRE}/a1/sixteenths", [], None),
    ("w1", "-10.25 degC", f"echo 4294967132 > {WIRE}/a1/sixteenths", ["ambient -10 C", "thermal-speed 1000"], None),
    ("w1", "0 degC", f"echo 0 > {WIRE}/a1/sixteenths", None, None),
    ("w1", "bad CRC", f"echo crc > {WIRE}/a1/fault", ["sensor heatsink crc"], None),
    ("w1", "power-on value", f"echo reset > {WIRE}/a1/fault", ["sensor heatsink 85"], None),
    ("w1", "conversion never done", f"echo slow > {WIRE}/a1/fault", ["sensor heatsink frozen"], None),
    ("w1", "just unplugged", f"echo 0 > {WIRE}/a1/present", ["sensor heatsink empty"], None),
    ("w1", "unplugged for long", f"echo 0 > {WIRE}/a1/present; while [ -d {SENSOR} ]; do sleep 0.2; done", ["sensor heatsink absent"], None),
    ("w1", "another in its place",
     f"echo 0 > {WIRE}/a1/present; echo 1 > {WIRE}/b7/present; while [ -d {SENSOR} ] || [ ! -d {SENSOR.replace('a1', 'b7')} ]; do sleep 0.2; done",
     ["sensor heatsink swapped"], None),
    ("w1", "bus shorted", f"echo short > {WIRE}/fault", ["sensor heatsink shorted"], None),
    ("w1", "bus hangs", f"echo hang > {WIRE}/fault", ["sensor heatsink jammed"], CANNOT_WAIT),
    ("iio", "1.234567 V", f"echo 0 1234567 > {BUS}/converter/inputs", [], None),
    ("iio", "-0.5 V", f"echo 0 -500000 > {BUS}/converter/inputs", None, None),
    ("iio", "past the scale", f"echo 0 5000000 > {BUS}/converter/inputs", ["adc railed"], None),
    ("iio", "0 V", f"echo 0 0 > {BUS}/converter/inputs", ["adc zero"], None),
    ("iio", "data line low", f"echo zeros > {BUS}/converter/fault", ["adc zero"], None),
    ("iio", "data line high", f"echo ones > {BUS}/converter/fault", ["adc ones"], None),
    ("iio", "no acknowledge", f"{AWAKE}; echo refuse > {BUS}/converter/fault", ["adc empty"], PLAIN),
    ("iio", "arbitration lost", f"{AWAKE}; echo arbitration > {BUS}/converter/fault", ["adc empty"], PLAIN),
    ("iio", "adapter times out", f"{AWAKE}; echo timeout > {BUS}/converter/fault", ["adc empty"], PLAIN),
    # The driver lets the chip sleep after two seconds. When it can't be woken, the kernel's power management keeps that as
    # an error and refuses every later read, until the driver is bound anew: systemd/udev.rules forbids the sleep.
    ("iio", "silent when to be woken", f"{ASLEEP}; echo refuse > {BUS}/converter/fault", ["adc empty"], PLAIN),
    ("iio", "answering again", f"{ASLEEP}; echo refuse > {BUS}/converter/fault; cat {IIO}; echo none > {BUS}/converter/fault", None, None),
    ("iio", "the same, kept awake", f"{AWAKE}; sleep 3; echo refuse > {BUS}/converter/fault; cat {IIO}; echo none > {BUS}/converter/fault", None, None),
    ("iio", "driver unbound", "unbind=0x48", ["adc absent"], None),
    ("iio", "bus hangs", f"echo 1 > {BUS}/hang", ["adc jammed"], CANNOT_WAIT),
    ("hwmon", "28 V", f"echo 1 28000000 > {BUS}/monitor/inputs", [], None),
    ("hwmon", "past the scale", f"echo 1 200000000 > {BUS}/monitor/inputs", ["psu railed"], None),
    ("hwmon", "data line low", f"echo zeros > {BUS}/monitor/fault", ["psu zero"], None),
    ("hwmon", "data line high", f"echo ones > {BUS}/monitor/fault", ["psu railed"], None),
    ("hwmon", "no acknowledge", f"echo refuse > {BUS}/monitor/fault", ["psu empty"], PLAIN),
    ("hwmon", "adapter times out", f"echo timeout > {BUS}/monitor/fault", ["psu empty"], PLAIN),
    ("hwmon", "driver unbound", "unbind=0x6f", ["psu absent"], None),
    ("hwmon", "bus hangs", f"echo 1 > {BUS}/hang", ["psu jammed"], CANNOT_WAIT),
]
FILES = {"w1": ["temperature", "w1_slave"], "iio": [None], "hwmon": [None]}
DRIVER = {"w1": "w1 {root} 28-0000000000a1", "iio": "iio {root} ads1015 voltage0", "hwmon": "hwmon {root} ltc4151 in1"}

UNDO = (f"echo none > {WIRE}/fault; echo none > {WIRE}/a1/fault; echo 400 > {WIRE}/a1/sixteenths; echo 0 1700000 > {BUS}/converter/inputs; echo 1 > {WIRE}/a1/present; "
        f"echo 0 > {WIRE}/b7/present; echo 0 > {BUS}/hang; echo none > {BUS}/converter/fault; echo none > {BUS}/monitor/fault; "
        f"case $(cat {POWER}/runtime_status 2>/dev/null) in error) echo 0x48 > /sys/bus/i2c/devices/i2c-0/delete_device;; esac; "
        f"[ -d /sys/bus/i2c/devices/0-0048 ] || echo ads1115 0x48 > /sys/bus/i2c/devices/i2c-0/new_device; "
        f"[ -d /sys/bus/i2c/devices/0-006f ] || echo ltc4151 0x6f > /sys/bus/i2c/devices/i2c-0/new_device; "
        f"while [ ! -f {SENSOR}/temperature ] || [ ! -f {IIO} ] || [ ! -f {MONITOR} ]; do sleep 0.1; done; "
        # the monitor's driver keeps what it read for a sixth of a second
        f"sleep 0.3; echo '= undone'")
failures = []


def path_of(kind, file, root="/sys"):
    full = {"w1": f"{SENSOR}/{file}", "iio": IIO,
            "hwmon": MONITOR if root == "/sys" else "/sys/class/hwmon/hwmon0/in1_input"}[kind]
    return full if root == "/sys" else full.replace("/sys", root, 1)


class Answer:
    """What one read gave: how long it took, and what."""

    def __init__(self, text):
        if text is None:
            self.milliseconds, self.what = None, HANGS
        else:
            took, _, self.what = text.partition(" ")
            self.milliseconds = int(took)

    def time_class(self):
        if self.milliseconds is None:
            return "endless"
        return "at once" if self.milliseconds < 300 else "slow"

    def shape(self):
        """What kind of text it is: numbers, blanks before them and checksums don't count."""
        if re.fullmatch(r'ok " *-?[0-9]+\\n"', self.what):
            return "a number"
        text = re.sub(r"\b[0-9a-f]{2}\b", "x", self.what.replace("\\n", " newline "))
        return re.sub(r"t=-?[0-9]+", "t=N", text)


def abbreviated(text):
    return re.sub(r"((?:[0-9a-f]{2} ){2})(?:[0-9a-f]{2} ){6}", r"\1.. ", text).replace("\\n", "⏎")


class Kernel:
    def __init__(self, board):
        self.board = board
        board.ask(UNDO)

    def set(self, commands):
        if commands.startswith("unbind="):
            commands = f"echo {commands.removeprefix('unbind=')} > /sys/bus/i2c/devices/i2c-0/delete_device"
        self.board.ask(f"{commands}; sleep 0.3; echo '= set'")

    def undo(self):
        self.board.ask(UNDO)

    def read(self, words, hangs=False):
        self.board.send(f"echo \"{words}\" | sensor_program{' &' if hangs else ''}")
        if not hangs:
            return Answer(self.board.answer())
        time.sleep(2)  # on purpose: that nothing comes in a while is the finding
        if not self.board.serial_lines.empty():
            return Answer(self.board.answer())
        self.board.send(f"echo none > {WIRE}/fault; echo 0 > {BUS}/hang")
        self.board.answer()
        return Answer(None)


class Bench:
    def __init__(self, program, reader, folder):
        self.root, self.reader = folder / "sys", reader
        self.process = subprocess.Popen([program, "run", "--root", self.root, "--line", folder / "line", "--control",
                                         folder / "control"], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
        until = time.monotonic() + 30
        while not (self.root / "contact").is_dir() or not (folder / "control").exists():
            if time.monotonic() > until or self.process.poll() is not None:
                raise RuntimeError("the bench did not start")
            time.sleep(0.05)
        self.control = socket.socket(socket.AF_UNIX)
        self.control.connect(str(folder / "control"))
        self.answers = self.control.makefile("r")

    def tell(self, command):
        self.control.sendall(command.encode() + b"\n")
        answer = self.answers.readline()
        if '"ok":true' not in answer:
            raise RuntimeError(f"the bench refuses {command}: {answer}")

    def set(self, commands):
        for command in commands:
            self.tell(command)
        time.sleep(0.2)  # the next of its steps, each a millisecond, writes the files

    def undo(self):
        for command in ("sensor heatsink good", "adc good", "psu good", "ambient 25 C"):
            self.tell(command)

    def read(self, words):
        done = subprocess.run([self.reader], input=words + "\n", capture_output=True, text=True, timeout=30, check=True)
        return Answer(done.stdout.strip().removeprefix("= "))

    def close(self):
        self.process.kill()
        self.process.wait()


def compare(kernel, bench, case):
    kind, name, board_commands, bench_commands, explained = case
    hangs = "hang" in name
    rows = []
    kernel.set(board_commands)
    if bench_commands is not None:
        bench.set(bench_commands)
    for file in [*FILES[kind], "driver"]:
        if hangs and file != (FILES[kind][0]) and file != "driver":
            continue  # one wait is enough
        words = DRIVER[kind] if file == "driver" else None
        if hangs:
            kernel.set(board_commands)
        real = kernel.read(words.format(root="/sys") if words else f"read {path_of(kind, file)}", hangs)
        if bench_commands is None:
            fake = None
        else:
            fake = bench.read(words.format(root=bench.root) if words else f"read {path_of(kind, file, str(bench.root))}")
        rows.append((file or {"iio": "in_voltage0_raw", "hwmon": "in1_input"}[kind], real, fake))
    kernel.undo()
    bench.undo()
    verdict = "same"
    for file, real, fake in rows:
        if fake is None:
            verdict = "bench has no such moment"
            continue
        number = r"^-?[0-9.e+-]+$"
        alike = (real.shape() == fake.shape() if file != "driver" else
                 re.sub(number, "N", real.what) == re.sub(number, "N", fake.what))
        if not alike:
            verdict = explained or "DIFFERS"
    if verdict == "same" and explained:
        verdict = "the same, though a difference is explained: take the explanation out"
        failures.append(f"{kind} {name}: {verdict}")
    if verdict == "DIFFERS":
        failures.append(f"{kind} {name}: the bench differs from the kernel, and nothing explains it")
    for index, (file, real, fake) in enumerate(rows):
        took = f"{real.time_class()}" + (f" ({real.milliseconds} ms)" if real.milliseconds is not None else "")
        print(f"{kind if index == 0 else '':6}{name if index == 0 else '':25}{file:17}{took:19}{abbreviated(real.what):51}"
              f"{abbreviated(fake.what) if fake else '-':51}{verdict if index == 0 else ''}", flush=True)
    return {file: real for file, real, _ in rows}


def expect(true, what):
    print(("ok      " if true else "FAILED  ") + what, flush=True)
    if not true:
        failures.append(what)


def scenario(source, cache, bench_program, reader):
    image = images.Image(source, cache)
    here = pathlib.Path(__file__).resolve().parent
    program = image.compile("sensor_program", [here / "sensor_program.cpp"])
    folder, paths = image.module_files(images.MODULES)
    modules = [folder / path for path in paths] + image.modules_of_ours()
    board = virtual.Board(image.kernel(), image.initramfs([program], "initramfs-drivers.gz", modules=modules))
    try:
        with tempfile.TemporaryDirectory(prefix="dekeyd-drivers-") as scratch:
            bench = Bench(bench_program, reader, pathlib.Path(scratch))
            try:
                print(f"{board.answer()} after {board.seconds():.1f} s")
                kernel = Kernel(board)
                print(f"{'':6}{'case':25}{'file':17}{'the kernel: time':19}{'bytes or errno; verdict of our driver':51}"
                      f"{'the bench':51}alike?")
                seen = {case[:2]: compare(kernel, bench, case) for case in CASES}
            finally:
                bench.close()
        judge(seen)
    except Exception:
        print("\n".join(board.log[-40:]))
        raise
    finally:
        board.close()


def judge(seen):
    """What the daemon's drivers must make of the real kernel, whatever the bench does."""
    def driver(kind, name):
        return seen[kind, name]["driver"].what
    for kind, name, value in (("w1", "25.0625 degC", 25.062), ("w1", "-10.25 degC", -10.25), ("iio", "1.234567 V", 1.23456),
                              ("iio", "-0.5 V", -0.5), ("iio", "the same, kept awake", 1.7), ("hwmon", "28 V", 28.0)):
        text = driver(kind, name)
        expect(re.fullmatch(r"-?[0-9.]+", text) and abs(float(text) - value) < 0.001, f"{kind} {name} reads {text}")
    for kind, name in (("w1", "bad CRC"), ("w1", "just unplugged"), ("w1", "unplugged for long"), ("w1", "bus shorted"),
                       ("w1", "another in its place"), ("iio", "past the scale"), ("iio", "no acknowledge"),
                       ("iio", "arbitration lost"), ("iio", "adapter times out"), ("iio", "silent when to be woken"),
                       ("iio", "answering again"), ("iio", "driver unbound"),
                       ("hwmon", "no acknowledge"), ("hwmon", "adapter times out"), ("hwmon", "driver unbound")):
        text = driver(kind, name)
        expect(not re.fullmatch(r"-?[0-9.e+-]+", text), f"{kind} {name} is a fault: {text}")


def main():
    source, cache = (pathlib.Path(argument).resolve() for argument in sys.argv[1:3])
    try:
        missing = images.missing_tools((*images.TOOLS, *images.TOOLS_FOR_MODULES))
        if missing:
            raise debian.Unavailable(f"{', '.join(missing)} not installed; tools/packages hardware installs what is needed")
        scenario(source, cache, sys.argv[3], sys.argv[4])
    except debian.Unavailable as reason:
        required = os.environ.get("DEKEYD_HARDWARE") == "required"
        print(f"{'FAILED' if required else 'skipped'}: no virtual board: {reason}")
        return 1 if required else 77
    print(f"{len(failures)} failures")
    for failure in failures:
        print(f"        {failure}")
    return 1 if failures else 0


sys.exit(main())
