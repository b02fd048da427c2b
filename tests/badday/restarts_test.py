"""Started and killed without end, at any moment: a latch is never lost, and nothing permits that shouldn't."""
import random
import signal
import statistics
import time

from day import LONG, Day, figure, main, now


class Restarts(Day):
    def test_a_latch_outlives_every_end(self):
        turns = 1000 if LONG else 100
        rig = self.rig()
        rig.start()
        rig.wait_permit()
        mark = rig.mark()
        rig.set("load-hot", 1)
        rig.event(mark, "tripped", {"load-hot-opened"})
        rig.set("load-hot", 0)
        rig.until(lambda: "latched limit load-hot-opened" in rig.stored_state(), "the latch is durable")
        rig.stop(signal.SIGKILL)
        chance = random.Random(4)
        times, lost, permitted = [], 0, 0
        for turn in range(turns):
            began = now()
            rig.start(wait=False)
            time.sleep(chance.choice([0.0, 0.01, 0.03, 0.1, 0.3]) * chance.random())
            rig.stop(chance.choice([signal.SIGKILL, signal.SIGKILL, signal.SIGTERM]))
            times.append(now() - began)
            text = rig.stored_state()
            lost += "latched limit load-hot-opened" not in text
            permitted += rig.permits()
        self.assertEqual((lost, permitted), (0, 0))
        rig.start()
        rig.wait(lambda: rig.status["settling_left_s"] == 0, "settled")
        # So many unclean ends may have locked it out as well, which is as it should be.
        self.assertIn(rig.status["state"], ("latched", "locked out"))
        self.assertTrue(rig.causes()["load-hot-opened"]["latched"])
        self.assertEqual(rig.events_since(0, "permitted"), [])
        figure(f"{turns} starts that were ended at any moment: latch lost {lost} times, permitted {permitted} times; "
               f"{statistics.median(times) * 1e3:.0f} ms each")
        rig.reset_when_clear()
        rig.wait_permit()


main()
