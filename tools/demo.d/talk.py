"""The two conversations: with the bench (one command a line) and with dekeyd's control socket (JSON lines)."""
import json
import socket
import threading
import time

from processes import Wrong, connect, wait_for


class Bench:
    """The simulated amplifier, through its command socket."""

    def __init__(self, path, processes):
        self.client = wait_for("the bench's socket", lambda: connect(path), 20, processes)
        self.lines = self.client.makefile("r", encoding="utf-8")

    def ask(self, command):
        self.client.sendall(command.encode() + b"\n")
        line = self.lines.readline()
        if not line:
            raise Wrong(f"the bench went away at '{command}'")
        return json.loads(line)

    def do(self, command):
        """Carries out one command; its time on CLOCK_MONOTONIC, in seconds."""
        answer = self.ask(command)
        if not answer.get("ok"):
            raise Wrong(f"the bench refused '{command}': {answer.get('error')}")
        return answer["at_ns"] / 1e9

    def truth(self):
        return self.ask("status")


class Daemon:
    """dekeyd, through its control socket: the newest status and all events, kept by a thread of their own."""

    def __init__(self, path, processes):
        self.path = path
        self.processes = processes
        self.news = threading.Condition()
        self.events = []
        self.status = None
        self.gone = None
        watch = wait_for("dekeyd's control socket", lambda: connect(path), 30, processes)
        watch.sendall(b'{"ask":"watch","hz":20}\n')
        threading.Thread(target=self._listen, args=(watch,), daemon=True).start()
        self.wait(lambda: self.status, 20, "dekeyd's first status")

    def _listen(self, watch):
        try:
            for line in watch.makefile("r", encoding="utf-8"):
                message = json.loads(line)
                with self.news:
                    self.status = message.get("status", self.status)
                    if "event" in message:
                        self.events.append(message["event"])
                    if "error" in message:
                        self.gone = message["error"]
                    self.news.notify_all()
        except (OSError, ValueError) as error:
            self.gone = str(error)
        with self.news:
            self.gone = self.gone or "the stream has ended"
            self.news.notify_all()

    def ask(self, order):
        with socket.socket(socket.AF_UNIX) as client:
            client.settimeout(10)
            client.connect(self.path)
            client.sendall(json.dumps({"ask": order}).encode() + b"\n")
            return json.loads(client.makefile("r", encoding="utf-8").readline())

    def mark(self):
        """A place in the stream of events, to wait for what comes after it."""
        with self.news:
            return len(self.events)

    def wait(self, condition, seconds, what):
        until = time.monotonic() + seconds
        with self.news:
            while True:
                found = condition()
                if found:
                    return found
                left = until - time.monotonic()
                if self.gone:
                    raise Wrong(f"{what}: dekeyd's control socket: {self.gone}")
                if left <= 0:
                    raise Wrong(f"{what}: did not come within {seconds:g} s; the state is "
                                f"{self.status and self.status['state']}: {self.status and self.status['reason']}")
                self.news.wait(min(left, 0.5))
                if self.processes.ended():
                    raise Wrong(f"{what}: {self.processes.ended()}")

    def event(self, since, kind, seconds, source=None):
        """The first event of this kind (and source) after the mark."""
        def find():
            return next((event for event in self.events[since:]
                         if event["kind"] == kind and source in (None, event["source"])), None)
        return self.wait(find, seconds, f"the event '{kind}'" + (f" of {source}" if source else ""))

    def value(self, quantity):
        """The newest measured value, or None."""
        with self.news:
            return next((q["value"] for q in self.status["quantities"] if q["id"] == quantity), None)
