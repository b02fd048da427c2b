#!/usr/bin/env python3
"""Starts broker, bench and dekeyd in a folder of their own, tells the story, and leaves nothing behind."""
import argparse
import os
import pathlib
import shutil
import signal
import string
import subprocess
import sys
import tempfile
import threading
import time

from processes import Processes, Wrong, show_environment, start_broker
from story import Story
from talk import Bench, Daemon

HERE = pathlib.Path(__file__).resolve().parent


class Teller:
    """Says each event once: to standard output, or to the notes that the operator's view shows."""

    def __init__(self, notes):
        self.notes = notes
        self.begun = time.monotonic()
        self.told = 0

    def say(self, line):
        if self.notes:
            self.notes.write(line + "\n")
            self.notes.flush()
        else:
            print(line, flush=True)

    def tell(self, title, words):
        self.told += 1
        seconds = time.monotonic() - self.begun
        self.say(f"{seconds:.1f} s, {title}: {words}" if self.notes else f"{seconds:6.1f} s  {title:<14}  {words}")


def begin(folder, programs, processes, page):
    """Broker, bench, guard and telemetry; the bench, the daemon, the broker's port and the page's address."""
    port, address = start_broker(processes, page)
    for name in ("sys", "state", "run"):
        os.mkdir(f"{folder}/{name}")
    pathlib.Path(f"{folder}/line").write_text("0\n", encoding="ascii")
    processes.start("bench", f"{programs}/dekeyd-bench", "run", "--root", f"{folder}/sys", "--line", f"{folder}/line",
                    "--control", f"{folder}/bench", "--thermal-speed", "30")
    bench = Bench(f"{folder}/bench", processes)
    template = string.Template((HERE / "hilltop.yaml").read_text(encoding="utf-8"))
    configuration = f"{folder}/hilltop.yaml"
    pathlib.Path(configuration).write_text(template.safe_substitute(folder=folder, port=port), encoding="utf-8")
    processes.start("dekeyd", f"{programs}/dekeyd", "--config", configuration)
    processes.start("telemetry", f"{programs}/dekeyd-telemetry", "--config", configuration)
    return bench, Daemon(f"{folder}/run/control", processes), port, address


def play_with_view(story, teller, addresses, programs, folder):
    """The operator's view in this terminal, the story beside it, round and round until the view is left."""
    view = subprocess.Popen([f"{programs}/dekeyctl", "watch", "--run", f"{folder}/run", "--notes",
                             f"{folder}/story.txt"], env=show_environment())
    wrong = []

    def rounds():
        first = True
        try:
            while True:
                for line in addresses:
                    teller.say(line)
                story.once(first)
                first = False
        except Exception as error:  # any error: the view ends, and the error is printed below
            wrong.append(error)
            view.terminate()

    threading.Thread(target=rounds, daemon=True).start()
    try:
        view.wait()
    except KeyboardInterrupt:
        view.wait()
    finally:
        if view.poll() is None:
            view.terminate()
            view.wait()
    if wrong:
        raise wrong[0]


def play(arguments, folder, processes):
    interactive = not arguments.once and sys.stdout.isatty()
    print("tools/demo: starting a private mosquitto, the bench and dekeyd in", folder, flush=True)
    bench, daemon, port, page = begin(folder, arguments.programs, processes, arguments.page)
    addresses = [f"The page: {page}"] if page else []
    addresses += [f"MQTT: mqtt://127.0.0.1:{port}  try: mosquitto_sub -p {port} -v -t 'homie/5/#'"]
    for line in addresses:
        print(line, flush=True)
    with open(f"{folder}/story.txt", "a", encoding="utf-8") as notes:
        teller = Teller(notes if interactive else None)
        story = Story(bench, daemon, teller.tell, port, 0.3 if arguments.once else 3.0)
        if interactive:
            play_with_view(story, teller, addresses, arguments.programs, folder)
            return
        story.once(True)
        while not arguments.once:
            story.once(False)
        print(f"tools/demo: {teller.told} events, each as it should be, in "
              f"{time.monotonic() - teller.begun:.0f} s", flush=True)


def main():
    parser = argparse.ArgumentParser(prog="tools/demo")
    parser.add_argument("--programs", required=True, help="the folder of dekeyd, dekeyd-telemetry, dekeyctl and dekeyd-bench")
    parser.add_argument("--page", help="the built page, to be served by the broker")
    parser.add_argument("--once", action="store_true", help="the story once, a line for each event")
    arguments = parser.parse_args()

    def leave(number, _frame):
        raise SystemExit(128 + number)
    signal.signal(signal.SIGTERM, leave)
    signal.signal(signal.SIGHUP, leave)
    folder = tempfile.mkdtemp(prefix="dekeyd-demo-")
    processes = Processes(folder)
    code = 0
    try:
        play(arguments, folder, processes)
    except KeyboardInterrupt:
        code = 130 if arguments.once else 0
    except Wrong as error:
        print(f"tools/demo: FAILED: {error}\n--- dekeyd's last words:\n{processes.log('dekeyd')}", file=sys.stderr)
        code = 1
    finally:
        # A second Ctrl-C must not leave half of it running.
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, signal.SIG_IGN)
        deaf = processes.stop()
        shutil.rmtree(folder, ignore_errors=True)
        if deaf:
            print(f"tools/demo: had to kill {', '.join(deaf)}", file=sys.stderr)
            code = code or 1
    if not arguments.once and code == 0:
        print("tools/demo: ended; nothing is left running")
    return code


if __name__ == "__main__":
    sys.exit(main())
