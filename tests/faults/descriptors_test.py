"""Started with its standard descriptors closed: no file of its own takes their numbers, so no log text goes there."""
import os
import subprocess
import unittest

from rig import CAP_S, DEKEYD, INHIBIT, RigTest

CLOSED = ["/bin/sh", "-c", 'exec "$@" 0<&- 1>&- 2>&-', "sh"]


class Descriptors(RigTest):
    def test_the_daemon(self):
        rig = self.rig()
        rig.daemon = subprocess.Popen([*CLOSED, DEKEYD, "--config", str(rig.configuration)])
        rig.connect()
        rig.wait_permit()
        for number in range(3):
            self.assertEqual(os.readlink(f"/proc/{rig.daemon.pid}/fd/{number}"), "/dev/null")
        self.assertEqual(rig.stop(), 0)
        for path in rig.state.rglob("*"):
            if path.is_file():
                self.assertNotIn(b"inhibited, and holding the line", path.read_bytes(), path)

    def test_the_stop_hook(self):
        """What it says of its line goes nowhere, least of all into the line's own file."""
        rig = self.rig().start()
        rig.wait_permit()
        rig.stop(9)
        subprocess.run([*CLOSED, INHIBIT, str(rig.run / "line")], check=True, timeout=CAP_S)
        self.assertEqual(rig.line_text(), b"0\n")


if __name__ == "__main__":
    unittest.main(verbosity=2)
