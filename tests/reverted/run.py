#!/usr/bin/env python3
"""Takes each mend away again, one at a time, in a copy of the sources, and looks whether the tests find it.

Usage: tests/reverted/run.py FOLDER [--sample N] [--table FILE] [--budget SECONDS] [FINDING or SUBJECT...]
       FOLDER    for the copy and its build, kept between runs
       --sample  N of those that the simulated world finds, from all subjects
       --table   the table goes into this file too
       --budget  after so long no further mend is begun; the table says how many are left out

The mends lie beside this file, one list MENDS a subject: finding (its name), says (what was wrong), file, old, new (or
`changes`: several of them), and what finds it: target (what to build, words) and finds (the command, in the build folder, that
must fail), or `world`: a trouble of tests/soak, which must see it within `hours` (2) of simulated time, seed `seed` (1).
A command that fails with every mend in its place proves nothing: each is run so once, before its mend is judged.
"""
import importlib.util
import os
import pathlib
import re
import shutil
import signal
import subprocess
import sys
import time

HERE = pathlib.Path(__file__).resolve().parent
SOURCE = HERE.parents[1]
longest_find_s = 600


def mends():
    for path in sorted(HERE.glob("*.py")):
        if path.name in ("run.py", "reverted_test.py"):
            continue
        spec = importlib.util.spec_from_file_location(f"reverted_{path.stem}", path)
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        for mend in module.MENDS:
            yield path.stem, completed(mend)


def completed(mend):
    """With the command where the simulated world is what finds it."""
    if "world" not in mend:
        return mend
    only = ["--only", mend["world"]] if mend["world"] else []
    return {**mend, "target": "soak",
            "finds": ["tests/soak/soak", "--hours", mend.get("hours", 2), "--seed", mend.get("seed", 1), *only]}


def run(command, folder, seconds=None):
    """Beyond so many seconds it is killed, with all that it started, and has failed: ctest stops a test, too."""
    with subprocess.Popen([str(w) for w in command], cwd=folder, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                          stderr=subprocess.STDOUT, text=True, errors="replace", start_new_session=True) as process:
        try:
            out, _ = process.communicate(timeout=seconds)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            out, _ = process.communicate()
            out += f"\nstopped after {seconds} s"
    return subprocess.CompletedProcess(command, process.returncode, out)


class Copy:
    """The sources as they are here, and what was built of them."""

    def __init__(self, folder):
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        listed = subprocess.run(["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"], cwd=SOURCE, check=True,
                                stdout=subprocess.PIPE).stdout.decode().split("\0")
        known = folder / ".build/copied"  # what an earlier copy had and this one hasn't must not be compiled
        for name in known.read_text().split("\0") if known.exists() else []:
            if name not in listed:
                (folder / name).unlink(missing_ok=True)
        known.parent.mkdir(exist_ok=True)
        known.write_text("\0".join(filter(None, listed)))
        for name in filter(None, listed):
            from_, to = SOURCE / name, folder / name
            if not from_.is_file():
                continue
            to.parent.mkdir(parents=True, exist_ok=True)
            if not to.exists() or to.read_bytes() != from_.read_bytes():
                shutil.copy(from_, to)

    def build(self, *targets):
        return run(["tools/build", "debug", *targets], self.folder)

    def find(self, command):
        return run(command, self.folder / ".build/debug", longest_find_s)

    def fails_as_it_is(self, wanted):
        """The commands of these mends that fail with every mend in its place."""
        built = self.build(*sorted({target for mend in wanted for target in mend["target"].split()}))
        if built.returncode != 0:
            sys.exit(f"with every mend in its place the tests don't build:\n{built.stdout[-2000:]}")
        return {command for command in {words(mend) for mend in wanted} if self.find(command).returncode != 0}


def words(mend):
    """Its command, as a key."""
    return tuple(map(str, mend["finds"]))


def judge(copy, mend):
    """The word for the table, and more where it isn't 'found'."""
    changes = mend.get("changes") or [mend]
    kept = {}
    try:
        for change in changes:
            path = copy.folder / change["file"]
            text = path.read_text()
            kept.setdefault(path, text)
            if text.count(change["old"]) != 1:
                return "STALE", f"'{change['old'].strip()[:60]}' stands {text.count(change['old'])} times in {change['file']}"
            path.write_text(text.replace(change["old"], change["new"]))
        built = copy.build(*mend["target"].split())
        if built.returncode != 0:
            return "DOES NOT BUILD", "\n".join(line for line in built.stdout.splitlines() if "error" in line)[:400]
        seen = copy.find(mend["finds"])
        if seen.returncode == 0:
            return "NOT FOUND", ""
        minutes = re.search(r"found after ([\d.]+) simulated minutes", seen.stdout) if "world" in mend else None
        if "world" in mend and not minutes:
            return "BROKEN", seen.stdout[-300:]
        return "found", f"after {minutes.group(1)} simulated minutes" if minutes else ""
    finally:
        for path, text in kept.items():
            path.write_text(text)


def by(mend):
    """What finds it, in few words."""
    if "world" in mend:
        return f"soak: {mend['world'] or 'all troubles'}"
    return " ".join(pathlib.Path(w).name if i == 0 else w for i, w in enumerate(words(mend)))


def options(given):
    """The words of the command line by name, and the rest."""
    named, rest = {"--sample": None, "--table": None, "--budget": None}, []
    given = list(given)
    while given:
        word = given.pop(0)
        if word not in named:
            rest.append(word)
        elif given:
            named[word] = given.pop(0)
        else:
            sys.exit(__doc__)
    return named, rest


def chosen(names, sample):
    wanted = [(s, m) for s, m in mends() if not names or m["finding"] in names or s in names]
    if sample is None:
        return wanted
    wanted = [(s, m) for s, m in wanted if "world" in m]
    return wanted[::max(1, len(wanted) // int(sample))][:int(sample)]


def main():
    named, rest = options(sys.argv[1:])
    if not rest or rest[0].startswith("-"):
        sys.exit(__doc__)
    wanted = chosen(rest[1:], named["--sample"])
    if not wanted:
        sys.exit("no such mend: " + " ".join(rest[1:]))
    table = open(named["--table"], "w", encoding="utf-8") if named["--table"] else None

    def tell(line):
        print(line, flush=True)
        if table:
            print(line, file=table, flush=True)

    copy, first, bad, tried = Copy(pathlib.Path(rest[0]).resolve()), time.monotonic(), 0, 0
    useless = copy.fails_as_it_is([mend for _, mend in wanted])
    tell(f"{'finding':<46} {'found by':<58} {'':<14} seconds")
    for _, mend in wanted:
        if named["--budget"] and time.monotonic() - first > float(named["--budget"]):
            break
        begun = time.monotonic()
        word, more = ("NOT JUDGED", "fails unreverted") if words(mend) in useless else judge(copy, mend)
        tried += 1
        bad += word != "found"
        tell(f"{mend['finding']:<46} {by(mend)[:58]:<58} {word:<14} {time.monotonic() - begun:5.0f}  {more}")
    left = f", {len(wanted) - tried} left out for want of time" if tried < len(wanted) else ""
    tell(f"{tried} mends taken away, {tried - bad} found{left}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
