"""The demonstration's processes: each dies with this one, and is ended in order."""
import ctypes
import os
import shutil
import signal
import socket
import subprocess
import time

PR_SET_PDEATHSIG = 1  # linux/prctl.h
_libc = ctypes.CDLL(None, use_errno=True)


class Wrong(Exception):
    """Something did not come as it should."""


def _die_with_parent():
    _libc.prctl(PR_SET_PDEATHSIG, signal.SIGKILL)


class Processes:
    def __init__(self, folder):
        self.folder = folder
        self.running = []  # (name, process), in the order of starting

    def start(self, name, *arguments, user=None):
        """Starts a program in a session of its own, so that Ctrl-C reaches it through us alone. Main thread only."""
        with open(f"{self.folder}/{name}.log", "ab") as log:
            process = subprocess.Popen(arguments, stdin=subprocess.DEVNULL, stdout=log, stderr=log,
                                       start_new_session=True, preexec_fn=_die_with_parent, user=user)
        self.running.append((name, process))
        return process

    def log(self, name, lines=15):
        try:
            with open(f"{self.folder}/{name}.log", encoding="utf-8", errors="replace") as log:
                return "".join(log.readlines()[-lines:])
        except FileNotFoundError:
            return ""

    def ended(self):
        """The first that is no longer there, as words; or nothing."""
        for name, process in self.running:
            if process.poll() is not None:
                return f"{name} has ended with {process.returncode}:\n{self.log(name)}"
        return None

    def stop(self):
        """The last started ends first; a deaf one is killed. Returns those that had to be."""
        deaf = []
        for name, process in reversed(self.running):
            if process.poll() is None:
                process.terminate()
                try:
                    process.wait(8)
                except subprocess.TimeoutExpired:
                    deaf.append(name)
                    process.kill()
                    process.wait()
        self.running = []
        return deaf


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def wait_for(what, condition, seconds, processes=None):
    """Waits until condition() is true, and returns what it gave; after `seconds` that is Wrong."""
    until = time.monotonic() + seconds
    while True:
        found = condition()
        if found:
            return found
        if processes and processes.ended():
            raise Wrong(f"while waiting for {what}: {processes.ended()}")
        if time.monotonic() > until:
            raise Wrong(f"{what}: did not come within {seconds:g} s")
        time.sleep(0.02)


def connect(path):
    """A connected Unix socket, or nothing while no process listens yet."""
    client = socket.socket(socket.AF_UNIX)
    try:
        client.connect(path)
        return client
    except OSError:
        client.close()
        return None


def start_broker(processes, page=None):
    """A private mosquitto on loopback; its port, and the page's address where there is a page to serve. Another try where
    somebody took a free port in between."""
    os.chmod(processes.folder, 0o711)  # the broker's user must reach its settings, and no more
    if page:
        os.mkdir(f"{processes.folder}/www")
        shutil.copyfile(page, f"{processes.folder}/www/index.html")
        os.chmod(f"{processes.folder}/www", 0o755)
        os.chmod(f"{processes.folder}/www/index.html", 0o644)
    for _ in range(5):
        ports = [free_port()]
        listeners = f"listener {ports[0]} 127.0.0.1\n"
        if page:
            ports.append(free_port())
            listeners += f"listener {ports[1]} 127.0.0.1\nprotocol websockets\nhttp_dir {processes.folder}/www\n"
        settings = f"{processes.folder}/mosquitto.conf"
        with open(settings, "w", encoding="utf-8") as file:
            file.write(f"allow_anonymous true\npersistence false\n{listeners}")
        # It would change its user by itself, and with that forget to die with us.
        user = "nobody" if os.geteuid() == 0 else None
        broker = processes.start("mosquitto", "mosquitto", "-c", settings, user=user)
        until = time.monotonic() + 10
        while broker.poll() is None and time.monotonic() < until:
            try:
                for port in ports:
                    socket.create_connection(("127.0.0.1", port), 1).close()
                return ports[0], f"http://127.0.0.1:{ports[1]}/" if page else None
            except OSError:
                time.sleep(0.02)
        processes.stop()
    raise Wrong("mosquitto: no free port in five tries:\n" + processes.log("mosquitto"))


def show_environment():
    """Without a locale the view would fall back to ASCII, though nearly every terminal knows UTF-8."""
    environment = dict(os.environ)
    if not any(environment.get(name) for name in ("LC_ALL", "LC_CTYPE", "LANG")):
        environment["LC_ALL"] = "C.UTF-8"
    return environment
