"""A machine that sleeps with the pad at permit, as where nothing ends the daemon before: on waking it is inhibited,
latched, and says how long. The sleep is the shim's: the boot clock goes on by itself."""
import unittest

from rig import CONFIGURATION, RigTest

DEADLINE_S, HOUR = 2.0, 3600.0


class Suspended(RigTest):
    def setUp(self):
        self.shared = self.rig(configuration=CONFIGURATION.replace("deadline: 10 s", f"deadline: {DEADLINE_S:g} s"))
        self.shared.start()
        self.shared.wait_permit()

    def test_a_sleep_latches_and_says_how_long(self):
        rig = self.shared
        for slept, words in ((HOUR / 3, "20 min"), (HOUR / 3 + 2.5, "2.5 s")):
            mark = rig.mark()
            rig.shim.sleep(slept)
            tripped = rig.event(mark, "tripped", {"suspended"})
            self.assertIn(f"slept for {words}", tripped["text"])
            self.assertTrue(tripped["first_cause"])
            rig.wait(lambda: not rig.permits(), "inhibited")
            rig.wait(lambda: rig.status["state"] == "latched", "latched")
            # What was read before counts no more. A sensor that is read again in that very step has no gap.
            rig.event(mark, "tripped", {"heatsink", "forward", "reflected", "drive", "supply-high"})
            rig.reset_when_clear()
            rig.wait_permit()

    def test_less_than_a_deadline_is_none(self):
        rig = self.shared
        mark = rig.mark()
        rig.shim.sleep(DEADLINE_S - 0.1)
        since = rig.status["now_s"]
        rig.wait(lambda: rig.status["now_s"] > since + 1, "time passes")
        self.assertEqual(rig.events_since(mark, "tripped"), [])
        self.assertTrue(rig.permits())

    def test_a_latch_by_a_sleep_outlasts_the_daemon(self):
        rig = self.shared
        rig.shim.sleep(HOUR)
        rig.wait(lambda: rig.status["state"] == "latched", "latched")
        rig.wait(lambda: rig.status["memory"]["saved"], "saved")
        rig.kill_and_hook()
        rig.start()
        rig.wait(lambda: "suspended" in rig.causes(), "still a cause")
        self.assertTrue(rig.causes()["suspended"]["latched"])
        rig.reset_when_clear()
        rig.wait_permit()


if __name__ == "__main__":
    unittest.main(verbosity=2)
