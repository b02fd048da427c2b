"""A clean Debian in a folder: made once by debootstrap from the machine's own package source, and copied for each test."""
import os
import pathlib
import re
import shutil
import subprocess

PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"


class Unavailable(Exception):
    """No clean root can be had here; the text says why and what to do."""


def run(*command, **options):
    done = subprocess.run([str(word) for word in command], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
                          stdin=subprocess.DEVNULL, **options)
    return done.returncode, done.stdout


def own_release():
    facts = dict(re.findall(r'^(\w+)="?([^"\n]*)"?$', pathlib.Path("/etc/os-release").read_text(), re.M))
    if facts.get("ID") != "debian" or not facts.get("VERSION_CODENAME"):
        raise Unavailable("this machine is no Debian release, so there is no package source to make a root from")
    return facts["VERSION_CODENAME"]


def package_source(release):
    """Where this machine gets Debian from; another release lies beside its own there."""
    code, output = run("apt-get", "indextargets", "--format", "$(CODENAME) $(COMPONENT) $(REPO_URI)", "Created-By: Packages")
    found = re.search(rf"^{re.escape(release)} main (\S+)$", output, re.M)
    if code != 0 or not found:
        raise Unavailable(f"apt knows no source of {release}; run apt-get update")
    return found.group(1)


def can_be_made():
    if os.geteuid() != 0:
        raise Unavailable("a root folder is entered by chroot, which only root may")
    if shutil.which("debootstrap", path=PATH) is None:
        raise Unavailable("debootstrap is not installed; tools/packages package installs it")


def shown(*command, **options):
    """As run(), with the output passed on line by line."""
    lines = []
    with subprocess.Popen([str(word) for word in command], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
                          stdin=subprocess.DEVNULL, **options) as process:
        for line in process.stdout:
            print(line, end="", flush=True)
            lines.append(line)
    return process.returncode, "".join(lines)


def clean_root(cache, release, packages, show=False):
    """The folder with the release and these packages. Kept; made again when the packages differ."""
    can_be_made()
    root, stamp = cache / release, cache / f"{release}.packages"
    want = " ".join(sorted(packages)) + "\n"
    if stamp.exists() and stamp.read_text() == want:
        return root
    stamp.unlink(missing_ok=True)
    shutil.rmtree(root, ignore_errors=True)
    cache.mkdir(parents=True, exist_ok=True)
    # Packages by apt, in the root: some that are depended on are only provided by others, which debootstrap can't follow.
    apt = ("chroot", root, "apt-get", "-q", "-y", "-o", "Acquire::Retries=3")
    steps = (("debootstrap", "--variant=minbase", release, root, package_source(own_release())),
             ("cp", "/etc/resolv.conf", root / "etc/resolv.conf"),
             (*apt, "update"),
             (*apt, "install", "--no-install-recommends", *sorted(packages)))
    for step in steps:
        environment = {**os.environ, "PATH": PATH, "LC_ALL": "C.UTF-8", "DEBIAN_FRONTEND": "noninteractive"}
        code, output = (shown if show else run)(*step, env=environment)
        if code != 0:
            shutil.rmtree(root, ignore_errors=True)
            last = "\n".join(output.splitlines()[-5:])
            raise Unavailable(f"{' '.join(map(str, step[:4]))}: exit code {code}\n{last}")
    (root / "usr/sbin/policy-rc.d").write_text("#!/bin/sh\nexit 101\n")  # nothing is started in a root that is only a folder
    (root / "usr/sbin/policy-rc.d").chmod(0o755)
    stamp.write_text(want)
    return root


class Root:
    """A copy that a test may spoil."""

    def __init__(self, clean, folder):
        self.path = folder
        subprocess.run(["cp", "-a", "--reflink=auto", str(clean), str(folder)], check=True)

    def run(self, *command, **options):
        return run("chroot", self.path, *command, env={"PATH": PATH, "HOME": "/root", "LC_ALL": "C.UTF-8",
                                                        "DEBIAN_FRONTEND": "noninteractive"}, **options)

    def __truediv__(self, path):
        return self.path / path.lstrip("/")
