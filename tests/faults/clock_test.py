"""The wall clock steps by hours and by years, both ways, in every state: no decision changes and no duration. The steps
are the shim's, so that the machine's own clock is left alone."""
import sys
import unittest

from rig import CONFIGURATION, used_rig

HOUR, YEAR = 3600.0, 365.25 * 86400.0
STEPS = (HOUR, -HOUR, 10 * YEAR, -50 * YEAR, 0.25, -86400.0, 30 * YEAR, 0.0)
SETTLING_S, HOLD_OFF_S = 1.0, 2.0
QUALIFY_S = 0.4  # four times this is what it takes until it is forgotten: less than the hold-off
LATE_S = 5.0  # of a loaded machine; far below any step
MEASURED = []


class WallClock(unittest.TestCase):
    def setUp(self):
        slow = CONFIGURATION.replace("settling: 200 ms", f"settling: {SETTLING_S} s").replace(
            "clear: 55 degC, qualify: 20 ms, hold_off: 200 ms", f"clear: 55 degC, qualify: {QUALIFY_S} s, hold_off: {HOLD_OFF_S} s")
        slow = slow.replace("allowed_age: 300 ms", "allowed_age: 1 s")  # a stall of the machine is not what is tested
        slow = slow.replace("trips: 100", "trips: 12")  # of the twelve below, none may be forgotten or counted twice
        self.rig = used_rig(configuration=slow.replace("DETECTOR", DETECTOR_SLOW))
        self.addCleanup(self.rig.close)

    def step_through(self, seconds_each, steps=STEPS):
        """The steps, so many seconds apart by the daemon's own clock."""
        rig = self.rig
        for step in steps:
            rig.shim.step_wall_clock(step)
            since = rig.status["now_s"]
            rig.wait(lambda since=since: rig.status["now_s"] > since + seconds_each, "time passes")

    def took(self, what, seconds, at_least):
        MEASURED.append((what, seconds, at_least))
        self.assertGreaterEqual(seconds, at_least - 0.001, what)
        self.assertLess(seconds, at_least + LATE_S, what)

    def test_steps_change_nothing(self):
        rig = self.rig
        rig.start()
        started = rig.status["now_s"] - SETTLING_S + rig.status["settling_left_s"]
        for step in STEPS[:4]:  # while settling
            rig.shim.step_wall_clock(step)
        rig.wait_permit()
        self.took("settling", rig.event(0, "permitted")["at_s"] - started, SETTLING_S)

        mark = rig.mark()
        self.step_through(0.2)
        self.assertEqual(rig.events[mark:], [], "steps while permitted")
        self.assertTrue(rig.permits())

        walls = set()
        for trip in range(1, 4):
            mark, began = rig.mark(), rig.status["now_s"]
            rig.set("heatsink", 80000)
            self.step_through(0.05, STEPS[trip:trip + 3])  # while it qualifies
            tripped = rig.event(mark, "tripped", {"heatsink"})
            walls.add(tripped["wall"][:4])
            self.took("qualify time", tripped["at_s"] - began, QUALIFY_S)
            mark = rig.mark()
            self.step_through(0.05)  # while tripped
            self.assertEqual(rig.events[mark:], [], "steps while tripped")
            cleared_from = rig.status["now_s"]
            rig.set("heatsink", 30000)
            self.step_through(0.1)  # during the hold-off
            cleared = rig.event(mark, "cleared", {"heatsink"})
            self.took("hold-off", cleared["at_s"] - cleared_from, HOLD_OFF_S)
            rig.wait_permit()
        self.assertGreater(len(walls), 1, "the wall clock was stepped indeed: the stamps say so")

    def test_lockout_counts_true_time(self):
        """Twelve trips within ten minutes of true time lock out, with years between them by the wall clock."""
        rig = self.rig
        rig.start()
        rig.wait_permit()
        for trip in range(1, 13):
            rig.shim.step_wall_clock(trip * YEAR if trip % 2 else -trip * YEAR)
            mark = rig.mark()
            rig.set("lid", 0)
            rig.event(mark, "tripped", {"lid-opened"})
            locked = rig.events_since(mark, "locked out")
            rig.set("lid", 1)
            if locked or trip == 12:
                break
            rig.wait_permit()
        rig.wait(lambda: rig.status["memory"]["locked_out"], "locked out")
        mark = rig.mark()
        self.step_through(0.1)
        self.assertEqual(rig.status["state"], "locked out")
        self.assertFalse(rig.permits())
        rig.reset_when_clear()
        rig.wait_permit()


DETECTOR_SLOW = ("measures: power, allowed_age: 1 s, valid: 0.35 V .. 2.2 V, detector: {slope: -24.4 mV/dB, "
                 "intercept: 19.6 dBm, floor: -50 dBm, ceiling: 5 dBm}, pads: 10 dB, cable: 0.5 dB")

if __name__ == "__main__":
    program = unittest.main(verbosity=2, exit=False)
    print(f"\nWith the wall clock stepped by {', '.join(f'{s / YEAR:g} a' if abs(s) >= YEAR else f'{s / HOUR:g} h' for s in STEPS)}:")
    for what, seconds, configured in MEASURED:
        print(f"  {what}: {seconds:.3f} s, configured {configured:g} s")
    sys.exit(0 if program.result.wasSuccessful() else 1)
