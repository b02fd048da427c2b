"""What the virtual board runs: Debian's arm64 kernel, modules and programs of ours, an initramfs or a small Debian with
systemd. All of it is built from packages and kept in one folder; only what is missing or older than its sources is made.
"""
import glob
import hashlib
import os
import pathlib
import re
import shutil
import tempfile

from debian import Debian, run
from programs import CROSS, Programs

TOOLS = ("qemu-system-aarch64", CROSS + "g++", "apt-get", "dpkg-deb", "cpio", "gzip")
TOOLS_FOR_MODULES = ("make", "bc", "depmod")
TOOLS_FOR_SYSTEM = ("mke2fs",)
HERE = pathlib.Path(__file__).resolve().parent

LIBRARIES = ("libgpiod-dev",)
# What the machine is made of beside dekeyd's package and what that depends on.
SYSTEM = ("systemd", "systemd-sysv", "udev", "mount", "kmod", "busybox-static", "coreutils")
# What dependencies would bring and nothing here runs: the packages are unpacked, not installed.
UNNEEDED = ("perl*", "libperl*", "lib*-perl", "debconf", "dpkg", "tar", "usrmerge", "adduser", "libdb5*", "libgdbm*")
# What the machine needs before it has a root file system, and what it needs after.
MODULES_FIRST = ("virtio_pci", "virtio_blk", "crc32c_generic", "ext4", "i6300esb")
NETWORK = ("virtio_net",)
# The real drivers of the chips that aren't there.
MODULES = ("ti-ads1015", "ltc4151", "wire", "w1_therm")

# It looks for thermometers every two seconds, and forgets one that was missing three times.
OPTIONS = {"wire": "timeout=2 slave_ttl=3"}


def missing_tools(names):
    return [tool for tool in names if shutil.which(tool, path=os.environ["PATH"] + ":/usr/sbin:/sbin") is None]


def tool(name):
    return shutil.which(name, path=os.environ["PATH"] + ":/usr/sbin:/sbin")


