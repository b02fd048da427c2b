"""What is outside may hang, flood, lie or go away: the broker, the control socket's clients, the service manager, a bus.
None of it moves a decision."""
import ctypes
import fcntl
import os
import pathlib
import select
import signal
import socket
import time
import unittest

from station import CAP_S, MOSQUITTO, Broker, StationTest, free_port, wait_for


def goes_on(test, station):
    """Decisions go on and the permit stands."""
    sequence = station.status()["sequence"]
    wait_for(lambda: station.status()["sequence"] > sequence + 5, "decisions go on")
    test.assertTrue(station.permits())


def trips_and_comes_back(test, station):
    with station.watch() as watch:
        station.set(supply=31.0)
        watch.event("tripped", "supply-high")
        test.assertEqual(station.line_text(), b"0\n")
    station.set(supply=28.0)
    station.wait_permit()


@unittest.skipUnless(MOSQUITTO, "needs mosquitto")
class TheBroker(StationTest):
    def with_broker(self, started=True):
        station = self.station()
        broker = Broker(station.top)
        self.addCleanup(broker.stop)
        station.configure(extra=f"mqtt: {{host: 127.0.0.1, port: {broker.port}}}\n")
        if started:
            broker.start()
        return station, broker

    def connected(self, station):
        return lambda: station.status()["mqtt"]["connected"]

    def test_no_broker_at_start(self):
        station, broker = self.with_broker(started=False)
        station.start_permitted()
        self.assertFalse(station.status()["mqtt"]["connected"])
        trips_and_comes_back(self, station)
        broker.start()
        wait_for(self.connected(station), "connected once there is a broker", 90)
        goes_on(self, station)

    def test_another_broker_is_for_the_telemetry_alone(self):
        """The guard isn't started anew, and the transmission goes on."""
        station, broker = self.with_broker()
        station.start_permitted()
        wait_for(self.connected(station), "connected")
        other = Broker(station.top, port=free_port())
        self.addCleanup(other.stop)
        other.start()
        text = station.configuration.read_text()
        station.configuration.write_text(text.replace(f"port: {broker.port}", f"port: {other.port}"))
        self.assertEqual(station.stop_telemetry(), 0)
        wait_for(lambda: not self.connected(station)(), "gone")
        broker.stop()
        station.start_telemetry()
        wait_for(self.connected(station), "connected to the other one", 60)
        self.assertTrue(station.permits())
        # What both must agree about is another matter: nothing is published until the guard has it too.
        self.assertEqual(station.stop_telemetry(), 0)
        station.configuration.write_text(station.configuration.read_text().replace("above: 70 degC", "above: 71 degC"))
        station.start_telemetry()
        station.wait_log("the guard runs with another configuration")
        self.assertFalse(station.status()["mqtt"]["connected"])
        self.assertEqual(station.stop(), 0)
        station.start()
        wait_for(self.connected(station), "connected once the guard has it", 60)

    def test_a_guard_with_a_newer_configuration_ends_the_telemetry_which_is_then_started_anew(self):
        station, _ = self.with_broker()
        station.start_permitted()
        wait_for(self.connected(station), "connected")
        station.configuration.write_text(station.configuration.read_text().replace("above: 70 degC", "above: 71 degC"))
        self.assertEqual(station.stop(), 0)
        station.start()
        self.assertEqual(station.telemetry.wait(30), 75)

    def test_a_guard_that_is_started_anew_brings_the_telemetry_what_was_changed_for_it(self):
        station, broker = self.with_broker()
        station.start_permitted()
        wait_for(self.connected(station), "connected")
        text = station.configuration.read_text()
        station.configuration.write_text(text.replace(f"port: {broker.port}", "port: 1"))
        self.assertEqual(station.stop(), 0)
        station.start()
        self.assertEqual(station.telemetry.wait(30), 75)

    def test_broker_that_dies(self):
        station, broker = self.with_broker()
        station.start_permitted()
        wait_for(self.connected(station), "connected")
        broker.stop()
        wait_for(lambda: not self.connected(station)(), "the loss is noticed")
        trips_and_comes_back(self, station)
        self.assertEqual(station.stop(), 0)

    def test_broker_that_hangs(self):
        station, broker = self.with_broker()
        station.start_permitted()
        wait_for(self.connected(station), "connected")
        broker.signal(signal.SIGSTOP)
        for _ in range(3):
            trips_and_comes_back(self, station)
        goes_on(self, station)
        broker.signal(signal.SIGCONT)
        wait_for(self.connected(station), "still or again connected", 90)

    def test_a_host_that_swallows_everything(self):
        station = self.station()
        with socket.socket() as deaf:  # accepts by the kernel's hand, and never answers
            deaf.bind(("127.0.0.1", 0))
            deaf.listen(1)
            station.configure(extra=f"mqtt: {{host: 127.0.0.1, port: {deaf.getsockname()[1]}}}\n")
            station.start_permitted()
            trips_and_comes_back(self, station)
            began = time.monotonic()
            self.assertEqual(station.stop(), 0)
            self.assertLess(time.monotonic() - began, 7)


