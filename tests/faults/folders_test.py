"""Who has the state folder and the run folder: one daemon at a time; and what the stop hook finds there."""
import os
import signal
import subprocess
import unittest

from rig import CAP_S, DEKEYD, INHIBIT, RigTest

DEKEYCTL = os.environ["DEKEYCTL"]


def contents(folder):
    """Each name below a folder, with what would show that it was touched."""
    found = {}
    for path in sorted(folder.rglob("*")):
        status = path.lstat()
        found[str(path.relative_to(folder))] = (status.st_ino, status.st_mtime_ns, status.st_size, status.st_mode)
    return found


class Folders(RigTest):
    def second(self, rig, environment=None, **replaced):
        """Another daemon, whose configuration differs in these paths; how it ended, or None."""
        text = rig.configuration.read_text()
        for key, path in replaced.items():
            old = {"state": f"state: {rig.state}", "run": f"run: {rig.run}", "line": f"path: {rig.line}"}[key]
            self.assertIn(old, text)
            text = text.replace(old, old.split(": ")[0] + f": {path}")
        configuration = rig.top / "second.yaml"
        configuration.write_text(text)
        return subprocess.run([DEKEYD, "--config", str(configuration)], stdin=subprocess.DEVNULL, capture_output=True,
                              text=True, timeout=CAP_S, env={**os.environ, **(environment or {})})

    # ---- a second daemon ----

    def is_refused(self, rig, before, **replaced):
        done = self.second(rig, **replaced)
        self.assertEqual(done.returncode, 78, done.stderr)
        self.assertIn(f"in use by process {rig.daemon.pid}", done.stderr)
        self.assertEqual((contents(rig.state), contents(rig.run)), before)
        self.assertTrue(rig.permits())
        return done

    def untouched(self, rig):
        rig.wait(lambda: rig.status["memory"]["saved"], "all is saved")
        rig.until(lambda: (rig.state / "lock").read_text() == f"{rig.daemon.pid}\n", "it says who it is")
        before = None
        while before != contents(rig.state):
            before = contents(rig.state)
            rig.wait(lambda since=rig.status["now_s"]: rig.status["now_s"] > since + 1.0, "a while in which nothing is written")
        return contents(rig.state), contents(rig.run)

    def test_a_second_daemon_touches_nothing(self):
        rig = self.rig().start()
        rig.wait_permit()
        before = self.untouched(rig)
        other = {"state": rig.top / "second-state", "run": rig.top / "second-run", "line": rig.top / "second-line"}
        other["state"].mkdir()
        other["line"].write_text("1\n")
        self.is_refused(rig, before)
        self.is_refused(rig, before, run=other["run"], line=other["line"])
        self.assertFalse(other["run"].exists())
        self.is_refused(rig, before, state=other["state"], line=other["line"])
        self.assertEqual(other["line"].read_text(), "1\n")
        self.assertEqual(list(other["state"].glob("[!l]*")), [])  # but for its lock

        # What the first one has is still its own: the hold, the hook's file, the latch.
        self.assertEqual(subprocess.run([DEKEYCTL, "--run", str(rig.run), "hold"], timeout=CAP_S, check=False,
                                        capture_output=True).returncode, 0)
        rig.wait(lambda: rig.status["memory"]["held_locally"], "held")
        self.assertIn("held-locally yes", rig.stored_state())
        self.assertTrue(rig.ask(ask="release")["ok"])
        rig.wait_permit()
        self.assertEqual(rig.kill_and_hook(), b"0\n")
        rig.start()  # the dead one keeps nothing
        rig.wait_permit()

    def test_one_that_is_stuck_in_the_kernel_keeps_its_folders(self):
        """As far as the kernel's own rule goes: the lock is the process's, not the guard's."""
        rig = self.rig().start()
        rig.wait_permit()
        rig.send(signal.SIGSTOP)
        self.assertEqual(self.second(rig).returncode, 78)
        rig.send(signal.SIGCONT)
        rig.wait_permit()

    def test_a_folder_that_is_missing(self):
        rig = self.rig()
        done = self.second(rig, state=rig.top / "none", run=rig.top / "run-of-none")
        self.assertEqual(done.returncode, 73, done.stderr)
        self.assertIn("none/lock", done.stderr)
        self.assertFalse((rig.top / "run-of-none").exists())

    # ---- the service manager's folder ----

    def test_a_run_folder_that_the_stop_hook_does_not_know(self):
        rig = self.rig().start()
        rig.wait_permit()
        rig.stop(signal.SIGKILL)
        self.assertTrue(rig.permits())
        given = rig.top / "given"
        done = self.second(rig, environment={"RUNTIME_DIRECTORY": str(given)})
        self.assertEqual(done.returncode, 78)
        self.assertIn(f"paths: run: is {rig.run}, but the service manager gave {given}", done.stderr)
        self.assertEqual(rig.line_text(), b"0\n")  # and is inhibited first
        for fits in (str(rig.run), f"{given}:{rig.run}", f"{rig.run}/", f"{rig.top}/./run"):
            daemon = subprocess.Popen([DEKEYD, "--config", str(rig.configuration)], stdin=subprocess.DEVNULL,
                                      stderr=subprocess.DEVNULL, env={**os.environ, "RUNTIME_DIRECTORY": fits})
            rig.daemon = daemon
            rig.connect()
            rig.wait_permit()
            self.assertEqual(rig.stop(), 0)

    # ---- the hook's files ----

    def with_lines(self, rig, contactor):
        """The configuration with two more lines, or without."""
        plain = "".join(line for line in rig.configuration.read_text().splitlines(True)
                        if not line.startswith(("contactor:", "dynamic_permit:")))
        more = (f"contactor: {{driver: file, path: {rig.top}/contactor}}\n"
                f"dynamic_permit: {{driver: file, path: {rig.top}/dynamic}}\n") if contactor else ""
        rig.configuration.write_text(plain + more)

    def hook(self, rig):
        return [subprocess.run([INHIBIT, str(rig.run / name)], capture_output=True, timeout=CAP_S, check=False).returncode
                for name in ("line", "contactor", "dynamic-permit")]

    def test_lines_of_an_earlier_configuration_are_not_driven(self):
        """By the hook, by a start that succeeds, and by one that fails: what was a contactor may be an input by now."""
        rig = self.rig()
        pads = [rig.top / "contactor", rig.top / "dynamic"]
        for end in ("hook", "no hook"):
            self.with_lines(rig, contactor=True)
            rig.start()
            rig.wait(lambda: rig.status["state"] in ("permitted", "latched"), "permitted, or latched without its contactor")
            rig.stop(signal.SIGKILL)
            self.assertEqual({p.name for p in rig.run.iterdir()} & {"line", "contactor", "dynamic-permit"},
                             {"line", "contactor", "dynamic-permit"})
            if end == "hook":
                self.assertEqual(self.hook(rig), [0, 0, 0])
                self.assertEqual([pad.read_text() for pad in pads], ["0\n", "0\n"])
                for pad in pads:
                    pad.write_text("1\n")  # somebody else's from here on
                # A start that is refused, and its hook.
                good = rig.configuration.read_text()
                rig.configuration.write_text(good.replace("above: 70 degC", "above: 70 W"))
                done = subprocess.run([DEKEYD, "--config", str(rig.configuration)], stdin=subprocess.DEVNULL,
                                      capture_output=True, timeout=CAP_S, check=False,
                                      env={**os.environ, "RUNTIME_DIRECTORY": str(rig.run)})
                self.assertEqual(done.returncode, 78)
                self.assertEqual(self.hook(rig), [0, 0, 0])
                self.assertEqual([pad.read_text() for pad in pads], ["1\n", "1\n"])
                rig.configuration.write_text(good)
            self.with_lines(rig, contactor=False)
            for pad in pads:
                pad.write_text("1\n")
            rig.start()
            rig.wait_permit()
            self.assertFalse((rig.run / "contactor").exists() or (rig.run / "dynamic-permit").exists())
            rig.stop(signal.SIGKILL)
            self.assertEqual(self.hook(rig), [0, 0, 0])
            self.assertEqual(rig.line_text(), b"0\n")
            self.assertEqual([pad.read_text() for pad in pads], ["1\n", "1\n"])
            # Again: it is inhibited, and nobody's.
            rig.line.write_bytes(b"1\n")
            self.assertEqual(self.hook(rig), [0, 0, 0])
            self.assertEqual(rig.line_text(), b"1\n")

    def test_the_hook_keeps_the_files_of_a_daemon_that_lives(self):
        rig = self.rig().start()
        rig.wait_permit()
        self.assertEqual(self.hook(rig)[0], 1)  # the line is held
        self.assertTrue((rig.run / "line").exists())
        self.assertTrue(rig.permits())


if __name__ == "__main__":
    unittest.main(verbosity=2)
