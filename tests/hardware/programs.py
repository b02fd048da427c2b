"""arm64 programs of the project's own sources, for the virtual board.

Many sources go to the compiler as one, since most of its time goes into headers.
Sources that define the same name for themselves can't go together; the names are looked for, and where a compilation
fails all the same its sources are halved until each is alone.
"""
import concurrent.futures
import hashlib
import os
import pathlib
import re
import shutil
import subprocess

from debian import run

CROSS = "aarch64-linux-gnu-"
LARGEST = 14  # sources in one compilation


def own_names(text):
    """What a source defines for itself, in its unnamed namespaces; roughly."""
    names = set()
    for body in re.findall(r"^namespace \{\n(.*?)^\}  // namespace$", text, re.DOTALL | re.MULTILINE):
        for line in body.splitlines():
            if line and line[0] not in " }/#\t" and not line.startswith("using "):
                names.update(re.findall(r"([A-Za-z_]\w*)\s*(?:\(|=|\{|;|\[)", line)[:1])
    return names


def batches(sources):
    made = []
    for names, source in sorted(((own_names(path.read_text()), path) for path in sources), key=lambda one: (-len(one[0]), one[1])):
        for files, taken in made:
            if len(files) < LARGEST and not taken & names:
                files.append(source)
                taken |= names
                break
        else:
            made.append(([source], set(names)))
    return [files for files, _ in made]


class Programs:
    def __init__(self, source, cache, libraries):
        """`libraries`: the folder into which the libraries' packages were unpacked."""
        self.source, self.cache, self.root = source, cache, libraries / "usr"
        self.objects = cache / "objects"
        self.objects.mkdir(exist_ok=True)
        gpiod = 2 if "gpiod_request_config" in (self.root / "include/gpiod.h").read_text() else 1
        self.compiler = (["ccache"] if shutil.which("ccache") else []) + [CROSS + "g++"]
        self.flags = ["-std=c++20", "-O1", "-ffp-contract=off", f"-DDEKEYD_LIBGPIOD={gpiod}",
                      f"-isystem{self.root}/include", f"-I{source}", f"-I{source}/daemon", f"-isystem{self.objects}"]
        (self.objects / "dekeyd_version.hpp").write_text("static const char* const dekeyd_version = \"on the virtual board\";\n")
        headers = [path for folder in ("daemon/plan", "drivers") for path in (source / folder).rglob("*.hpp")]
        self.newest_header = max(path.stat().st_mtime for path in headers)

    def folder(self, name):
        return [path for path in sorted((self.source / name).glob("*.cpp")) if path.name != "main.cpp"]

    def compiled(self, *groups):
        """The objects of these groups of sources; each group's sources may be put together."""
        jobs = [files for group in groups for files in batches(group)]
        with concurrent.futures.ThreadPoolExecutor(os.cpu_count()) as pool:
            return [made for several in pool.map(self._compile, jobs) for made in several]

    def _compile(self, files):
        name = hashlib.sha256("\n".join(map(str, [*self.flags, *files])).encode()).hexdigest()[:16]
        made = self.objects / f"{files[0].stem}-{len(files)}-{name}.o"
        if made.exists() and made.stat().st_mtime > max(self.newest_header, *(file.stat().st_mtime for file in files)):
            return [made]
        together = made.with_suffix(".cpp")
        together.write_text("".join(f'#include "{file}"\n' for file in files))
        done = subprocess.run([*self.compiler, *self.flags, "-c", str(together), "-o", str(made)], capture_output=True,
                              text=True, stdin=subprocess.DEVNULL, check=False)
        if done.returncode == 0:
            return [made]
        if len(files) == 1:
            raise RuntimeError(f"{files[0]}:\n{done.stderr}")
        reason = next((line for line in done.stderr.splitlines() if "error:" in line), "")
        print(f"{len(files)} sources go apart: {reason}", flush=True)
        half = len(files) // 2
        return [*self._compile(files[:half]), *self._compile(files[half:])]

    def with_drivers(self, name, sources):
        """One static program of its own sources and the drivers."""
        objects = self.compiled(self.folder("drivers"), self.folder("daemon/plan"), sources)
        run(CROSS + "g++", "-static", "-o", self.cache / name, *objects, self.root / "lib/aarch64-linux-gnu/libgpiod.a")
        return self.cache / name
