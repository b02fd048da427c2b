"""What must outlive the daemon: latch, lockout and hold, over a restart, SIGKILL, and a power cut at every single write;
unclean starts; a state file that is damaged; a card that is full or hangs. The power cuts are the shim's: it keeps what
was fsynced, and the names as of the folder's fsync."""
import concurrent.futures
import errno
import re
import signal
import sys
import time
import unittest

from rig import CONFIGURATION, RigTest, now

WRITES = "open write pwrite fsync rename ftruncate"
COUNTS = []
NOT_SAVED = 74  # the exit code of a stop whose last state was not on the disk in time


def restart_after_power_cut(rig, all_names):
    rig.power_cut(all_names)
    rig.shim.clear()
    rig.start()


class Lasting(RigTest):
    def wait_durable(self, rig, text):
        """Until the disk has it; where nothing looks after the disk, until the file says so."""
        rig.until(lambda: text in (rig.durable_state() if rig.platter else rig.stored_state()),
                  f"'{text}' in the state file")

    def latch(self, rig):
        mark = rig.mark()
        rig.set("load-hot", 1)
        rig.event(mark, "tripped", {"load-hot-opened"})
        rig.set("load-hot", 0)

    def stands(self, rig, state):
        """It stands after the start, also when everything is well for long."""
        rig.wait(lambda: rig.status["state"] == state, state)
        rig.wait(lambda: rig.status["settling_left_s"] == 0, "settled")
        since = rig.status["now_s"]
        rig.wait(lambda: rig.status["now_s"] > since + 0.5, "longer than any hold-off")
        self.assertEqual(rig.status["state"], state)
        self.assertEqual(rig.events_since(0, "permitted"), [])
        self.assertFalse(rig.permits())

    def each_end(self, rig, state):
        """A clean stop, SIGKILL, and power cuts of both kinds: it stands after each."""
        for end in ("stop", "kill", "power cut", "power cut, names first"):
            with self.subTest(end=end):
                rig.stop(signal.SIGTERM if end == "stop" else signal.SIGKILL)
                if end.startswith("power cut"):
                    rig.power_cut(all_names="names" in end)
                rig.start()
                self.stands(rig, state)
        rig.reset_when_clear() if state != "held" else self.assertTrue(rig.ask(ask="release")["ok"])
        rig.wait_permit()

    def test_latch(self):
        rig = self.rig(platter=True)
        rig.start()
        rig.wait_permit()
        self.latch(rig)
        self.wait_durable(rig, "latched limit load-hot-opened")
        self.each_end(rig, "latched")

    def test_hold(self):
        rig = self.rig(platter=True)
        rig.start()
        rig.wait_permit()
        self.assertTrue(rig.ask(ask="hold", reason="test")["ok"])
        self.wait_durable(rig, "held-locally yes")
        self.each_end(rig, "held")

    def test_lockout(self):
        rig = self.rig(platter=True, configuration=CONFIGURATION.replace("trips: 100", "trips: 3"))
        rig.start()
        rig.wait_permit()
        for _ in range(3):
            mark = rig.mark()
            rig.set("lid", 0)
            rig.event(mark, "tripped", {"lid-opened"})
            rig.set("lid", 1)
            rig.wait(lambda mark=mark: rig.events_since(mark, "permitted") or rig.status["memory"]["locked_out"],
                     "it re-arms, or locks out")
            if rig.status["memory"]["locked_out"]:
                break
        rig.wait(lambda: rig.status["memory"]["locked_out"], "locked out")
        self.wait_durable(rig, "locked-out yes")
        self.each_end(rig, "locked out")

    def test_unclean_starts_lock_out(self):
        rig = self.rig(platter=True, configuration=CONFIGURATION.replace("unclean_starts: 100", "unclean_starts: 3"))
        rig.start()
        for starts in range(1, 4):
            rig.wait_permit()
            rig.stop(signal.SIGKILL)
            rig.power_cut(all_names=starts % 2 == 0)
            rig.start()
            rig.wait(lambda: rig.status["state"] != "starting", "started")
            self.assertEqual(rig.status["memory"]["locked_out"], starts == 3, f"after {starts} unclean starts")
        self.stands(rig, "locked out")
        rig.reset_when_clear()
        rig.wait_permit()

    # ---- death at each write ----

    def wait_all_written(self, rig):
        """What came before: the permit is in the journal, and nothing was written for a while."""
        rig.until(lambda: last_of_journal(rig, '"kind":"permitted"'), "the permit is in the journal")
        rule = rig.shim.on(WRITES, "die", rig.state, 1_000_000)  # only counts
        quiet_since, hits = now(), 0
        while now() - quiet_since < 0.4:
            if rig.shim.hits(rule) != hits:
                quiet_since, hits = now(), rig.shim.hits(rule)
            time.sleep(0.02)
        rig.shim.off(rule)

    def die_at_each_write(self, how, all_names):
        """A latch comes, and the process dies at the n-th write, for every n. What is remembered afterwards is the state
        before or the state after, whole; and what was remembered once n writes were done is so for every later death."""
        rig = self.rig(platter=True)
        remembered = []
        for n in range(1, 60):
            rig.start()
            rig.wait_permit()
            self.wait_all_written(rig)
            rule = rig.shim.on(WRITES, how, rig.state / "state", n)
            rig.set("load-hot", 1)
            rig.until(lambda: rig.line_text() == b"0\n", "the line is inhibited, whatever the disk does")
            rig.until(lambda: rig.daemon.poll() is not None or
                      ("latched limit" in rig.durable_state() and journal_has(rig, "load-hot-opened")),
                      "it is killed, or all is written")
            rig.set("load-hot", 0)
            rig.send(signal.SIGKILL)
            self.assertEqual(rig.ended(), -signal.SIGKILL)
            died = rig.shim.hits(rule) >= n
            restart_after_power_cut(rig, all_names)
            rig.wait(lambda: rig.status["state"] in ("latched", "permitted"), "latched or not")
            memory = rig.status["memory"]
            self.assertFalse(memory["unreadable"] or memory["first_start"], f"death at write {n}: the state is whole")
            latched = rig.status["state"] == "latched"
            remembered.append(latched)
            if latched:
                rig.reset_when_clear()
            rig.wait_permit()
            if rig.stop() == NOT_SAVED:  # a busy machine's disk; the next start is latched, as it says
                rig.start()
                rig.reset_when_clear()
                rig.wait_permit()
                rig.stop(signal.SIGKILL)
            if not died:
                break
        self.assertFalse(died, "the writes come to an end")
        self.assertTrue(remembered[-1], "what was durable is remembered")
        self.assertEqual(remembered, sorted(remembered), "never remembered and then not")
        self.assertFalse(remembered[0], "death before the first write: what didn't get to the disk can't be known")
        return f"{how} at each of {len(remembered) - 1} writes{', names first' if all_names else ''}: the latch is remembered " \
               f"from the {remembered.index(True) + 1}. on"

    def test_death_at_each_write(self):
        with concurrent.futures.ThreadPoolExecutor(4) as pool:
            runs = [pool.submit(self.die_at_each_write, how, names) for how in ("die", "torn") for names in (False, True)]
            for run in runs:
                COUNTS.append(run.result())

    # ---- damage ----

    def test_damaged_state_is_latched(self):
        rig = self.rig()
        content = (rig.state / "state").read_bytes()
        middle = len(content) // 2
        damages = {"empty": b"", "cut in the middle": content[:middle], "last byte missing": content[:-1],
                   "a bit flipped": content[:middle] + bytes([content[middle] ^ 1]) + content[middle + 1:],
                   "checksum flipped": content[:-3] + bytes([content[-3] ^ 1]) + content[-2:],
                   "twice": content * 2, "zeros": bytes(len(content)), "of another version": content.replace(b"dekeyd-state 2", b"dekeyd-state 3")}
        for what, damaged in damages.items():
            with self.subTest(damage=what):
                (rig.state / "state").write_bytes(damaged)
                rig.start()
                self.stands(rig, "latched")
                self.assertTrue(rig.status["memory"]["unreadable"])
                rig.stop(signal.SIGKILL)
        rig.start()
        self.stands(rig, "latched")  # and it stays so until an operator's reset
        rig.reset_when_clear()
        rig.wait_permit()

    def test_absent_state_is_a_first_start(self):
        rig = self.rig()
        (rig.state / "state").unlink()
        rig.start()
        self.stands(rig, "latched")
        self.assertTrue(rig.status["memory"]["first_start"])

    def test_unreadable_state_is_latched(self):
        rig = self.rig()
        (rig.state / "state").unlink()
        (rig.state / "state").mkdir()
        rig.start()
        self.stands(rig, "latched")
        self.assertTrue(rig.status["memory"]["unreadable"])

    # ---- a card that is full, or hangs ----

    def trip_and_latch_all_the_same(self, rig):
        rig.wait_permit()
        mark, began = rig.mark(), now()
        self.latch(rig)
        event = rig.event(mark, "tripped", {"load-hot-opened"})
        self.assertEqual(rig.line_text(), b"0\n")
        self.assertEqual(rig.status["guard"]["overruns"], 0)
        rig.wait(lambda: rig.status["state"] == "latched", "latched")
        return event["at_s"] - began

    def test_full_card(self):
        rig = self.rig(platter=True)
        rig.start()
        rig.wait_permit()
        rule = rig.shim.on("write pwrite", "errno", rig.state, errno.ENOSPC)
        self.trip_and_latch_all_the_same(rig)
        # Two threads write, and each says so.
        for what in ("latches and holds are not saved", "events are not durable"):
            rig.until(lambda what=what: re.search(f"{what}: .*No space left", rig.log()), "the log says that the card is full")
        self.assertNotIn("latched limit", rig.stored_state())
        rig.shim.off(rule)
        self.wait_durable(rig, "latched limit load-hot-opened")
        rig.until(lambda: "takes writes again" in rig.log(), "the log says that it is well again")
        self.each_end(rig, "latched")

    def test_read_only_card(self):
        rig = self.rig()
        rig.start()
        rig.wait_permit()
        rule = rig.shim.on("open", "errno", rig.state, errno.EROFS)
        self.trip_and_latch_all_the_same(rig)
        rig.until(lambda: "read-only" in rig.log(), "the log says that the card is read-only")
        rig.shim.off(rule)
        self.wait_durable(rig, "latched limit load-hot-opened")

    def test_card_that_hangs(self):
        rig = self.rig(platter=True)
        rig.start()
        rig.wait_permit()
        rule = rig.shim.on("fsync", "hang", rig.state)
        self.trip_and_latch_all_the_same(rig)
        rig.until(lambda: rig.shim.hits(rule) > 0, "an fsync hangs")
        rig.reset_when_clear()  # commands work all the same
        rig.wait_permit()
        self.trip_and_latch_all_the_same(rig)
        rig.shim.off(rule)
        self.wait_durable(rig, "latched limit load-hot-opened")
        self.each_end(rig, "latched")

    def test_card_that_fails_at_the_start(self):
        """Full, read-only or hanging: inhibited for as long, saying why, and stoppable; then it permits."""
        for operations, action, number in (("write pwrite", "errno", errno.ENOSPC), ("rename write pwrite", "errno", errno.EROFS),
                                           ("fsync", "hang", 0)):
            with self.subTest(operations=operations, action=action):
                rig = self.rig()
                for end in ("stopped", "mended"):
                    rule = rig.shim.on(operations, action, rig.state, number)
                    rig.start()
                    rig.wait(lambda: "hasn't taken this start" in rig.status["reason"], "it says what it waits for")
                    since = rig.status["now_s"]
                    rig.wait(lambda: rig.status["now_s"] > since + 1, "longer than the settling time")
                    self.assertEqual((rig.status["state"], rig.permits()), ("starting", False))
                    self.assertEqual(rig.status["guard"]["overruns"], 0)
                    if end == "stopped":
                        rig.stop()
                    rig.shim.off(rule)
                rig.wait_permit()
                rig.stop()

    def test_a_permit_is_never_older_than_the_note_of_the_start(self):
        """A slow card, and death at the first sight of a permit: each is counted, also after a power cut."""
        rig = self.rig(platter=True, configuration=CONFIGURATION.replace("unclean_starts: 100", "unclean_starts: 3"))
        for starts in range(3):
            rule = rig.shim.on("fsync", "slow", rig.state, 300_000_000)
            rig.start(wait=False)
            rig.until(rig.permits, "a permit")
            rig.stop(signal.SIGKILL)
            rig.shim.off(rule)
            self.assertIn("running yes", rig.durable_state())
            rig.power_cut(all_names=False)
            rig.line.write_bytes(b"0\n")
        rig.start()
        self.stands(rig, "locked out")


def last_of_journal(rig, text):
    segments = sorted((rig.state / "journal").glob("events-*"))
    return bool(segments) and text in segments[-1].read_text(errors="replace").rstrip("\n").rsplit("\n", 1)[-1]


def journal_has(rig, text):
    return any(text in path.read_text(errors="replace") for path in (rig.state / "journal").glob("events-*"))


if __name__ == "__main__":
    program = unittest.main(verbosity=2, exit=False)
    print("\n" + "\n".join(COUNTS))
    sys.exit(0 if program.result.wasSuccessful() else 1)
