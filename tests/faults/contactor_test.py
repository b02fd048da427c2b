"""A contactor that welds, drops, or isn't driven, seen by a contact that moves with its own: the real daemon."""
import threading
import time
import unittest

from rig import CONFIGURATION, Rig

CONTACTOR_TIME_S = 0.3
WITH_CONTACTOR = CONFIGURATION.replace("buses:\n", "contactor: {driver: file, path: TOP/amplifier/contactor}\nbuses:\n").replace(
    "  lid: {", "  contactor-contact: {bus: contacts, address: \"file:contacts/contactor\", measures: contact, "
    "normally: closed, role: contactor_sense, allowed_age: 300 ms}\n  lid: {") + (
    f"supervision: {{contactor_time: {round(CONTACTOR_TIME_S * 1000)} ms}}\n")


class Contactor(threading.Thread):
    """Moves with its coil, but where it is stuck; its second contact is closed while it is open."""

    def __init__(self, rig):
        super().__init__(daemon=True)
        self.coil, self.contact = rig.top / "amplifier/contactor", rig.sys / "contacts/contactor"
        self.stuck, self.closed, self.ends = None, None, False
        self.move()
        self.start()

    def move(self):
        try:
            told = self.coil.read_bytes() == b"1\n"
        except FileNotFoundError:
            told = False
        closed = told if self.stuck is None else self.stuck
        if closed != self.closed:
            self.contact.write_text(f"{0 if closed else 1}\n")
        self.closed = closed

    def run(self):
        while not self.ends:
            self.move()
            time.sleep(0.005)


class Contactors(unittest.TestCase):
    def setUp(self):
        self.rig = Rig(configuration=WITH_CONTACTOR)
        self.addCleanup(self.rig.close)
        self.contactor = Contactor(self.rig)
        self.addCleanup(lambda: setattr(self.contactor, "ends", True))
        self.rig.start()
        self.rig.reset_when_clear()
        self.rig.wait_permit()
        self.assertTrue(self.contactor.closed)

    def open_it(self):
        """RF while inhibited: the enable has failed."""
        rig = self.rig
        rig.ask(ask="hold", reason="test")
        rig.wait(lambda: not rig.permits(), "inhibited")
        rig.set("forward", 15000)
        rig.wait(lambda: not rig.status["contactor_closed"], "told to open")

    def test_a_welded_contactor_is_a_latched_cause(self):
        rig = self.rig
        mark = rig.mark()
        self.contactor.stuck = True
        self.open_it()
        opened = rig.event(mark, "contactor opened")
        welded = rig.event(mark, "tripped", {"contactor-stuck-closed"})
        self.assertGreaterEqual(welded["at_s"] - opened["at_s"], CONTACTOR_TIME_S)
        rig.set("forward", 27250)
        rig.wait(lambda: rig.causes()["rf-while-inhibited"]["condition"] == "clear", "RF is gone")
        rig.wait(lambda: rig.causes()["contactor-stuck-closed"]["latched"], "latched")
        self.assertFalse(rig.ask(ask="reset", reason="test")["ok"])
        self.assertFalse(rig.status["contactor_closed"])
        # A start finds it as well, before it closes it.
        rig.stop()
        rig.start()
        rig.wait(lambda: rig.causes().get("contactor-stuck-closed", {}).get("condition") == "bad", "found by a start")
        self.assertFalse(rig.permits())
        self.contactor.stuck = None
        rig.ask(ask="release", reason="test")
        rig.reset_when_clear()
        rig.wait_permit()

    def test_one_that_drops_de_keys_and_comes_back_by_itself(self):
        rig = self.rig
        mark = rig.mark()
        self.contactor.stuck = False
        rig.event(mark, "tripped", {"contactor-stuck-open"})
        rig.wait(lambda: not rig.permits(), "inhibited")
        self.contactor.stuck = None
        rig.wait_permit()

    def test_a_pad_that_is_not_as_written_latches(self):
        rig = self.rig
        mark = rig.mark()
        rule = rig.shim.on("pread", "content", "amplifier/contactor", content=b"0")
        rig.event(mark, "tripped", {"contactor-line-mismatch"})
        rig.wait(lambda: not rig.permits(), "inhibited")
        rig.wait(lambda: rig.status["state"] == "latched", "latched")
        rig.shim.off(rule)
        rig.reset_when_clear()
        rig.wait_permit()


if __name__ == "__main__":
    unittest.main(verbosity=2)
