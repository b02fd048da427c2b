"""Nothing left: memory, descriptors, room on the disk. The guard needs none of them once it runs."""
import os
import pathlib
import re
import resource
import shutil
import signal
import socket
import subprocess
import time
import unittest

from day import CAP_S, INHIBIT, Day, Failed, figure, limit, main, now, processor_s, status_of


def threads(rig):
    """The state of each thread of the daemon that has not ended, by its name; D is stuck in the kernel."""
    found = {}
    for task in pathlib.Path(f"/proc/{rig.daemon.pid}/task").iterdir():
        try:
            name, state = re.fullmatch(r"\d+ \((.*)\) (\S) .*\s*", (task / "stat").read_text()).groups()
        except OSError:  # it has just ended
            continue
        if state not in "ZX":
            found[name] = state
    return found


class Scarcity(Day):
    def test_no_more_memory(self):
        """The address space may not grow: the guard trips all the same; or the program ends, and has inhibited."""
        rig = self.rig().start()
        rig.wait_permit()
        before = limit(rig, resource.RLIMIT_AS, status_of(rig, "VmSize") * 1024)
        clients = []
        for _ in range(40):  # who want some
            client = socket.socket(socket.AF_UNIX)
            client.settimeout(CAP_S)
            try:
                client.connect(str(rig.run / "control"))
                client.sendall(b'{"ask":"watch","hz":50}\n' * 20)
                clients.append(client)
            except OSError:
                client.close()
        rig.set("lid", 0)
        rig.until(lambda: not rig.permits(), "the line inhibits without memory")
        for client in clients:
            client.close()
        ended = rig.daemon.poll() is not None
        if not ended:
            resource.prlimit(rig.daemon.pid, resource.RLIMIT_AS, before)
            rig.set("lid", 1)
            rig.until(rig.permits, "it permits again")
            figure(f"no more memory: goes on; at most {status_of(rig, 'VmHWM')} KiB in use")
        else:
            figure("no more memory: ended, inhibited")
        self.assertTrue(ended or rig.ask(ask="status")["ok"])

    def test_a_small_address_space_from_the_start(self):
        """Too small to run in: whatever happens, it isn't a permit; a little larger, it works."""
        for size_mib, works in ((10, False), (512, True)):
            rig = self.rig()
            start = rig.start

            def confined():
                resource.setrlimit(resource.RLIMIT_AS, (size_mib * 1024 * 1024, resource.RLIM_INFINITY))

            popen = subprocess.Popen

            def with_limit(*arguments, **keywords):
                return popen(*arguments, preexec_fn=confined, **keywords)

            subprocess.Popen = with_limit
            try:
                start(wait=False)
            finally:
                subprocess.Popen = popen
            if works:
                rig.connect()
                rig.wait_permit()
                figure(f"address space of {size_mib} MiB: works, {status_of(rig, 'VmPeak')} KiB used")
            else:
                code = rig.ended()
                self.assertNotEqual(code, 0)
                self.assertFalse(rig.permits())
                figure(f"address space of {size_mib} MiB: ends with {code}, not permitted")
            rig.close()

    def test_no_more_descriptors(self):
        """Whoever connects waits or is turned away; the control thread doesn't spin for it; the guard is as ever."""
        rig = self.rig().start()
        rig.wait_permit()
        time.sleep(1.1)  # the samplers have looked at everything once
        table = pathlib.Path(f"/proc/{rig.daemon.pid}/fd")
        before = limit(rig, resource.RLIMIT_NOFILE, max(int(name) for name in os.listdir(table)) + 1)
        clients = [socket.socket(socket.AF_UNIX) for _ in range(12)]
        for client in clients:
            client.settimeout(CAP_S)
            client.connect(str(rig.run / "control"))
        used, began = processor_s(rig), now()
        time.sleep(2.0)
        share = (processor_s(rig) - used) / (now() - began)
        took = self.inhibits(rig)
        resource.prlimit(rig.daemon.pid, resource.RLIMIT_NOFILE, before)
        clients[-1].sendall(b'{"ask":"status"}\n')
        self.assertIn(b'"ok":true', clients[-1].recv(64))
        for client in clients:
            client.close()
        rig.wait_permit()
        figure(f"no more descriptors: inhibits after {took * 1e3:.1f} ms, {share * 100:.0f} % of a processor")
        self.assertLess(share, 0.6, "a thread spins")

    def trips(self, rig):
        """By a limit that latches; what it watches is well again at once."""
        mark = rig.mark()
        rig.set("load-hot", 1)
        rig.event(mark, "tripped", {"load-hot-opened"})
        rig.set("load-hot", 0)

    def full(self, rig, free, has_place):
        """With no room where the state is: the trip acts. The latch has its place already; where nothing can be written
        at all, it is once something can."""
        took = self.inhibits(rig)
        self.trips(rig)
        if not has_place:
            rig.until(lambda: "not saved" in rig.log(), "the log says so")
            free()
        rig.until(lambda: "latched limit load-hot-opened" in rig.stored_state(), "the latch is written")
        if has_place:
            free()
        rig.reset_when_clear()
        rig.wait_permit()
        return took

    @unittest.skipUnless(os.geteuid() == 0, "a disk of one's own needs root")
    def test_a_real_disk_that_is_full(self):
        rig = self.rig()
        kept = (rig.state / "state").read_bytes()
        if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256k", "none", str(rig.state)], check=False,
                          capture_output=True).returncode != 0:
            self.skipTest("no tmpfs may be mounted here")
        self.addCleanup(subprocess.run, ["umount", "-l", str(rig.state)], check=False)
        (rig.state / "state").write_bytes(kept)
        rig.start()
        rig.wait_permit()
        filler = rig.state / "filler"

        def fill():
            with open(filler, "ab", buffering=0) as file:
                while True:
                    file.write(bytes(512))

        try:
            fill()
        except OSError:
            pass
        took = self.full(rig, filler.unlink, has_place=True)
        figure(f"a full disk: inhibits after {took * 1e3:.1f} ms, and the latch is written all the same")
        if subprocess.run(["mount", "-o", "remount,ro", str(rig.state)], check=False, capture_output=True).returncode:
            return  # an open file keeps it writable on some kernels
        took = self.full(rig, lambda: subprocess.run(["mount", "-o", "remount,rw", str(rig.state)], check=True),
                         has_place=False)
        figure(f"a read-only disk: inhibits after {took * 1e3:.1f} ms")

    @unittest.skipUnless(os.geteuid() == 0, "a disk of one's own needs root")
    def test_a_real_disk_that_hangs(self):
        """A frozen file system: whoever writes there is stuck in the kernel, where no signal reaches, until it thaws."""
        rig = self.rig()
        kept = (rig.state / "state").read_bytes()
        image = rig.top / "disk"
        with open(image, "wb") as file:
            file.truncate(16 << 20)

        def root(*words, check=False):
            return subprocess.run(words, check=check, capture_output=True, timeout=CAP_S).returncode == 0

        if not shutil.which("mkfs.ext4") or not root("mkfs.ext4", "-q", str(image)) or \
                not root("mount", "-o", "loop", str(image), str(rig.state)):
            self.skipTest("no disk may be mounted here")
        self.addCleanup(root, "umount", "-l", str(rig.state))
        self.addCleanup(root, "fsfreeze", "-u", str(rig.state))
        if not root("fsfreeze", "-f", str(rig.state)) or not root("fsfreeze", "-u", str(rig.state)):
            self.skipTest("no disk can be frozen here")
        (rig.state / "state").write_bytes(kept)
        for number in (signal.SIGTERM, signal.SIGKILL):
            rig.start()
            self.permits_after_a_reset(rig, latched=number == signal.SIGKILL)
            root("fsfreeze", "-f", str(rig.state), check=True)
            took = self.inhibits(rig)
            self.trips(rig)
            rig.until(lambda: "D" in threads(rig).values(), "a thread is stuck in the kernel")
            rig.reset_when_clear()  # commands work all the same
            rig.wait_permit()
            began = now()
            rig.send(number)
            if number == signal.SIGTERM:
                rig.until(lambda: not rig.permits(), "it inhibits before anything else")
                inhibited = now() - began
            rig.until(lambda: "guard" not in threads(rig) and not rig.holders(rig.line),
                      "the guard is gone, and nobody else has the line")
            if number == signal.SIGKILL:
                inhibited = now() - began  # a GPIO line is let go with its descriptor; a file is left to the stop hook
                subprocess.run([INHIBIT, str(rig.run / "line")], check=True, timeout=CAP_S, stdout=subprocess.DEVNULL)
            self.assertEqual(rig.line_text(), b"0\n")
            self.assertIsNone(rig.daemon.poll(), "the disk doesn't hang any more")
            root("fsfreeze", "-u", str(rig.state), check=True)
            rig.ended()
            figure(f"a disk that hangs: inhibits after {took * 1e3:.1f} ms, after {inhibited * 1e3:.1f} ms by {number.name}, "
                   "with a thread stuck in the kernel")
        rig.start()  # thawed; what wasn't saved is latched
        self.permits_after_a_reset(rig, latched=True)

    def permits_after_a_reset(self, rig, latched):
        rig.wait(lambda: rig.status["state"] == ("latched" if latched else "permitted"), "latched, or permitted")
        if latched:
            rig.reset_when_clear()
        rig.wait_permit()

    def test_files_that_may_not_grow(self):
        """RLIMIT_FSIZE, with its signal: nothing can be written, not even the log's next line, and it goes on."""
        rig = self.rig().start()
        rig.wait_permit()
        before = limit(rig, resource.RLIMIT_FSIZE, 16)
        took = self.inhibits(rig)
        rig.wait_permit()
        rig.daemon.send_signal(25)  # SIGXFSZ to main as well
        self.trips(rig)
        resource.prlimit(rig.daemon.pid, resource.RLIMIT_FSIZE, before)
        rig.until(lambda: "latched limit load-hot-opened" in rig.stored_state(), "the latch is written")
        figure(f"files that may not grow: inhibits after {took * 1e3:.1f} ms")
        if rig.daemon.poll() is not None:
            raise Failed("it ended")


main()
