"""A throwaway Debian: a root folder of its own, and a network namespace of its own where one is handed in.

What a test writes goes into an overlay in memory, in a mount and process namespace that ends with one process, so
nothing of it can outlast the test, and a `kill` in there meets nobody else. Which system lies below is no matter here.
"""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Sequence

from support.lab import Estate, LabFault, Namespace, call
from support.lab.ownership import descendants

PATH = "PATH=/usr/sbin:/usr/bin:/sbin:/bin"
# What changes by itself or is only a trace: backups of the account files, logs, caches.
PASSING = ("/proc", "/run", "/tmp", "/dev", "/sys", "/var/log", "/var/cache", "/var/lib/apt/lists", "/root/kit")
BACKUPS = {"/etc/passwd-", "/etc/shadow-", "/etc/group-", "/etc/gshadow-"}


class ThrowawayDebian:
    """A root folder over `base`, in `space` (a network namespace), or in this machine's network.

    What is written in there may take `layer_mb` megabytes of memory.
    """

    def __init__(self, estate: Estate, base: str, space: Namespace | None = None, *, layer_mb: int = 600) -> None:
        self.estate = estate
        self.space = space
        mounts = os.path.join(estate.folder, "far-root")
        os.makedirs(mounts)
        script = (
            f"set -e; mount -t tmpfs -o size={layer_mb}m otherroof-lab {mounts}\n"
            f"mkdir {mounts}/upper {mounts}/work {mounts}/root\n"
            f"mount -t overlay otherroof-lab -o lowerdir={base},upperdir={mounts}/upper,workdir={mounts}/work "
            f"{mounts}/root\n"
            f"cd {mounts}/root\n"
            "mount -t proc proc proc; mount -t tmpfs run run; mount -t tmpfs tmp tmp\n"
            "mkdir -p dev/net dev/pts dev/shm root; mount -t tmpfs -o mode=1777 shm dev/shm\n"
            "mount -t devpts -o newinstance,ptmxmode=666 pts dev/pts; rm -f dev/ptmx; ln -s pts/ptmx dev/ptmx\n"
            "for node in 'null 1 3' 'zero 1 5' 'random 1 8' 'urandom 1 9' 'tty 5 0' 'net/tun 10 200'; do\n"
            "  set -- $node; [ -e dev/$1 ] || mknod -m 666 dev/$1 c $2 $3; done\n"
            "for unit in getty.target console-getty.service; do ln -sf /dev/null etc/systemd/system/$unit; done\n"
            "mkdir run/lab-ready; exec chroot . sleep 100000\n"
        )
        self._root = f"{mounts}/root"
        argv = ["unshare", "--mount", "--pid", "--fork", "--kill-child=KILL", "sh", "-c", script]
        self._holder = estate.spawn(space.argv(argv) if space else argv, stdin=subprocess.DEVNULL)
        self._first = self._inside = self._wait_for_inside()
        self._systemd: subprocess.Popen[str] | None = None
        self._cgroup = ""

    def _wait_for_inside(self) -> int:
        until = time.monotonic() + 20
        while time.monotonic() < until:
            below = descendants(self._holder.pid)
            if below and os.path.exists(f"/proc/{below[0]}/root/run/lab-ready"):
                return below[0]
            if self._holder.poll() is not None:
                break
            time.sleep(0.02)
        raise LabFault("the throwaway root did not come up")

    def lend(self, path: str) -> None:
        """A file or folder of this machine, at the same path in there, to be read only. Before it boots."""
        lent = f"{self._root}{path}"
        if os.path.isdir(path):
            os.makedirs(self.path(path), exist_ok=True)
        else:
            os.makedirs(os.path.dirname(self.path(path)), exist_ok=True)
            with open(self.path(path), "ab"):
                pass
        enter = ["nsenter", f"--target={self._first}", "--mount"]
        call([*enter, "mount", "--bind", "-o", "ro", path, lent])

    def boot(self) -> None:
        """Start the box's own systemd, or start it again as after a loss of power. Raises LabFault if it cannot.

        Without a `space` it gets an empty network of its own: what systemd starts must not listen on this machine.
        """
        if self._systemd is not None:
            self._systemd.kill()
            self._systemd.wait(10)
        net = f"--net=/run/netns/{self.space.name}" if self.space else "--net"
        enter = f"nsenter --target={self._first} --mount {net} --root env --chdir=/ -i container=lab {PATH}"
        inside = (
            "mount -t proc proc /proc; mount --bind /proc/sys /proc/sys; mount -o remount,ro,bind /proc/sys\n"
            "mount -t sysfs -o ro sys /sys; mount -t cgroup2 cgroup /sys/fs/cgroup; mount -t tmpfs run /run\n"
            "exec /lib/systemd/systemd --log-target=journal"
        )
        apart = "unshare --mount --pid --cgroup --ipc --uts --fork --kill-child=KILL"
        if self.space is None:
            apart += " --net"
        script = f'echo $$ >{self._own_cgroup()}/cgroup.procs && exec {enter} {apart} sh -ec "$0"'
        self._systemd = self.estate.spawn(["sh", "-c", script, inside], stdin=subprocess.DEVNULL)
        until = time.monotonic() + 60
        while time.monotonic() < until and self._systemd.poll() is None:
            below = descendants(self._systemd.pid)
            if below:
                self._inside = below[0]
                if self.run("systemctl", "is-system-running", may_fail=True).strip() in ("running", "degraded"):
                    return
            time.sleep(0.1)
        raise LabFault("systemd does not run in the throwaway root")

    def _own_cgroup(self) -> str:
        if not self._cgroup:
            with open("/proc/mounts", encoding="utf-8") as file:
                mounted = [line.split()[1] for line in file if line.split()[2] == "cgroup2"]
            if not mounted:
                raise LabFault("this machine has no cgroup2 hierarchy")
            self._cgroup = os.path.join(mounted[0], f"otherroof-{self.estate.number}")
            self.estate.note("cgroup", path=self._cgroup)
            os.makedirs(self._cgroup, exist_ok=True)
        return self._cgroup

    def path(self, inside: str) -> str:
        """`inside` as this machine sees it."""
        return f"/proc/{self._inside}/root{inside}"

    def argv(self, argv: Sequence[str]) -> list[str]:
        """`argv` as it must be started from outside to run in there."""
        enter = ["nsenter", f"--target={self._inside}", "--mount", "--pid", "--net", "--root"]
        return [*enter, "env", "--chdir=/", "-i", PATH, "LC_ALL=C", *argv]

    def run(self, *argv: str, may_fail: bool = False, given: str = "", wait_s: float = 120) -> str:
        """Run a program in there to its end; its output. Raises LabFault where it fails."""
        return call(self.argv(argv), wait_s=wait_s, may_fail=may_fail, given=given)

    def try_out(self, *argv: str, wait_s: float = 300) -> tuple[int, str]:
        """Exit code, and all that a program in there said."""
        done = subprocess.run(
            self.argv(argv),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
            timeout=wait_s,
            check=False,
        )
        return done.returncode, done.stdout

    def popen(self, *argv: str) -> subprocess.Popen[str]:
        """Start a program in there; it ends with the box at the latest."""
        return self.estate.spawn(self.argv(argv), stdin=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    def write(self, inside: str, text: str, mode: int = 0o644) -> None:
        """A file in there."""
        os.makedirs(os.path.dirname(self.path(inside)), exist_ok=True)
        with open(self.path(inside), "w", encoding="utf-8") as file:
            file.write(text)
        os.chmod(self.path(inside), mode)

    def read(self, inside: str) -> str:
        """A file in there."""
        with open(self.path(inside), encoding="utf-8") as file:
            return file.read()

    def snapshot(self) -> dict[str, str]:
        """Every path with kind, mode, owner, and what it holds; without what changes by itself."""
        leave_out = " -o ".join(f"-path {path}" for path in PASSING)
        listed = self.run("sh", "-c", f"find / -xdev \\( {leave_out} \\) -prune -o -printf '%p\\t%M %U:%G %l\\n'")
        found = dict(line.split("\t", 1) for line in listed.splitlines())
        for path, what in found.items():
            if what.startswith("-") and path.startswith(
                ("/etc/", "/srv/", "/usr/local/", "/root/", "/home/", "/var/lib/")
            ):
                with open(self.path(path), "rb") as file:
                    found[path] = f"{what} {hash(file.read())}"
        return {path: what for path, what in found.items() if path not in BACKUPS and path not in PASSING}
