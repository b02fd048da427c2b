"""A virtual arm64 board: QEMU's `virt` machine under Debian's own kernel, driven over its serial port and watched from
outside through QEMU's test port, which reports every edge of the GPIO pads.

Everything that is fetched or built is kept in one folder, and made again only when missing.
"""
import concurrent.futures
import glob
import json
import os
import pathlib
import queue
import re
import shutil
import socket
import subprocess
import tempfile
import threading
import time

CROSS = "aarch64-linux-gnu-"
TOOLS = ("qemu-system-aarch64", CROSS + "g++", "apt-get", "dpkg-deb", "cpio", "gzip")
PL061 = 0x09030000  # GPIO of the virt machine: hw/arm/virt's memory map, also in its device tree
PL061_DATA, PL061_DIRECTION = PL061 + 0x3FC, PL061 + 0x400  # offsets: ARM PrimeCell GPIO PL061, programmer's model


class Unavailable(Exception):
    """The board can't be had on this machine; the text says why and what to do."""


def missing_tools():
    return [tool for tool in TOOLS if shutil.which(tool) is None]


def run(*command, **options):
    done = subprocess.run([str(word) for word in command], capture_output=True, text=True, stdin=subprocess.DEVNULL, **options)
    if done.returncode != 0:
        raise RuntimeError(f"{' '.join(map(str, command))}: exit code {done.returncode}\n{done.stdout}{done.stderr}")
    return done.stdout


class Debian:
    """arm64 packages of this machine's own Debian sources, unpacked, with nothing added to the machine."""

    def __init__(self, cache):
        self.cache = cache
        state = cache / "apt"
        for folder in ("state/lists/partial", "cache/archives/partial"):
            (state / folder).mkdir(parents=True, exist_ok=True)
        (state / "status").touch()
        self.options = [f"-o{option}" for option in (
            "APT::Architecture=arm64", "APT::Architectures=arm64", f"Dir::State={state}/state", f"Dir::Cache={state}/cache",
            f"Dir::State::status={state}/status", "APT::Sandbox::User=root", "Acquire::Retries=3",
            "Acquire::Languages=none")]
        self.updated = False

    def update(self):
        if self.updated:
            return
        # A source that has nothing for arm64 is no trouble: what counts is whether the packages come.
        subprocess.run(["apt-get", "-q", *self.options, "update"], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                       stderr=subprocess.DEVNULL, check=False)
        self.updated = True

    def kernel_package(self):
        self.update()
        depends = run("apt-cache", *self.options, "depends", "linux-image-arm64")
        found = re.search(r"Depends: (linux-image-\S+-arm64)", depends)
        if not found:
            raise Unavailable("Debian's arm64 kernel is not among this machine's package sources")
        return found.group(1)

    def unpacked(self, name, package=None):
        """The folder into which the package was unpacked."""
        folder = self.cache / "unpacked" / name
        if folder.is_dir():
            return folder
        self.update()
        with tempfile.TemporaryDirectory(dir=self.cache) as scratch:
            try:
                run("apt-get", "-q", *self.options, "download", package() if package else name, cwd=scratch)
            except RuntimeError as error:
                raise Unavailable(f"{name} for arm64 can't be fetched: {error}") from error
            out = pathlib.Path(scratch) / "out"
            run("dpkg-deb", "-x", glob.glob(f"{scratch}/*.deb")[0], out)
            folder.parent.mkdir(exist_ok=True)
            out.rename(folder)
        return folder


class Image:
    """The kernel and an initramfs with busybox and programs of ours, statically linked."""

    INIT = """#!/bin/busybox sh
/bin/busybox --install -s /bin
mount -t proc none /proc; mount -t sysfs none /sys; mount -t devtmpfs none /dev; mount -t tmpfs none /run
mount -t tmpfs none /tmp
stty -echo -onlcr </dev/console
exec </dev/console >/dev/console 2>&1
echo '= ready'
while read -r words; do eval "$words"; done
poweroff -f
"""

    def __init__(self, source, cache):
        self.source, self.cache = source, cache
        cache.mkdir(parents=True, exist_ok=True)
        self.debian = Debian(cache)

    def kernel(self):
        folder = self.debian.unpacked("kernel", self.debian.kernel_package)
        return glob.glob(f"{folder}/boot/vmlinuz-*")[0]

    def compile(self, name, sources):
        """One static arm64 program of C++ sources and the drivers."""
        gpiod = self.debian.unpacked("libgpiod-dev") / "usr"
        include = gpiod / "include"
        major = 2 if "gpiod_request_config" in (include / "gpiod.h").read_text() else 1
        compiler = (["ccache"] if shutil.which("ccache") else []) + [CROSS + "g++"]
        flags = ["-std=c++20", "-O2", "-Wall", "-Wextra", "-ffp-contract=off", f"-DDEKEYD_LIBGPIOD={major}",
                 f"-I{include}", f"-I{self.source}", f"-I{self.source}/daemon"]
        drivers = sorted(glob.glob(f"{self.source}/drivers/*.cpp"))
        core = [f"{self.source}/daemon/core/{part}.cpp" for part in ("reading", "sensing")]
        objects = self.cache / "objects"
        objects.mkdir(exist_ok=True)

        def object_of(path):
            target = objects / (str(pathlib.Path(path).relative_to(self.source)).replace("/", "_") + ".o")
            run(*compiler, *flags, "-c", path, "-o", target)
            return target

        with concurrent.futures.ThreadPoolExecutor(os.cpu_count()) as pool:
            built = list(pool.map(object_of, [*sources, *drivers, *core]))
        program = self.cache / name
        run(CROSS + "g++", "-static", "-o", program, *built, gpiod / "lib/aarch64-linux-gnu/libgpiod.a")
        return program

    def initramfs(self, programs):
        busybox = self.debian.unpacked("busybox-static") / "bin/busybox"
        with tempfile.TemporaryDirectory(dir=self.cache) as scratch:
            root = pathlib.Path(scratch)
            for folder in ("bin", "proc", "sys", "dev", "run", "tmp"):
                (root / folder).mkdir()
            for program in (busybox, *programs):
                shutil.copy(program, root / "bin" / pathlib.Path(program).name)
            (root / "init").write_text(self.INIT)
            (root / "init").chmod(0o755)
            image = self.cache / "initramfs.gz"
            run("sh", "-c", f"find . | cpio --quiet -o -H newc | gzip -1 > '{image}'", cwd=root)
        return image


