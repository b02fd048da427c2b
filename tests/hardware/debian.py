"""arm64 packages of this machine's own Debian sources, unpacked into folders, with nothing added to the machine."""
import fnmatch
import glob
import pathlib
import re
import subprocess
import tempfile


class Unavailable(Exception):
    """The board can't be had on this machine; the text says why and what to do."""


def run(*command, **options):
    done = subprocess.run([str(word) for word in command], capture_output=True, text=True, stdin=subprocess.DEVNULL, **options)
    if done.returncode != 0:
        raise RuntimeError(f"{' '.join(map(str, command))}: exit code {done.returncode}\n{done.stdout}{done.stderr}")
    return done.stdout


class Debian:
    """What is unpacked stays in the cache folder, and is fetched again only when missing."""

    def __init__(self, cache):
        self.cache = cache
        state = cache / "apt"
        for folder in ("state/lists/partial", "cache/archives/partial"):
            (state / folder).mkdir(parents=True, exist_ok=True)
        (state / "status").touch()
        self.options = [f"-o{option}" for option in (
            "APT::Architecture=arm64", "APT::Architectures=arm64", f"Dir::State={state}/state", f"Dir::Cache={state}/cache",
            f"Dir::State::status={state}/status", "APT::Sandbox::User=root", "Acquire::Retries=3",
            "Acquire::Languages=none")]
        self.updated = False

    def update(self):
        if self.updated:
            return
        # A source that has nothing for arm64 is no trouble: what counts is whether the packages come.
        subprocess.run(["apt-get", "-q", *self.options, "update"], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                       stderr=subprocess.DEVNULL, check=False)
        self.updated = True

    def kernel_package(self):
        self.update()
        depends = run("apt-cache", *self.options, "depends", "linux-image-arm64")
        found = re.search(r"Depends: (linux-image-\S+-arm64)", depends)
        if not found:
            raise Unavailable("Debian's arm64 kernel is not among this machine's package sources")
        return found.group(1)

    def unpacked(self, name, package=None):
        """The folder into which the package was unpacked."""
        folder = self.cache / "unpacked" / name
        if not folder.is_dir():
            self.update()
            self._fetch(folder, self.options, [package() if package else name])
        return folder

    def unpacked_for_this_machine(self, name):
        """A package of the machine's own architecture, unpacked and not installed."""
        folder = self.cache / "unpacked" / name
        if not folder.is_dir():
            self._fetch(folder, [], [name])
        return folder

    def unpacked_with_dependencies(self, label, names, but=()):
        """Packages and all that they depend on, in one folder; without those whose names match a pattern of `but`."""
        folder = self.cache / "unpacked" / label
        if not folder.is_dir():
            self.update()
            listed = run("apt-get", "-q", *self.options, "install", "--print-uris", "-y", "--no-install-recommends", *names)
            wanted = {uri.split("_")[0] for uri in re.findall(r"^'\S+' (\S+\.deb) ", listed, re.MULTILINE)}
            self._fetch(folder, self.options,
                        sorted(name for name in wanted if not any(fnmatch.fnmatch(name, part) for part in but)))
        return folder

    def _fetch(self, folder, options, packages):
        with tempfile.TemporaryDirectory(dir=self.cache) as scratch:
            try:
                run("apt-get", "-q", *options, "download", *packages, cwd=scratch)
            except RuntimeError as error:
                raise Unavailable(f"{' '.join(packages)} can't be fetched: {error}") from error
            out = pathlib.Path(scratch) / "out"
            out.mkdir()
            for merged in ("bin", "sbin", "lib"):  # as Debian lays its root out, so that one folder takes all packages
                (out / "usr" / merged).mkdir(parents=True)
                (out / merged).symlink_to(f"usr/{merged}")
            for package in sorted(glob.glob(f"{scratch}/*.deb")):
                archive = subprocess.Popen(["dpkg-deb", "--fsys-tarfile", package], stdout=subprocess.PIPE)
                # Into the folders' links, and with the packages' modes but this user's ownership.
                done = subprocess.run(["tar", "-x", "-C", str(out), "--keep-directory-symlink", "--no-same-owner"],
                                      stdin=archive.stdout, capture_output=True, text=True, check=False)
                if done.returncode != 0 or archive.wait() != 0:
                    raise RuntimeError(f"{package} can't be unpacked: {done.stderr}")
            folder.parent.mkdir(exist_ok=True)
            out.rename(folder)
