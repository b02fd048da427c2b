"""A log that nobody reads: commands, the line and a stop don't wait for it, and what fell out of it is counted."""
import fcntl
import json
import os
import signal
import socket
import unittest

from rig import CAP_S, RigTest, now

END_WITHIN_S = 5.0  # what README says of a stop


class FullPipe:
    """A pipe without room: each write to it waits."""

    def __init__(self):
        self.reading, self.writing = os.pipe()
        fcntl.fcntl(self.writing, fcntl.F_SETPIPE_SZ, 4096)
        os.set_blocking(self.writing, False)
        try:
            while True:
                os.write(self.writing, b"x" * 4096)
        except BlockingIOError:
            pass
        os.set_blocking(self.writing, True)
        os.set_blocking(self.reading, False)
        self.text = b""

    def read(self):
        try:
            while part := os.read(self.reading, 65536):
                self.text += part
        except BlockingIOError:
            pass
        return self.text

    def close(self):
        os.close(self.reading)
        os.close(self.writing)


class Unread(RigTest):
    def started(self):
        rig, pipe = self.rig(), FullPipe()
        self.addCleanup(pipe.close)
        rig.start(log=pipe.writing)
        rig.wait_permit()
        return rig, pipe

    def floods(self, rig, each):
        """Six clients, each with so many requests; the log has a line for each of them."""
        clients = []
        for _ in range(6):
            client = socket.socket(socket.AF_UNIX)
            self.addCleanup(client.close)
            client.settimeout(CAP_S)
            client.connect(str(rig.run / "control"))
            client.sendall(b'{"ask":"reset"}\n' * each)
            clients.append(client)
        for client in clients:
            answers = client.makefile("rb")
            for _ in range(each):
                self.assertIn("ok", json.loads(answers.readline()))

    def test_commands_and_the_line_do_not_wait(self):
        rig, _ = self.started()
        self.floods(rig, 40)
        began = now()
        self.assertTrue(rig.ask(ask="hold")["ok"])
        self.assertFalse(rig.permits())
        self.assertLess(now() - began, 2.0)

    def test_a_stop_ends_within_its_time(self):
        rig, _ = self.started()
        self.floods(rig, 10)
        began = now()
        self.assertEqual(rig.stop(signal.SIGTERM), 0)
        self.assertLess(now() - began, END_WITHIN_S)
        self.assertFalse(rig.permits())

    def test_what_fell_out_is_said_later(self):
        rig, pipe = self.started()
        self.floods(rig, 49)
        rig.until(lambda: b"lines of this log were lost" in pipe.read(), "it says what was lost")
        self.assertTrue(rig.ask(ask="hold", reason="the last line")["ok"])
        rig.until(lambda: b"the last line" in pipe.read(), "it goes on")
        self.assertEqual(rig.stop(), 0)
        self.assertIn(b"stopping by signal", pipe.read())


if __name__ == "__main__":
    unittest.main(verbosity=2)
