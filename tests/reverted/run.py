#!/usr/bin/env python3
"""Takes each mend away again, one at a time, in a copy of the sources, and looks whether the tests find it.

Usage: tests/reverted/run.py FOLDER [--sample N] [FINDING...]     FOLDER: for the copy and its build, kept between runs

The mends lie beside this file, one list MENDS a subject: finding (its name), says (what was wrong), file, old, new (or
`changes`: several of them), target (what to build), finds (the command, in the build folder, that must fail), and for a
simulated world `minutes`: a pattern in its output for the simulated time until it was seen.
"""
import importlib.util
import pathlib
import re
import shutil
import subprocess
import sys
import time

HERE = pathlib.Path(__file__).resolve().parent
SOURCE = HERE.parents[1]


def mends():
    for path in sorted(HERE.glob("*.py")):
        if path.name == "run.py":
            continue
        spec = importlib.util.spec_from_file_location(f"reverted_{path.stem}", path)
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        for mend in module.MENDS:
            yield path.stem, mend


def run(command, folder):
    return subprocess.run([str(w) for w in command], cwd=folder, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                          stderr=subprocess.STDOUT, text=True, errors="replace", check=False)


class Copy:
    """The sources as they are here, and what was built of them."""

    def __init__(self, folder):
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        listed = subprocess.run(["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"], cwd=SOURCE, check=True,
                                stdout=subprocess.PIPE).stdout.decode().split("\0")
        for name in filter(None, listed):
            from_, to = SOURCE / name, folder / name
            if not from_.is_file():
                continue
            to.parent.mkdir(parents=True, exist_ok=True)
            if not to.exists() or to.read_bytes() != from_.read_bytes():
                shutil.copy(from_, to)
        if not (folder / ".git").exists():  # the version is git's
            run(["git", "init", "-q"], folder)

    def build(self, target):
        return run(["tools/build", "debug", target], self.folder)


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
        built = copy.build(mend["target"])
        if built.returncode != 0:
            return "DOES NOT BUILD", "\n".join(line for line in built.stdout.splitlines() if "error" in line)[:400]
        seen = run(mend["finds"], copy.folder / ".build/debug")
        if seen.returncode == 0:
            return "NOT FOUND", ""
        minutes = re.search(mend["minutes"], seen.stdout) if "minutes" in mend else None
        return "found", f"after {minutes.group(1)} simulated minutes" if minutes else ""
    finally:
        for path, text in kept.items():
            path.write_text(text)


def main():
    words = sys.argv[1:]
    if not words or words[0].startswith("-"):
        sys.exit(__doc__)
    copy, names, every = Copy(pathlib.Path(words[0]).resolve()), words[1:], 1
    wanted = list(mends())
    if names[:1] == ["--sample"]:
        every = max(1, len(wanted) // int(names[1]))
        names = names[2:]
    wanted = [(s, m) for s, m in wanted if not names or m["finding"] in names or s in names][::every]
    bad = 0
    print(f"{'finding':<44} {'by':<52} {'':<14} seconds")
    for subject, mend in wanted:
        begun = time.monotonic()
        word, more = judge(copy, mend)
        bad += word != "found"
        by = " ".join(pathlib.Path(w).name if i == 0 else w for i, w in enumerate(map(str, mend["finds"])))
        print(f"{mend['finding']:<44} {by[:52]:<52} {word:<14} {time.monotonic() - begun:5.0f}  {more}", flush=True)
    print(f"{len(wanted)} mends taken away, {len(wanted) - bad} found")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
