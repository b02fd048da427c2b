"""What a storage that stalls, fills or turns read-only must not do: lose a latch or a hold with the daemon, or let a hold
be acknowledged that a restart would forget."""
import errno
import os
import signal
import subprocess
import unittest

from rig import CAP_S, RigTest

DEKEYCTL = os.environ["DEKEYCTL"]
NOT_SAVED = 6

# How a storage takes nothing: rules of the shim.
TROUBLES = {"an fsync that hangs": ("fsync", "hang", 0), "a write that hangs": ("write pwrite", "hang", 0),
            "read-only": ("open rename write pwrite", "errno", errno.EROFS), "an fsync that fails": ("fsync", "errno", errno.EIO)}


def ctl(rig, *words):
    return subprocess.run([DEKEYCTL, "--run", str(rig.run), *words], capture_output=True, text=True, timeout=CAP_S)


class Saved(RigTest):
    def latch(self, rig):
        mark = rig.mark()
        rig.set("load-hot", 1)
        rig.event(mark, "tripped", {"load-hot-opened"})
        rig.set("load-hot", 0)

    def stays_inhibited(self, rig):
        rig.wait(lambda: rig.status["state"] != "starting" and rig.status["settling_left_s"] == 0, "settled")
        since = rig.status["now_s"]
        rig.wait(lambda: rig.status["now_s"] > since + 0.5, "longer than any hold-off")
        self.assertEqual(rig.events_since(0, "permitted"), [])
        self.assertFalse(rig.permits())

    def in_trouble(self, trouble):
        """A permit, and a storage that takes nothing from here on."""
        rig = self.rig().start()
        rig.wait_permit()
        rig.wait(lambda: rig.status["memory"]["saved"], "all is saved")
        operations, action, number = TROUBLES[trouble]
        return rig, rig.shim.on(operations, action, rig.state, number)

    def end(self, rig, number):
        code = rig.stop(number)
        self.assertEqual(code, -number if number == signal.SIGKILL else 74)
        rig.line.write_bytes(b"0\n")  # the stop hook's work
        rig.shim.clear()

    def test_a_latch_outlives_the_daemon(self):
        for trouble in TROUBLES:
            for number in (signal.SIGKILL, signal.SIGTERM):
                with self.subTest(trouble=trouble, end=number.name):
                    rig, _ = self.in_trouble(trouble)
                    self.latch(rig)
                    rig.wait(lambda: not rig.status["memory"]["saved"], "the status says that it isn't saved")
                    self.assertIn("NOT SAVED", ctl(rig, "status").stdout)
                    self.end(rig, number)
                    rig.start()
                    self.stays_inhibited(rig)
                    self.assertTrue(rig.causes()["load-hot-opened"]["latched"])
                    rig.reset_when_clear()
                    rig.wait_permit()
                    self.assertEqual(rig.stop(), 0)

    def test_a_hold_is_acknowledged_when_it_is_saved(self):
        rig = self.rig(platter=True).start()
        rig.wait_permit()
        done = ctl(rig, "hold", "--reason", "test")
        # What the disk had at that moment, since nothing is written later but the journal.
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertIn("held-locally yes", rig.durable_state())
        done = ctl(rig, "release")
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertIn("held-locally no", rig.durable_state())
        slow = rig.shim.on("fsync", "slow", rig.state, 700_000_000)
        done = ctl(rig, "hold")
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertIn("held-locally yes", rig.durable_state())
        rig.shim.off(slow)

    def test_a_hold_that_is_not_saved_says_so_and_outlives_the_daemon(self):
        for trouble in TROUBLES:
            for number in (signal.SIGKILL, signal.SIGTERM):
                with self.subTest(trouble=trouble, end=number.name):
                    rig, _ = self.in_trouble(trouble)
                    done = ctl(rig, "hold", "--reason", "test")
                    self.assertFalse(rig.permits())
                    self.assertEqual((done.returncode, done.stdout), (NOT_SAVED, ""))
                    self.assertIn("inhibited now, but the hold is not saved", done.stderr)
                    answer = rig.ask(ask="hold")
                    self.assertEqual((answer["ok"], answer["outcome"], answer["saved"]), (True, "held", False))
                    self.assertIn("NOT SAVED", ctl(rig, "status").stdout)
                    self.end(rig, number)
                    rig.start()
                    self.stays_inhibited(rig)
                    self.assertTrue(rig.status["memory"]["held_locally"])
                    # The last end left something unsaved: held, and latched as well.
                    self.assertTrue(rig.ask(ask="release")["ok"])
                    rig.wait(lambda: rig.status["state"] == "latched", "latched")
                    rig.reset_when_clear()
                    rig.wait_permit()
                    self.assertEqual(rig.stop(), 0)

    def test_a_stop_that_could_not_save_is_not_a_clean_one(self):
        """Nothing stands but the stop itself."""
        rig, _ = self.in_trouble("an fsync that hangs")
        self.end(rig, signal.SIGTERM)
        rig.start()
        self.stays_inhibited(rig)
        self.assertEqual(rig.status["state"], "latched")
        self.assertIn("left something that the storage hadn't taken", rig.log())
        rig.reset_when_clear()
        rig.wait_permit()
        self.assertEqual(rig.stop(), 0)
        rig.start()
        rig.wait_permit()

    def test_a_latch_needs_no_room(self):
        """Full to the last byte: what must survive has its place already."""
        rig = self.rig(platter=True).start()
        rig.wait_permit()
        rig.shim.on("open write pwrite ftruncate", "full", rig.state)
        self.latch(rig)
        rig.until(lambda: "latched limit load-hot-opened" in rig.durable_state(), "the latch is durable all the same")
        self.assertEqual(ctl(rig, "hold").returncode, 0)
        self.assertIn("held-locally yes", rig.durable_state())
        rig.stop(signal.SIGKILL)
        rig.power_cut(all_names=False)
        rig.start()
        self.stays_inhibited(rig)
        self.assertTrue(rig.causes()["load-hot-opened"]["latched"])
        self.assertTrue(rig.status["memory"]["held_locally"])

    def test_well_again(self):
        rig, rule = self.in_trouble("an fsync that fails")
        self.assertEqual(ctl(rig, "hold").returncode, NOT_SAVED)
        rig.shim.off(rule)
        rig.wait(lambda: rig.status["memory"]["saved"], "saved")
        self.assertEqual(ctl(rig, "hold").returncode, 0)
        self.assertEqual(rig.stop(), 0)
        rig.start()
        self.stays_inhibited(rig)
        self.assertEqual(rig.status["state"], "held")


if __name__ == "__main__":
    unittest.main(verbosity=2)
