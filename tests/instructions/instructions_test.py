"""How many instructions a decision and the parse of a reading take, against instructions.txt: what gets dearer says so,
on a busy machine as on a quiet one. Where a change is meant: instructions_test.py --write, and look at the difference."""
import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

KEPT = pathlib.Path(__file__).with_name("instructions.txt")
TOLERANCE = 0.10
CYCLES = 2000
# What is counted: a name, the function (with all that it calls), and how often a cycle calls it.
COUNTED = (("decision, 4 channels and 8 limits", "dekeyd::core::Protection::step(*", 1),
           ("second opinion of it", "*Cycle::ask_second_opinion(*", 1),
           ("reading, read and parsed", "dekeyd::drivers::Attribute::number(*", 5),
           ("parse of a number", "dekeyd::core::parse_number(*", 5))
DECISION = COUNTED[0][1]
LINEAR = 1.10  # what many cost, over what few would have to cost by their own figures


def skip(why):
    print(f"skipped: {why}")
    sys.exit(77)


def instructions(function, cycles, size=()):
    with tempfile.TemporaryDirectory(prefix="dekeyd-instructions-") as folder:
        command = ["valgrind", "--tool=callgrind", f"--toggle-collect={function}", f"--callgrind-out-file={folder}/out",
                   os.environ["CYCLE"], folder + "/files", "--count", str(cycles), *map(str, size)]
        # The C library takes what the processor has; here the same everywhere, and no copy by one repeated instruction,
        # which valgrind counts once for each byte.
        ran = subprocess.run(command, capture_output=True, text=True, check=False,
                             env={**os.environ, "GLIBC_TUNABLES": "glibc.cpu.hwcaps=-AVX2,-FMA,-AVX,-FMA4:"
                                                                  "glibc.cpu.x86_rep_movsb_threshold=100000000"})
        found = re.search(r"Collected : (\d+)", ran.stderr)
        if ran.returncode != 0 or not found:
            raise SystemExit(f"{' '.join(command)}\nended with {ran.returncode}:\n{ran.stdout}{ran.stderr}")
        return int(found[1])


def steady(function, cycles, size=()):
    """By a difference, so that what comes before the steady state isn't in it."""
    return (instructions(function, 2 * cycles, size) - instructions(function, cycles, size)) / cycles


def count():
    counts = {name: steady(function, CYCLES) / times for name, function, times in COUNTED}
    few, limits, channels = (steady(DECISION, 500, size) for size in ((4, 8), (4, 64), (16, 8)))
    counts["decision, for a further limit"] = (limits - few) / 56
    counts["decision, for a further channel"] = (channels - few) / 12
    return counts


def growth(counts):
    """A decision of 64 channels and 1,024 limits over what the figures of few make of it."""
    least = (counts["decision, 4 channels and 8 limits"] + 60 * counts["decision, for a further channel"]
             + 1016 * counts["decision, for a further limit"])
    return steady(DECISION, 50, (64, 1024)) / least


def main():
    if not shutil.which("valgrind"):
        skip("valgrind is not installed")
    built_by = os.environ["BUILT_BY"]
    if sys.argv[1:] == ["--write"]:
        rows = "".join(f"{round(value):>8}  {name}\n" for name, value in count().items())
        KEPT.write_text(f"# instructions each, counted by valgrind's callgrind; built by {built_by}\n{rows}")
        return 0
    kept_by, *rows = KEPT.read_text().splitlines()
    if not kept_by.endswith(f"built by {built_by}"):
        skip(f"this is built by {built_by}; the figures are for another: {kept_by}")
    kept = {name: int(value) for value, name in (row.split(maxsplit=1) for row in rows)}
    worse = 0
    counts = count()
    for name, value in counts.items():
        change = value / kept[name] - 1
        verdict = "as before" if abs(change) <= TOLERANCE else "MORE THAN BEFORE" if change > 0 else "less: keep the new figure"
        worse += abs(change) > TOLERANCE
        print(f"{value:8.0f}  {name}: {change:+.1%} against {kept[name]}, {verdict}")
    many = growth(counts)
    print(f"{many:8.2f}  64 channels and 1,024 limits over what the figures of few make of it, at most {LINEAR}")
    if many > LINEAR:
        return 1
    if worse:
        print(f"beyond {TOLERANCE:.0%}. Where that is meant: CYCLE=… BUILT_BY='{built_by}' {sys.argv[0]} --write")
    return 1 if worse else 0


if __name__ == "__main__":
    sys.exit(main())
