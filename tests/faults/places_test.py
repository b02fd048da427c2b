"""Clients of the control socket that stay, die, speak half a line or never read: a hold finds its place all the same."""
import os
import select
import socket
import subprocess
import unittest

from rig import CAP_S, RigTest

DEKEYCTL = os.environ["DEKEYCTL"]
MOST_WATCHERS = 12  # README
WATCH = b'{"ask":"watch","hz":50}\n'


class Places(RigTest):
    def started(self):
        rig = self.rig()
        rig.start()
        rig.wait_permit()
        return rig

    def connect(self, rig, sent=b""):
        client = socket.socket(socket.AF_UNIX)
        self.addCleanup(client.close)
        client.settimeout(CAP_S)
        rig.until(lambda: client.connect_ex(str(rig.run / "control")) == 0, "a client is connected")
        if sent:
            client.sendall(sent)
        return client

    def ctl(self, rig, *words):
        return subprocess.run([DEKEYCTL, "--run", str(rig.run), *words], capture_output=True, text=True, timeout=CAP_S)

    def holds(self, rig):
        """By the operator's command; then the hold is given back."""
        said = self.ctl(rig, "hold", "--reason", "the mast")
        self.assertEqual(said.returncode, 0, said.stderr)
        self.assertFalse(rig.permits())
        said = self.ctl(rig, "release")
        self.assertEqual(said.returncode, 0, said.stderr)
        rig.until(rig.permits, "it permits again")

    def test_silent_ones(self):
        for count in (16, 64):
            with self.subTest(count=count):
                rig = self.started()
                clients = [self.connect(rig) for _ in range(count)]
                self.holds(rig)
                self.assertTrue(clients)

    def test_half_lines(self):
        rig = self.started()
        clients = [self.connect(rig, b'{"ask":"ho') for _ in range(40)]
        self.holds(rig)
        self.assertTrue(clients)

    def test_ones_that_asked_once_and_stayed(self):
        rig = self.started()
        for _ in range(20):
            client = self.connect(rig, b'{"ask":"status"}\n')
            self.assertIn(b'"ok":true', client.recv(200))
        self.holds(rig)

    def test_ones_that_die(self):
        rig = self.started()
        for i in range(40):
            client = self.connect(rig, b'{"ask":"ho' if i % 2 else b"")
            client.close()
        self.holds(rig)

    def test_a_command_that_is_there_already_is_done_however_many_came_with_it(self):
        """More silent ones than the backlog has room for, and the hold among them was sent before the daemon looks."""
        rig = self.started()
        for turn in range(10):
            before = [self.connect(rig) for _ in range(20)]
            holder = self.connect(rig, b'{"ask":"hold"}\n')
            after = [self.connect(rig) for _ in range(20)]
            self.assertIn(b'"held"', holder.recv(400))
            self.assertFalse(rig.permits())
            for client in (*before, holder, *after):
                client.close()
            self.assertTrue(rig.ask(ask="release")["ok"])
            rig.until(rig.permits, f"it permits again after turn {turn}")

    def test_watchers_have_their_share_and_no_more(self):
        rig = self.started()  # whose stream is a watcher itself
        watchers = [self.connect(rig, WATCH) for _ in range(MOST_WATCHERS - 1)]
        self.assertTrue(all(b'"status"' in one.recv(200) for one in watchers))
        late = self.connect(rig, WATCH)
        self.assertIn(b"12 clients watch already", late.recv(400))
        silent = [self.connect(rig) for _ in range(20)]
        self.holds(rig)
        # The silent ones went, not the watchers. One that goes makes room for another.
        self.assertTrue(all(one.recv(200) for one in (*watchers, silent[0])))
        watchers[0].close()
        rig.until(lambda: b'"status"' in self.connect(rig, WATCH).recv(200), "there is room for a watcher")

    def test_watchers_that_never_read(self):
        rig = self.started()
        watchers = [self.connect(rig, WATCH) for _ in range(MOST_WATCHERS - 1)]
        silent = [self.connect(rig) for _ in range(20)]
        self.holds(rig)
        self.assertTrue(silent)

        def is_closed(client):
            look = select.poll()
            look.register(client, 0)
            return any(news & select.POLLHUP for _, news in look.poll(0))

        rig.until(lambda: all(is_closed(one) for one in watchers), "the watchers that never read are closed")
        self.assertIsNotNone(rig.ask(ask="status")["status"])

    def test_a_client_that_is_closed_is_told_why(self):
        rig = self.started()
        first = self.connect(rig)
        rest = [self.connect(rig) for _ in range(16)]
        self.assertIn(b"another client needed this one; expected: connect and ask at once", first.recv(400))
        self.assertEqual(first.recv(400), b"")
        self.assertTrue(rest)


if __name__ == "__main__":
    unittest.main(verbosity=2)