class TheSocket(StationTest):
    def test_garbage_is_answered_and_changes_nothing(self):
        station = self.station().start_permitted()
        with station.client() as client:
            for garbage in (b"\n", b"{\n", b"\x00\xff\n", b"[" * 4000 + b"\n", b'{"ask":"permit"}\n'):
                client.socket.sendall(garbage)
                answer = client.receive()
                self.assertFalse(answer["ok"])
                self.assertIn("expected", answer["error"])
            client.socket.sendall(b"x" * 10000 + b"\n")  # one line, one answer
            self.assertIn("4096", client.receive()["error"])
            self.assertTrue(client.ask({"ask": "status"})["ok"])
        goes_on(self, station)

    def test_several_requests_in_one_write_and_one_in_several(self):
        station = self.station().start_permitted()
        with station.client() as client:
            client.socket.sendall(b'{"ask":"status"}\n{"ask":"sta')
            self.assertTrue(client.receive()["ok"])
            client.socket.sendall(b'tus"}\n')
            self.assertTrue(client.receive()["ok"])

    def test_a_flood_is_slowed_down(self):
        station = self.station().start_permitted()
        with station.client() as client:
            client.socket.sendall(b'{"ask":"reset"}\n' * 200)
            answers = [client.receive() for _ in range(200)]
        too_many = [a for a in answers if "too many" in a.get("error", "")]
        self.assertGreater(len(too_many), 50)
        self.assertGreater(len([a for a in answers if a.get("outcome") == "refused"]), 10)
        goes_on(self, station)

    def test_the_seventeenth_client_gets_the_place_of_the_one_that_was_silent_longest(self):
        station = self.station().start_permitted()
        clients = [station.client() for _ in range(16)]
        try:
            for client in reversed(clients):
                self.assertTrue(client.ask({"ask": "status"})["ok"])
            with station.client() as late:
                self.assertTrue(late.ask({"ask": "status"})["ok"])
                self.assertIn("another client needed this one", clients[-1].receive()["error"])
                self.assertRaises(EOFError, clients[-1].receive)
                for client in clients[:-1]:
                    self.assertTrue(client.ask({"ask": "status"})["ok"])
        finally:
            for client in clients:
                client.close()

    def test_a_client_that_never_reads_is_dropped(self):
        station = self.station().start_permitted()
        lazy = socket.socket(socket.AF_UNIX)
        lazy.setblocking(False)
        lazy.connect(str(station.control))
        self.addCleanup(lazy.close)

        def dropped():
            try:
                lazy.send(b'{"ask":"status"}\n')
            except BlockingIOError:
                pass
            except (BrokenPipeError, ConnectionResetError):
                return True
            return False

        wait_for(dropped, "the client is dropped", 60)
        goes_on(self, station)

    def test_a_client_that_goes_while_its_command_is_on_its_way(self):
        station = self.station().start_permitted()
        for _ in range(20):
            with station.client() as client:
                client.send({"ask": "hold"})
        wait_for(station.answers, "those who went have made room")
        station.wait_state("held")
        self.assertFalse(station.permits())
        self.assertTrue(station.ask({"ask": "release"})["ok"])
        station.wait_permit()

    def test_watch_streams_status_and_events_in_order(self):
        station = self.station().start_permitted()
        with station.watch() as watch:
            self.assertEqual(station.ask({"ask": "hold"})["outcome"], "held")
            event = watch.event("held")
            self.assertEqual((event["origin"], event["state"]), ("local", "held"))
            self.assertRegex(event["wall"], r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$")
            wait_for(lambda: (watch.receive().get("status") or {}).get("state") == "held", "a status after it")

    def test_a_socket_left_by_a_killed_one_is_replaced(self):
        station = self.station().start_permitted()
        station.stop(signal.SIGKILL)
        self.assertTrue(station.control.exists())
        station.start()
        self.assertEqual(station.stop(), 0)


class TheServiceManager(StationTest):
    """What systemd would be told, on a socket of the test's own."""

    def listen(self, station):
        path = str(station.top / "notify")
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        listener.bind(path)
        listener.settimeout(CAP_S)
        self.addCleanup(listener.close)
        return listener, {"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "400000"}

    def said(self, listener, text):
        until = time.monotonic() + CAP_S
        while time.monotonic() < until:
            message = listener.recv(4096).decode()
            if text in message:
                return message
        raise AssertionError(f"never said: {text}")

    def quiet(self, listener, text, for_s):
        """Not said for so long, whatever else is."""
        while select.select([listener], [], [], 0)[0]:
            listener.recv(4096)
        until = time.monotonic() + for_s
        while (left := until - time.monotonic()) > 0:
            if select.select([listener], [], [], left)[0]:
                self.assertNotIn(text, listener.recv(4096).decode())

    def test_ready_status_watchdog_and_stopping(self):
        station = self.station()
        listener, environment = self.listen(station)
        station.start(environment=environment)
        self.said(listener, "READY=1")
        self.said(listener, "STATUS=latched")
        for _ in range(5):
            self.said(listener, "WATCHDOG=1")
        station.reset()
        self.said(listener, "STATUS=permitted")
        station.daemon.send_signal(signal.SIGTERM)
        self.said(listener, "STOPPING=1")
        self.assertEqual(station.wait_end(), 0)

    def test_a_lost_sensor_keeps_the_watchdog_fed(self):
        station = self.station()
        listener, environment = self.listen(station)
        station.start(environment=environment)
        station.reset()
        station.wait_permit()
        station.files["supply"].unlink()
        station.wait_inhibit()
        for _ in range(5):
            self.said(listener, "WATCHDOG=1")

    def test_a_hung_guard_starves_it(self):
        station = self.station()
        listener, environment = self.listen(station)
        station.start(environment=environment)
        self.said(listener, "WATCHDOG=1")
        # A debugger's hold on one thread is the nearest thing to a guard that hangs.
        tasks = pathlib.Path(f"/proc/{station.daemon.pid}/task").iterdir()
        guard = int(next(task.name for task in tasks if (task / "comm").read_text() == "guard\n"))
        libc = ctypes.CDLL(None, use_errno=True)
        libc.ptrace.argtypes = [ctypes.c_long, ctypes.c_long, ctypes.c_void_p, ctypes.c_void_p]
        seize, interrupt, detach, wait_for_any = 0x4206, 0x4207, 17, 0x40000000
        if libc.ptrace(seize, guard, None, None) != 0:
            self.skipTest(f"ptrace isn't allowed here: {os.strerror(ctypes.get_errno())}")
        try:
            self.assertEqual(libc.ptrace(interrupt, guard, None, None), 0)
            os.waitpid(guard, wait_for_any)
            station.wait_log("the guard makes no decisions")
            self.quiet(listener, "WATCHDOG=1", 1.0)
        finally:
            libc.ptrace(detach, guard, None, None)
        self.said(listener, "WATCHDOG=1")

    def test_a_busy_line_asks_for_more_time_and_isn_t_ready(self):
        station = self.station()
        listener, environment = self.listen(station)
        station.line.write_text("0\n")
        with open(station.line) as holder:
            fcntl.flock(holder, fcntl.LOCK_EX)
            station.start(wait=False, environment=environment)
            self.said(listener, "EXTEND_TIMEOUT_USEC=")
            station.wait_log("not armed")
            self.quiet(listener, "READY=1", 0.5)
        self.said(listener, "READY=1")


class Jam:
    """Blocks whoever opens or reads a file, as a wedged bus does: by a permission event that nobody answers."""
    FAN_CLASS_CONTENT, FAN_MARK_ADD, FAN_OPEN_PERM, FAN_ACCESS_PERM, AT_FDCWD = 4, 1, 0x10000, 0x20000, -100

    def __init__(self, path):
        libc = ctypes.CDLL(None, use_errno=True)
        libc.fanotify_mark.argtypes = [ctypes.c_int, ctypes.c_uint, ctypes.c_uint64, ctypes.c_int, ctypes.c_char_p]
        self.descriptor = libc.fanotify_init(self.FAN_CLASS_CONTENT, os.O_RDONLY)
        if self.descriptor < 0:
            raise unittest.SkipTest(f"no fanotify here: {os.strerror(ctypes.get_errno())}")
        # A new file in the old one's place: newer kernels look only at the opening whether anybody wants such events.
        new = path.with_suffix(".new")
        new.write_bytes(path.read_bytes())
        if libc.fanotify_mark(self.descriptor, self.FAN_MARK_ADD, self.FAN_OPEN_PERM | self.FAN_ACCESS_PERM,
                              self.AT_FDCWD, str(new).encode()) != 0:
            error = os.strerror(ctypes.get_errno())
            self.end()
            raise unittest.SkipTest(f"no permission events here: {error}")
        new.rename(path)

    def wait_for_reader(self):
        assert select.select([self.descriptor], [], [], CAP_S)[0], "nobody reads the file"

    def end(self):
        if self.descriptor >= 0:
            os.close(self.descriptor)  # the kernel lets all readers go
            self.descriptor = -1


class ABus(StationTest):
    def jam(self, path):
        jam = Jam(path)
        self.addCleanup(jam.end)
        jam.wait_for_reader()
        return jam

    def test_a_jammed_bus_inhibits_and_delays_nobody_else(self):
        station = self.station().start_permitted()
        with station.watch() as watch:
            jam = self.jam(station.files["supply"])
            event = watch.event("tripped")
            self.assertEqual(event["condition"], "unknown")
            self.assertEqual(station.line_text(), b"0\n")
        status = station.status()
        lost = {q["id"] for q in status["quantities"][:7] if q["health"] == "unknown"}
        self.assertEqual(lost, {"supply", "current"})  # one chip, one reader
        self.assertEqual(station.quantity("supply")["fault"], "stale")
        wait_for(lambda: station.status()["sequence"] > status["sequence"] + 50, "decisions go on")
        jam.end()
        station.wait_permit()

    def test_a_stop_while_a_thread_is_stuck(self):
        station = self.station().start_permitted()
        self.jam(station.files["forward"])
        began = time.monotonic()
        station.daemon.send_signal(signal.SIGTERM)
        station.wait_inhibit()
        self.assertEqual(station.wait_end(), 0)
        self.assertLess(time.monotonic() - began, 7)


if __name__ == "__main__":
    unittest.main(verbosity=2)
