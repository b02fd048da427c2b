#!/usr/bin/env python3
"""How many harmful changes of the deciding code the second opinion stops.

Usage: tests/second_opinion/worth.py [--build DIR] [--sample N] [--seed S] [--jobs J] [FILE...]

Takes the changes that tools/mutate makes to the deciding files (all that make up a decision, unless others are named), builds each into the program `worth` and lets it play short lives of the bench's amplifier, each driven beyond one
absolute limit. A change is harmful where the amplifier stays permitted with RF beyond the limit; it is stopped where it
does not with the second opinion. Before that a core that never raises a cause shows that every life can tell.

Exit code: 0 all harmful ones are stopped, 1 some are not (printed), 2 nothing could be tried.
Needs `worth` to be built in DIR (.build/release unless said otherwise): tools/build release worth
"""
import argparse
import concurrent.futures
import importlib.machinery
import importlib.util
import json
import os
import pathlib
import random
import shlex
import subprocess
import sys
import tempfile
import time

TOP = pathlib.Path(__file__).resolve().parents[2]
FILES = ["standing", "limits", "interlock", "supervision", "channel_reader", "measurement", "ages", "protection", "derived", "rf"]
HARMFUL = 10
# A core that never raises a cause.
BLIND = ("interlock", "    if (cause.active) return;\n    cause.active = true;", "    if (!cause.active) return;\n    cause.active = true;")


def mutate():
    loader = importlib.machinery.SourceFileLoader("mutate", str(TOP / "tools" / "mutate"))
    module = importlib.util.module_from_spec(importlib.util.spec_from_loader("mutate", loader))
    sys.dont_write_bytecode = True
    loader.exec_module(module)
    return module


MUTATE = mutate()


def run(command, folder, limit):
    try:
        return subprocess.run(command, cwd=folder, timeout=limit, check=False, stdin=subprocess.DEVNULL,
                              capture_output=True, text=True)
    except subprocess.TimeoutExpired:
        return None


class Workshop:
    def __init__(self, build, folder):
        self.build, self.folder = os.path.abspath(build), folder
        with open(f"{build}/compile_commands.json", encoding="utf-8") as file:
            self.commands = {os.path.realpath(c["file"]): c for c in json.load(file)}
        wanted = "tests/second_opinion/worth"
        told = subprocess.run(["ninja", "-C", build, "-t", "commands", wanted], capture_output=True, text=True, check=False)
        if told.returncode != 0 or not os.path.exists(f"{build}/{wanted}"):
            sys.exit(f"worth.py: no {wanted} in {build}; expected what 'tools/build release worth' makes")
        # The last command links: ": && g++ FLAGS objects -o worth libraries && :"
        link = shlex.split(told.stdout.splitlines()[-1])
        self.link = link[link.index("&&") + 1:len(link) - 1 - link[::-1].index("&&")]

    def lives(self, stem, text):
        """(what stays permitted alone, what stays so with the second opinion), or a word for what else happened."""
        with tempfile.TemporaryDirectory(dir=self.folder) as here:
            entry = self.commands[os.path.realpath(MUTATE.files()[stem].source)]
            source = f"{here}/{stem}.cpp"
            pathlib.Path(source).write_text(text, encoding="utf-8")
            words = [w for w in shlex.split(entry["command"]) if not w.startswith(("-W", "-MD"))]
            words[words.index("-o") + 1] = f"{here}/broken.o"
            words[words.index("-c") + 1] = source
            for flag in ("-MT", "-MF"):
                if flag in words:
                    at = words.index(flag)
                    del words[at:at + 2]
            if os.path.basename(words[0]) == "ccache":
                del words[0]
            if run(words + ["-w"], entry["directory"], 300).returncode != 0:
                return "compiler"
            # In front of the library, so that the library's own object is never taken.
            link = list(self.link)
            link[link.index("-o") + 1] = f"{here}/worth"
            link.insert(link.index("-o"), f"{here}/broken.o")
            if run(link, self.build, 300).returncode != 0:
                return "linker"
            told = []
            for mode in ("alone", "with"):
                ran = run([f"{here}/worth", mode], here, 60)
                if ran is None or ran.returncode not in (0, HARMFUL):
                    return "ends or hangs"  # which is the watchdog's and the stop hook's
                told.append([line.removeprefix("stays permitted: ") for line in ran.stdout.splitlines()])
            return tuple(told)


def main():
    parser = argparse.ArgumentParser(usage=__doc__.split("\n\n")[1].replace("Usage: ", ""),
                                     description=__doc__.split("\n\n")[0])
    parser.add_argument("--build", default=str(TOP / ".build" / "release"))
    parser.add_argument("--sample", type=int, help="try so many, drawn by the seed, instead of all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("files", nargs="*", metavar="FILE")
    options = parser.parse_args()
    stems = [pathlib.Path(name).stem for name in options.files] or FILES
    everything = [m for stem in stems for m in MUTATE.mutants_of(stem)]
    chosen = everything
    if options.sample is not None and options.sample < len(everything):
        chosen = random.Random(options.seed).sample(everything, options.sample)

    begun = time.monotonic()
    harmful = stopped = other = 0
    with tempfile.TemporaryDirectory(prefix="dekeyd-worth-") as folder:
        workshop = Workshop(options.build, folder)
        stem, old, new = BLIND
        text = pathlib.Path(MUTATE.files()[stem].source).read_text(encoding="utf-8")
        if old not in text:
            sys.exit("worth.py: the place that makes a core blind is no longer there; see BLIND")
        told = workshop.lives(stem, text.replace(old, new))
        if isinstance(told, str) or not told[0] or told[1]:
            print(f"a core that never raises a cause: {told}")
            return 1
        print(f"a core that never raises a cause: {len(told[0])} lives stay permitted alone, none with the second opinion")
        with concurrent.futures.ThreadPoolExecutor(options.jobs) as pool:
            for mutant, told in zip(chosen, pool.map(lambda m: workshop.lives(m.stem, m.text), chosen)):
                if isinstance(told, str):
                    other += 1
                elif told[0]:
                    harmful += 1
                    stopped += not told[1]
                    verdict = "NOT STOPPED" if told[1] else "stopped"
                    print(f"{verdict} in {len(told[1] or told[0])} lives: {mutant}", flush=True)
                elif told[1]:
                    print(f"HARMED BY THE SECOND OPINION in {len(told[1])} lives: {mutant}", flush=True)
                    harmful += 1
    drawn = "" if chosen is everything else f" (drawn from {len(everything)} by seed {options.seed})"
    print(f"{', '.join(stems)}: {len(chosen)} changes{drawn}, {other} of them don't compile or end the program; {harmful} let "
          f"the amplifier stay permitted beyond an absolute limit, the second opinion stops {stopped} of them; "
          f"{time.monotonic() - begun:.0f} s")
    return 0 if stopped == harmful else 1


if __name__ == "__main__":
    sys.exit(main())