class Image:
    # Each line of the console is a command; what a test waits for begins with "= ".
    SHELL = """stty -echo -onlcr </dev/console
exec </dev/console >/dev/console 2>&1
echo '= ready'
while read -r words; do eval "$words"; done
"""
    INIT = """#!/bin/busybox sh
/bin/busybox --install -s /bin
mount -t proc none /proc; mount -t sysfs none /sys; mount -t devtmpfs none /dev; mount -t tmpfs none /run
mount -t tmpfs none /tmp; mount -t debugfs none /sys/kernel/debug
while read -r module; do insmod /modules/$module; done </modules/order
""" + SHELL + """
poweroff -f
"""
    INIT_OF_SYSTEM = """#!/bin/busybox sh
/bin/busybox --install -s /bin
mount -t proc none /proc; mount -t sysfs none /sys; mount -t devtmpfs none /dev
while read -r module; do insmod /modules/$module; done </modules/order
while [ ! -b /dev/vda ]; do sleep 0.1; done
mount -t ext4 /dev/vda /root
# An image that was built without root's rights belongs to somebody who isn't known here.
[ "$(stat -c %u /root/usr)" = 0 ] || chown -R 0:0 /root/etc /root/usr /root/var /root/board
umount /proc; umount /sys; umount /dev
exec switch_root /root /sbin/init
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

    def initramfs(self, programs, name="initramfs.gz", init=None, modules=()):
        """busybox and programs of ours, statically linked. `modules` are (file, name) in the order of loading."""
        busybox = self.debian.unpacked("busybox-static") / "bin/busybox"
        with tempfile.TemporaryDirectory(dir=self.cache) as scratch:
            root = pathlib.Path(scratch)
            for folder in ("bin", "proc", "sys", "dev", "run", "tmp", "root", "modules"):
                (root / folder).mkdir()
            for program in (busybox, *programs):
                shutil.copy(program, root / "bin" / pathlib.Path(program).name)
            for module in modules:
                shutil.copy(module, root / "modules" / pathlib.Path(module).name)
            (root / "modules/order").write_text("".join(
                f"{module.name} {OPTIONS.get(module.stem, '')}\n" for module in map(pathlib.Path, modules)))
            (root / "init").write_text(init or self.INIT)
            (root / "init").chmod(0o755)
            image = self.cache / name
            run("sh", "-c", f"find . | cpio --quiet -o -H newc -R 0:0 | gzip -1 > '{image}'", cwd=root)
        return image

    def system(self, package, configuration):
        """A small Debian with systemd, the files of dekeyd's package and what it depends on: (initramfs, root file system)."""
        folder, first = self.module_files(MODULES_FIRST)
        initramfs = self.initramfs([], "initramfs-system.gz", self.INIT_OF_SYSTEM, [folder / path for path in first])
        names = sorted({*SYSTEM, *re.findall(r"(?:^|, )([a-z0-9.+-]+)", run("dpkg-deb", "-f", package, "Depends"))})
        label = "system-" + hashlib.sha256(" ".join(names).encode()).hexdigest()[:12]
        packages = self.debian.unpacked_with_dependencies(label, names, UNNEEDED)
        image = self.cache / "root.ext4"
        with tempfile.TemporaryDirectory(dir=self.cache) as scratch:
            root = pathlib.Path(scratch) / "root"
            run("cp", "-a", "--reflink=auto", packages, root)
            for unneeded in ("usr/share/doc", "usr/share/locale", "usr/share/man", "usr/lib/udev/hwdb.d",
                             "usr/share/zoneinfo", "usr/share/bash-completion"):
                shutil.rmtree(root / unneeded, ignore_errors=True)
            own = root / "usr/lib/modules" / self.release()
            folder, others = self.module_files((*MODULES_FIRST, *NETWORK, *MODULES))
            for path in others:
                (own / path).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy(folder / path, own / path)
            for module in self.modules_of_ours():
                shutil.copy(module, own / module.name)
            for listing in ("modules.builtin", "modules.order"):
                shutil.copy(folder / listing, own / listing)
            run(tool("depmod"), "-b", root, self.release())
            run("dpkg-deb", "-x", package, scratch + "/package")
            run("cp", "-a", scratch + "/package/.", root)
            self._settle(root, configuration)
            image.unlink(missing_ok=True)
            # Without a journal: it lives for minutes, and what must survive a reset is what dekeyd syncs itself.
            run(tool("mke2fs"), "-q", "-t", "ext4", "-O", "^has_journal", "-E", "root_owner=0:0", "-d", root, image, "256M")
        return initramfs, image

    def _settle(self, root, configuration):
        for folder in ("dev", "proc", "sys", "run", "tmp", "root", "board", "etc/dekeyd", "etc/modprobe.d",
                       "etc/systemd/system.conf.d", "etc/systemd/journald.conf.d"):
            (root / folder).mkdir(parents=True, exist_ok=True)
        # The package's own drop-in; an emulation on a busy machine wants more time than its ten seconds.
        board_watchdog = (root / "usr/share/doc/dekeyd/drop-ins/board-watchdog.conf").read_text()
        files = {
            "etc/machine-id": "0123456789abcdef0123456789abcdef\n",
            "etc/passwd": "root:x:0:0:root:/root:/bin/sh\nnobody:x:65534:65534:nobody:/:/bin/false\n",
            "etc/group": "root:x:0:\ntty:x:5:\nnogroup:x:65534:\n",
            "etc/shadow": "root:*:::::::\n",
            "etc/hostname": "hilltop\n",
            "etc/fstab": "",
            "etc/modprobe.d/board.conf": "".join(f"options {name} {words}\n" for name, words in OPTIONS.items()),
            "etc/systemd/system.conf.d/board-watchdog.conf": board_watchdog.replace("RuntimeWatchdogSec=10s", "RuntimeWatchdogSec=60s"),
            "etc/systemd/journald.conf.d/volatile.conf": "[Journal]\nStorage=volatile\n",
            "etc/dekeyd/dekeyd.yaml": pathlib.Path(configuration).read_text(),
            "board/shell": self.SHELL,
            "etc/systemd/system/board.target": "[Unit]\nRequires=basic.target\nWants=board.service dekeyd.service dekeyd-telemetry.service\nAfter=basic.target\n",
            "etc/systemd/system/board.service":
                "[Unit]\nDescription=The tests' commands, by the console\n[Service]\nExecStart=/bin/busybox sh /board/shell\n"
                "StandardInput=tty-force\nStandardOutput=tty\nTTYPath=/dev/ttyAMA0\nEnvironment=HOME=/root\n",
        }
        for name, text in files.items():
            (root / name).write_text(text)
        for command in ("sh", "ifconfig", "kill", "pidof", "date", "dd", "grep", "sed", "cat", "sleep", "echo", "rm", "ls",
                        "mount", "umount", "stty", "chmod", "tail", "head", "mkdir", "cp", "mv", "timeout", "wc", "tr", "yes", "df"):
            path = root / "usr/bin" / command
            if not path.exists() and not path.is_symlink():
                path.symlink_to("/usr/bin/busybox")
