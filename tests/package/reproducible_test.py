#!/usr/bin/env python3
"""The same sources in two folders of different names give the same bytes: a few objects, or the whole package with its page.
Without the compiler cache: it would hand out the first folder's objects a second time, and prove nothing.

Usage: reproducible_test.py SOURCE-FOLDER [--packages]
"""
import os
import pathlib
import shutil
import subprocess
import sys
import tempfile

OBJECTS = ("CMakeFiles/dekeyd_drivers.dir/drivers/line.cpp.o", "CMakeFiles/dekeyd-inhibit.dir/daemon/inhibit/main.cpp.o",
           "libdekeyd_version.a")


def run(*command, **options):
    done = subprocess.run([str(word) for word in command], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
                          stdin=subprocess.DEVNULL, **options)
    if done.returncode != 0:
        sys.exit(f"{' '.join(map(str, command))}: exit code {done.returncode}\n{done.stdout}")
    return done.stdout


def copied(source, folder):
    for part in ("CMakeLists.txt", "README.md", "DEVELOPERS.md", "LICENSE", "daemon", "drivers", "config", "systemd", "tools"):
        path = source / part
        if path.is_dir():
            shutil.copytree(path, folder / part, ignore=shutil.ignore_patterns("node_modules"), copy_function=shutil.copyfile)
            for name in path.rglob("*"):
                if name.is_file() and "node_modules" not in name.parts and os.access(name, os.X_OK):
                    (folder / name.relative_to(source)).chmod(0o755)
        else:
            shutil.copyfile(path, folder / part)
    return folder


def build_objects(folder):
    run("cmake", "-G", "Ninja", "-S", folder, "-B", folder / ".build/it", "-DCMAKE_BUILD_TYPE=Release", "-DDEKEYD_TESTS=OFF")
    run("cmake", "--build", folder / ".build/it", "--target", *OBJECTS)
    return [folder / ".build/it" / name for name in OBJECTS]


def build_packages(folder):
    lines = run(folder / "tools/package", "--own").splitlines()
    return [pathlib.Path(lines[-1])]


def content(file):
    """What a path could stand in: a package is compressed."""
    if file.suffix != ".deb":
        return file.read_bytes()
    return subprocess.run(["dpkg-deb", "--fsys-tarfile", str(file)], check=True, stdout=subprocess.PIPE).stdout


def unhardened(package):
    """What lintian misses of Debian's own hardening; none of it is an error or a warning to it."""
    tags = ",".join(f"hardening-no-{what}" for what in ("bindnow", "fortify-functions", "pie", "relro"))
    return subprocess.run(["lintian", "--allow-root", "--tags", tags, str(package)], stdout=subprocess.PIPE, text=True,
                          check=False).stdout.strip()


def main():
    source = pathlib.Path(sys.argv[1]).resolve()
    build = build_packages if "--packages" in sys.argv else build_objects
    os.environ |= {"SOURCE_DATE_EPOCH": "1750000000", "CCACHE_DISABLE": "1"}
    with tempfile.TemporaryDirectory(prefix="dekeyd-twice-") as scratch:
        folders = []
        for name in ("one", "another-folder"):
            folders.append(pathlib.Path(scratch) / name)
            folders[-1].mkdir()
            copied(source, folders[-1])
        pairs = list(zip(*(build(folder) for folder in folders)))
        different = 0
        for first, second in pairs:
            same = first.read_bytes() == second.read_bytes()
            clean = os.fsencode(scratch) not in content(first)
            different += not (same and clean)
            print(f"{'ok      ' if same else 'FAILED  '}{first.name}: the same {first.stat().st_size} bytes from two folders")
            print(f"{'ok      ' if clean else 'FAILED  '}{first.name}: carries no path of the builder's")
            if first.suffix == ".deb":
                missing = unhardened(first)
                different += missing != ""
                print(f"{'FAILED  ' if missing else 'ok      '}{first.name}: hardened, says lintian {missing}")
    print(f"{different} failures")
    return 1 if different else 0


sys.exit(main())
