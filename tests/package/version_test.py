#!/usr/bin/env python3
"""The version: from git, in an order that Debian sorts (dpkg --compare-versions judges), and the same in every program.

Usage: version_test.py SOURCE-FOLDER PROGRAM...
"""
import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

failures = []


def expect(true, what):
    print(("ok      " if true else "FAILED  ") + what)
    if not true:
        failures.append(what)


def run(*command, **options):
    done = subprocess.run([str(word) for word in command], capture_output=True, text=True, stdin=subprocess.DEVNULL, **options)
    return done.stdout.strip() if done.returncode == 0 else f"exit code {done.returncode}: {done.stdout}{done.stderr}"


def git(folder, *words):
    return run("git", "-c", "user.name=Tester", "-c", "user.email=tester@dekeyd.invalid", "-C", folder, *words)


def sorts(lower, higher):
    return subprocess.run(["dpkg", "--compare-versions", lower, "lt", higher], check=False).returncode == 0


def from_git(script, scratch):
    folder = scratch / "sources"
    (folder / "tools").mkdir(parents=True)
    shutil.copy(script, folder / "tools/version-from-git")
    (folder / "CMakeLists.txt").write_text("# one\n")
    os.utime(folder / "CMakeLists.txt", (1700000000, 1700000000))
    version = folder / "tools/version-from-git"
    plain = {name: value for name, value in os.environ.items() if name != "SOURCE_DATE_EPOCH"}
    expect(run(version, "1.2.3") == "1.2.3", "without git: the project's number")
    expect(run(version, "--epoch", env=plain) == "1700000000", "without git: the time of a file that every version has")
    expect(run(version, "--epoch", env={**plain, "SOURCE_DATE_EPOCH": "42"}) == "42", "SOURCE_DATE_EPOCH is obeyed")

    git(scratch, "init", "-q")
    git(scratch, "commit", "-q", "--allow-empty", "-m", "another project")
    expect(run(version, "1.2.3") == "1.2.3", "unpacked inside another repository: that one's commits count for nothing")

    git(folder, "init", "-q")
    git(folder, "add", "-A")
    git(folder, "commit", "-q", "-m", "one", "--date", "2020-01-01T00:00:00Z")
    first = run(version, "1.2.3")
    expect(re.fullmatch(r"1\.2\.3~1\.g[0-9a-f]{10}", first) is not None, f"before the first tag: {first}")
    git(folder, "commit", "-q", "--allow-empty", "-m", "two")
    second = run(version, "1.2.3")
    (folder / "CMakeLists.txt").write_text("# two\n")
    changed = run(version, "1.2.3")
    expect(changed == second + ".changed", f"a file that differs from its commit shows: {changed}")
    git(folder, "commit", "-q", "-a", "-m", "three")
    git(folder, "tag", "v1.2.3")
    tagged = run(version, "1.2.3")
    expect(tagged == "1.2.3", f"on the tag: {tagged}")
    git(folder, "commit", "-q", "--allow-empty", "-m", "four")
    after = run(version, "1.2.3")
    expect(re.fullmatch(r"1\.2\.3\+1\.g[0-9a-f]{10}", after) is not None, f"after it: {after}")
    expect(run(version, "--epoch", env=plain) == git(folder, "log", "-1", "--format=%ct"), "the time is the commit's")
    order = [first, second, tagged, after, "1.2.4~5.g0000000000", "1.2.4"]
    expect(all(sorts(lower, higher) for lower, higher in zip(order, order[1:])), "each sorts before the next: " + " < ".join(order))

    made = folder / "version.cpp"
    run(version, "1.2.3", "dekeyd_version.hpp", made)
    expect(f'dekeyd_version = "{after}"' in made.read_text(), "written as source")
    os.utime(made, (1, 1))
    run(version, "1.2.3", "dekeyd_version.hpp", made)
    expect(made.stat().st_mtime == 1, "and left alone while nothing changes, so that nothing is compiled anew")


def of_programs(source, programs):
    number = re.search(r"project\(dekeyd VERSION ([0-9.]+)", (source / "CMakeLists.txt").read_text())[1]
    said = {program.name: run(program, "--version") for program in programs}
    versions = {text.removeprefix(f"{name} ") for name, text in said.items()}
    expect(len(versions) == 1 and all(text.startswith(f"{name} ") for name, text in said.items()),
           f"every program says its name and one version: {said}")
    expect(all(text.startswith(number) or re.match(r"[0-9.]+\+", text) for text in versions), f"which is of {number}")
    for program in programs:
        content = program.read_bytes()
        expect(os.fsencode(source) not in content, f"{program.name} carries no path of the builder's")


def main():
    source = pathlib.Path(sys.argv[1]).resolve()
    with tempfile.TemporaryDirectory(prefix="dekeyd-version-") as scratch:
        from_git(source / "tools/version-from-git", pathlib.Path(scratch))
    of_programs(source, [pathlib.Path(program).resolve() for program in sys.argv[2:]])
    print(f"{len(failures)} failures")
    return 1 if failures else 0


sys.exit(main())
