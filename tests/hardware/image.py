"""What the virtual board runs: Debian's arm64 kernel, modules and programs of ours, and an initramfs. All of it is built
from packages and kept in one folder; only what is missing or older than its sources is made.
"""
import glob
import hashlib
import os
import pathlib
import shutil
import tempfile

from debian import Debian, run
from programs import CROSS, Programs

TOOLS = ("qemu-system-aarch64", CROSS + "g++", "apt-get", "dpkg-deb", "cpio", "gzip")
TOOLS_FOR_MODULES = ("make", "bc", "depmod")
HERE = pathlib.Path(__file__).resolve().parent

LIBRARIES = ("libgpiod-dev",)
# The real drivers of the chips that aren't there.
MODULES = ("ti-ads1015", "ltc4151", "wire", "w1_therm")
# It looks for thermometers every two seconds, and forgets one that was missing three times.
OPTIONS = {"wire": "timeout=2 slave_ttl=3"}


def missing_tools(names):
    return [tool for tool in names if shutil.which(tool, path=os.environ["PATH"] + ":/usr/sbin:/sbin") is None]


def tool(name):
    return shutil.which(name, path=os.environ["PATH"] + ":/usr/sbin:/sbin")


class Image:
    INIT = """#!/bin/busybox sh
/bin/busybox --install -s /bin
mount -t proc none /proc; mount -t sysfs none /sys; mount -t devtmpfs none /dev; mount -t tmpfs none /run
mount -t tmpfs none /tmp; mount -t debugfs none /sys/kernel/debug
while read -r module; do insmod /modules/$module; done </modules/order
stty -echo -onlcr </dev/console
exec </dev/console >/dev/console 2>&1
echo '= ready'
while read -r words; do eval "$words"; done
poweroff -f
"""

    def __init__(self, source, cache):
        self.source, self.cache = source, cache
        cache.mkdir(parents=True, exist_ok=True)
        self.debian = Debian(cache)

    # ---- the kernel and modules ----

    def kernel_folder(self):
        return self.debian.unpacked("kernel", self.debian.kernel_package)

    def kernel(self):
        return glob.glob(f"{self.kernel_folder()}/boot/vmlinuz-*")[0]

    def release(self):
        return pathlib.Path(self.kernel()).name.removeprefix("vmlinuz-")

    def modules_of_ours(self):
        """The two test modules, built against Debian's headers with its own build scripts."""
        release, built = self.release(), self.cache / "modules"
        sources = sorted((HERE / "modules").iterdir())
        stamp = hashlib.sha256(release.encode() + b"".join(source.read_bytes() for source in sources)).hexdigest()
        if not (built / stamp).exists():
            shutil.rmtree(built, ignore_errors=True)
            shutil.copytree(HERE / "modules", built)
            common = self.debian.unpacked("headers-common", lambda: f"linux-headers-{release.removesuffix('-arm64')}-common")
            headers = self.debian.unpacked("headers", lambda: f"linux-headers-{release}")
            version = ".".join(release.split(".")[:2])
            scripts = self.debian.unpacked_for_this_machine(f"linux-kbuild-{version}")
            for folder in (headers, common):  # where the headers look for the build scripts
                link = folder / f"usr/lib/linux-kbuild-{version}"
                if not link.is_symlink():
                    link.symlink_to(scripts / f"usr/lib/linux-kbuild-{version}")
            tree = headers / f"usr/src/linux-headers-{release}"
            (tree / "Makefile").write_text(f"include {common}/usr/src/{next((common / 'usr/src').iterdir()).name}/Makefile\n")
            run("make", "-C", tree, f"M={built}", "ARCH=arm64", f"CROSS_COMPILE={CROSS}", "modules")
            (built / stamp).touch()
        return sorted(built.glob("*.ko"))

    def module_files(self, names):
        """Debian's modules of these names with all that they need, each after what it needs."""
        folder = self.kernel_folder() / "lib/modules" / self.release()
        if not (folder / "modules.dep").exists():
            run(tool("depmod"), "-b", self.kernel_folder(), self.release())
        needs = {}
        for line in (folder / "modules.dep").read_text().splitlines():
            path, _, others = line.partition(":")
            needs[pathlib.Path(path).stem.replace("-", "_")] = [path, *others.split()]
        ordered = []
        for name in names:
            entry = needs.get(name.replace("-", "_"))
            if entry is None:  # built into the kernel
                continue
            ordered += [path for path in reversed(entry) if path not in ordered]
        return folder, ordered

    # ---- programs ----

    def programs(self):
        return Programs(self.source, self.cache, self.debian.unpacked_with_dependencies("libraries", LIBRARIES))

    def compile(self, name, sources):
        """One static arm64 program of C++ sources and the drivers."""
        return self.programs().with_drivers(name, sources)

    # ---- file systems ----

    def initramfs(self, programs, name="initramfs.gz", modules=()):
        """busybox and programs of ours, statically linked. `modules` are (file, name) in the order of loading."""
        busybox = self.debian.unpacked("busybox-static") / "bin/busybox"
        with tempfile.TemporaryDirectory(dir=self.cache) as scratch:
            root = pathlib.Path(scratch)
            for folder in ("bin", "proc", "sys", "dev", "run", "tmp", "modules"):
                (root / folder).mkdir()
            for program in (busybox, *programs):
                shutil.copy(program, root / "bin" / pathlib.Path(program).name)
            for module in modules:
                shutil.copy(module, root / "modules" / pathlib.Path(module).name)
            (root / "modules/order").write_text("".join(
                f"{module.name} {OPTIONS.get(module.stem, '')}\n" for module in map(pathlib.Path, modules)))
            (root / "init").write_text(self.INIT)
            (root / "init").chmod(0o755)
            image = self.cache / name
            run("sh", "-c", f"find . | cpio --quiet -o -H newc -R 0:0 | gzip -1 > '{image}'", cwd=root)
        return image
