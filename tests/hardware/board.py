"""A virtual arm64 board: QEMU's `virt` machine under Debian's own kernel, driven over its serial port and watched from
outside through QEMU's test port, which reports every edge of the GPIO pads.
"""
import json
import queue
import socket
import subprocess
import tempfile
import threading
import time

PL061 = 0x09030000  # GPIO of the virt machine: hw/arm/virt's memory map, also in its device tree
PL061_DATA, PL061_DIRECTION = PL061 + 0x3FC, PL061 + 0x400  # offsets: ARM PrimeCell GPIO PL061, programmer's model


class Board:
    """The running machine. `edges` holds (seconds since the start, line, level) of each change of a GPIO pad."""

    def __init__(self, kernel, initramfs, root=None):
        """Without `root`, the initramfs is all that runs; with it, the file system in that image, which is never changed,
        with a network card, and a hardware watchdog that resets the machine."""
        self.scratch = tempfile.TemporaryDirectory(prefix="dekeyd-board-")
        self.serial_lines, self.edges, self.test_answers = queue.Queue(), [], queue.Queue()
        self.log = []
        ports = {name: socket.socket(socket.AF_UNIX) for name in ("qtest", "qmp")}
        for name, port in ports.items():
            port.bind(f"{self.scratch.name}/{name}")
            port.listen(1)
            port.settimeout(30)
        self.began = time.monotonic()
        machine = ["-m", "256", "-no-reboot", "-append", "console=ttyAMA0 rdinit=/init panic=-1 quiet loglevel=1"]
        if root:
            machine = ["-m", "512", "-append", "console=ttyAMA0 rdinit=/init panic=0 quiet loglevel=1 systemd.unit=board.target "
                       "systemd.show_status=no rw net.ifnames=0",
                       "-drive", f"file={root},format=raw,if=none,id=root,snapshot=on", "-device", "virtio-blk-pci,drive=root",
                       "-netdev", "user,id=net", "-device", "virtio-net-pci,netdev=net,romfile=",
                       "-device", "i6300esb", "-action", "watchdog=reset"]
        self.qemu = subprocess.Popen(
            ["qemu-system-aarch64", "-M", "virt", "-accel", "tcg", "-cpu", "cortex-a72", "-smp", "2", *machine,
             "-nodefaults", "-nographic", "-S", "-serial", "stdio", "-kernel", str(kernel), "-initrd", str(initramfs),
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

    def ask(self, text, within_s=120):
        self.send(text)
        return self.answer(within_s)

    def close(self):
        self.qemu.kill()
        self.qemu.wait()
        self.scratch.cleanup()