class Board:
    """The running machine. `edges` holds (seconds since the start, line, level) of each change of a GPIO pad."""

    def __init__(self, kernel, initramfs):
        self.scratch = tempfile.TemporaryDirectory(prefix="dekeyd-board-")
        self.serial_lines, self.edges, self.test_answers = queue.Queue(), [], queue.Queue()
        self.log = []
        ports = {name: socket.socket(socket.AF_UNIX) for name in ("qtest", "qmp")}
        for name, port in ports.items():
            port.bind(f"{self.scratch.name}/{name}")
            port.listen(1)
            port.settimeout(30)
        self.began = time.monotonic()
        self.qemu = subprocess.Popen(
            ["qemu-system-aarch64", "-M", "virt", "-accel", "tcg", "-cpu", "cortex-a72", "-m", "256", "-smp", "2",
             "-nodefaults", "-nographic", "-no-reboot", "-S", "-serial", "stdio",
             "-kernel", str(kernel), "-initrd", str(initramfs),
             "-append", "console=ttyAMA0 rdinit=/init panic=-1 quiet loglevel=1",
             "-qtest", f"unix:{self.scratch.name}/qtest", "-qtest-log", "/dev/null",
             "-qmp", f"unix:{self.scratch.name}/qmp"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        try:
            self.qtest, self.qmp = ports["qtest"].accept()[0], ports["qmp"].accept()[0]
            self.qmp_lines = self.qmp.makefile("r")
            self._start_thread(self._read_serial)
            self._start_thread(self._read_qtest)
            self.qmp_lines.readline()
            self.monitor("qmp_capabilities")
            self.test(f"irq_intercept_out {self._gpio_path()}")
            self.monitor("cont")
        except Exception:
            self.close()
            raise
        finally:
            for port in ports.values():
                port.close()

    def _start_thread(self, target):
        threading.Thread(target=target, daemon=True).start()

    def seconds(self):
        return time.monotonic() - self.began

    def _read_serial(self):
        for raw in self.qemu.stdout:
            line = raw.decode(errors="replace").rstrip("\r\n")
            self.log.append(f"{self.seconds():7.3f} {line}")
            if line.startswith("= "):
                self.serial_lines.put(line[2:])
        self.serial_lines.put(None)

    def _read_qtest(self):
        for line in self.qtest.makefile("r"):
            words = line.split()
            if words[:1] == ["IRQ"]:
                self.edges.append((self.seconds(), int(words[2]), words[1] == "raise"))
            else:
                self.test_answers.put(words)

    def monitor(self, command, **arguments):
        self.qmp.sendall(json.dumps({"execute": command, "arguments": arguments}).encode() + b"\n")
        while True:
            answer = json.loads(self.qmp_lines.readline())
            if "error" in answer:
                raise RuntimeError(f"{command}: {answer['error']}")
            if "return" in answer:
                return answer["return"]

    def _gpio_path(self):
        for child in self.monitor("qom-list", path="/machine/unattached"):
            if child["type"] == "child<pl061>":
                return f"/machine/unattached/{child['name']}"
        raise RuntimeError("this QEMU's virt machine has no PL061")

    def test(self, command):
        self.qtest.sendall(command.encode() + b"\n")
        answer = self.test_answers.get(timeout=30)
        if answer[0] != "OK":
            raise RuntimeError(f"{command}: {answer}")
        return answer[1:]

    def pad(self, line):
        """(is an output, level), as the world outside sees the pad's registers."""
        bit = 1 << line
        return (bool(int(self.test(f"readl {PL061_DIRECTION:#x}")[0], 16) & bit),
                bool(int(self.test(f"readl {PL061_DATA:#x}")[0], 16) & bit))

    def send(self, text):
        self.qemu.stdin.write(text.encode() + b"\n")
        self.qemu.stdin.flush()

    def answer(self, within_s=120):
        """The next line that begins with "= "."""
        line = self.serial_lines.get(timeout=within_s)
        if line is None:
            raise RuntimeError("the board stopped:\n" + "\n".join(self.log[-30:]))
        return line

    def ask(self, text):
        self.send(text)
        return self.answer()

    def close(self):
        self.qemu.kill()
        self.qemu.wait()
        self.scratch.cleanup()
