"""In the steady state a scan and a decision make the system calls that they need, and no others: by strace, on the real
program. A sampler needs its reads, a wake of the guard and a wait; the guard a wait, and a look at its line once a second.
That neither asks for memory is shown by app/guard_test and app/sampler_test."""
import os
import pathlib
import sys
import unittest

sys.path.insert(0, str(pathlib.Path(os.environ["DEKEYD_SOURCE_DIR"]) / "tools/measure.d"))
import calls  # noqa: E402
from station import CONFIGURATION, DEKEYD, DETECTOR, StationTest, wait_for  # noqa: E402

SECONDS = 2
SLOTS = 4  # forward, reflected, drive, and forward again


class CallsTest(StationTest):
    def test_no_more_calls_than_needed(self):
        if reason := calls.why_not():
            self.skipTest(reason)
        # Under strace on a busy machine a reading may be late: that isn't what is looked at here.
        patient = CONFIGURATION.replace("DETECTOR", DETECTOR).replace("allowed_age: 100 ms", "allowed_age: 10 s")
        station = self.station(patient)
        decisions = []

        def count_decisions():
            decisions.append(station.status()["sequence"])

        def permitted():
            try:
                return station.permits() or (station.reset() and station.permits())
            except (FileNotFoundError, ConnectionRefusedError):
                return False  # it is still starting

        def until_permitted():
            wait_for(permitted, "the line permits")
            count_decisions()

        with open(station.log, "ab") as log:
            counts = calls.trace(DEKEYD, station.configuration, log, until_permitted, SECONDS, count_decisions)
        rounds, needed = calls.of_a_round(counts, "bus adc", "in_voltage1_raw")
        print(f"a scan of {SLOTS}, in {rounds} of them: {needed}; the guard: {dict(counts['guard'])}")
        self.assertGreater(rounds, 20)
        slack = 3 / rounds  # the first and the last are not whole
        self.assertLessEqual(needed.pop("read"), SLOTS + slack)
        for name in ("wait", "wake"):
            self.assertLessEqual(needed.pop(name), 1 + slack, name)
        self.assertLessEqual(needed.pop("brk", 0), slack, "the heap of all threads grows now and then, whoever asks it")
        self.assertEqual(needed, {}, "a scan makes other calls too")

        guard = counts["guard"]
        made = decisions[1] - decisions[0]
        at_the_ends = 20  # a status may be 20 ms old
        self.assertLessEqual(guard.pop("wait"), made + at_the_ends)
        self.assertLessEqual(guard.pop("wake", 0), 2, "nobody is woken where nothing happens")
        looks = sum(guard.values())  # at the line: fstat and pread
        self.assertLessEqual(looks, 2 * (SECONDS + 2), dict(guard))


if __name__ == "__main__":
    unittest.main(verbosity=2)
