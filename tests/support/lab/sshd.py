"""A real OpenSSH server of the lab's own: its keys, account, folder and port, nothing of /etc/ssh touched.

In a namespace as the far box (root), or on 127.0.0.1 of this machine (root or any account, which then can log in only
as itself). It can be stopped, killed, started again, told to know fewer extensions, or given a small disk.
"""

from __future__ import annotations

import contextlib
import glob
import os
import pwd
import shutil
import socket
import subprocess
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from support.lab.commands import LabFault, call
from support.lab.namespace import Namespace
from support.lab.need import program
from support.lab.ownership import JOURNAL, Estate, descendants, end_process, started

START_S = 10.0
EXTENSIONS = (
    "posix-rename",
    "statvfs",
    "fstatvfs",
    "hardlink",
    "fsync",
    "lsetstat",
    "limits",
    "expand-path",
    "copy-data",
    "home-directory",
    "users-groups-by-id",
)


@dataclass(frozen=True)
class ServerOptions:
    """How the server differs from a stock one.

    `without`: requests and extensions it neither offers nor serves, in the words of sftp-server(8) -P; EXTENSIONS are
    all of OpenSSH 9.2's. `chroot`: the account sees nothing above the base's parent (root only). `external`: a
    separate sftp-server program instead of the built-in one. `disk`: the base is a file system of that size
    ("16M"; root only). `clock_off_s`: how far the box's clock is ahead of ours, as SFTP shows it (needs Debian's
    `faketime`; a whole number of seconds). `more`: further lines of sshd_config(5).
    """

    account: str = ""
    without: Sequence[str] = ()
    chroot: bool = False
    external: bool = False
    disk: str = ""
    clock_off_s: int = 0
    ciphers: str = ""
    more: Sequence[str] = ()


class FarSshd:
    """The far box's SSH server, running on entry, gone with all its sessions and files on exit.

    `base` is the folder for copies as the account sees it, `base_path` the same as this machine sees it. `folder`
    puts it (and the server's files) elsewhere than under the lab's own, for example on a memory disk.
    """

    def __init__(
        self,
        *,
        space: Namespace | None = None,
        address: str = "127.0.0.1",
        port: int = 0,
        options: ServerOptions | None = None,
        folder: str = "",
    ) -> None:
        self.space = space
        self.address = address
        self.port = port or (22 if space else _free_port(address))
        self.options = options or ServerOptions()
        self.account = self.options.account or pwd.getpwuid(os.geteuid()).pw_name
        self.estate = Estate()
        self._process: subprocess.Popen[Any] | None = None
        try:
            self._furnish(folder)
            self.start()
        except BaseException:
            self.estate.release()
            raise

    def __enter__(self) -> FarSshd:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
        self.estate.release()

    @property
    def host_key_line(self) -> str:
        """The public host key as the settings pin it: kind and key."""
        with open(self._host_key + ".pub", encoding="ascii") as file:
            return " ".join(file.read().split()[:2])

    @property
    def pid(self) -> int:
        """The listening process; 0 when it is stopped."""
        return self._process.pid if self._process else 0

    def log(self) -> str:
        """All that the server said."""
        with open(self._log, encoding="utf-8", errors="replace") as file:
            return file.read()

    def start(self) -> None:
        """Start listening, and wait until it answers. Raises LabFault with the server's own words if it does not."""
        # -r: sessions are forked and not started anew, a third of what a login costs. From 9.8 on it is ignored.
        argv = [program("sshd"), "-D", "-e", "-r", "-f", self._write_configuration()]
        with open(self._log, "a", encoding="utf-8") as log:
            made = self.space.argv(argv) if self.space else argv
            self._process = self.estate.spawn(made, stdin=subprocess.DEVNULL, stderr=log, start_new_session=True)
        until = time.monotonic() + START_S
        while not self._answers():
            if self._process.poll() is not None or time.monotonic() > until:
                raise LabFault(f"sshd does not answer on {self.address}:{self.port}: {self.log().strip()}")
            time.sleep(0.02)

    def kill(self) -> None:
        """SIGKILL the server and every session at once, as when the box loses power; its disk keeps what it has."""
        if self._process is None:
            return
        family = [(pid, started(pid)) for pid in (self._process.pid, *descendants(self._process.pid))]
        for pid, start in family:
            end_process(pid, start)
        self._process.wait(START_S)
        self._process = None

    def stop(self) -> None:
        """The same: sshd has nothing to tidy that a test may rely on. May be called twice."""
        self.kill()

    def restart(self) -> None:
        """Kill it if it runs, and start it again on the same port with the same keys."""
        self.kill()
        self.start()

    def cut_sessions(self) -> int:
        """SIGKILL every session but keep listening; returns how many processes that ended."""
        if self._process is None:
            return 0
        family = [(pid, started(pid)) for pid in descendants(self._process.pid)]
        for pid, start in family:
            end_process(pid, start)
        return len(family)

    def change_host_key(self) -> None:
        """Another host key from now on: a box set up anew, or somebody in between."""
        for path in (self._host_key, self._host_key + ".pub"):
            os.unlink(path)
        make_ssh_key(self._host_key)
        self.restart()

    def admit(self, public_key: str) -> None:
        """Let another key log in: one line as in a .pub file."""
        with open(self._admitted, "a", encoding="ascii") as file:
            file.write(public_key.strip() + "\n")

    def empty_base(self) -> None:
        """Remove all that lies in the base."""
        for entry in os.scandir(self.base_path):
            if entry.is_dir(follow_symlinks=False):
                shutil.rmtree(entry.path)
            else:
                os.unlink(entry.path)

    def _furnish(self, folder: str) -> None:
        own = self.estate.folder
        if folder:
            self.estate.note("folder", path=folder)
            os.makedirs(folder, mode=0o755, exist_ok=True)
        self._host_key = os.path.join(own, "host_key")
        self.login_key = os.path.join(own, "login_key")
        self._admitted = os.path.join(own, "admitted")
        self._log = os.path.join(own, "sshd.log")
        make_ssh_key(self._host_key)
        make_ssh_key(self.login_key)
        with open(self.login_key + ".pub", encoding="ascii") as file:
            self.admit(file.read())
        self._roof = os.path.join(folder or own, "far")
        self.base_path = os.path.join(self._roof, "copies")
        os.makedirs(self.base_path)
        if self.options.disk:
            self.estate.note("mount", path=self.base_path)
            call(["mount", "-t", "tmpfs", "-o", f"size={self.options.disk}", "otherroof-lab", self.base_path])
        if os.geteuid() == 0:
            who = pwd.getpwnam(self.account)
            os.chown(self.base_path, who.pw_uid, who.pw_gid)
        self.base = "/copies" if self.options.chroot else self.base_path

    def _write_configuration(self) -> str:
        options = self.options
        refused = f" -P {','.join(options.without)}" if options.without else ""
        server = _sftp_server() if options.external or options.clock_off_s else "internal-sftp"
        if options.clock_off_s:
            server = f"/bin/sh {self._write_false_clock(server)}"
        lines = [
            f"Port {self.port}",
            f"ListenAddress {self.address}",
            f"HostKey {self._host_key}",
            f"AuthorizedKeysFile {self._admitted}",
            "PidFile none",
            "StrictModes no",
            "UsePAM no",
            "PasswordAuthentication no",
            "KbdInteractiveAuthentication no",
            "PermitRootLogin prohibit-password",
            "LogLevel VERBOSE",
            f"Subsystem sftp {server}{refused}",
            *([f"ChrootDirectory {self._roof}", f"ForceCommand internal-sftp{refused}"] if options.chroot else []),
            *([f"Ciphers {options.ciphers}"] if options.ciphers else []),
            *options.more,
        ]
        path = os.path.join(self.estate.folder, "sshd_config")
        with open(path, "w", encoding="utf-8") as file:
            file.write("\n".join(lines) + "\n")
        if os.geteuid() == 0:
            os.makedirs("/run/sshd", mode=0o755, exist_ok=True)  # where Debian's sshd drops its rights
        return path

    def _write_false_clock(self, server: str) -> str:
        """A script that starts `server` with another clock, and notes what that leaves on the memory disk."""
        found = glob.glob("/usr/lib/*/faketime/libfaketime.so.1")
        if not found:
            raise LabFault("a far clock that is off needs the package faketime")
        path = os.path.join(self.estate.folder, "false_clock.sh")
        journal = os.path.join(self.estate.folder, JOURNAL)
        with open(path, "w", encoding="ascii") as file:
            for left in ("faketime_shm_", "sem.faketime_sem_"):
                entry = f'{{"kind": "file", "path": "/dev/shm/{left}%d"}}'
                file.write(f"printf '{entry}\\n' $$ >>{journal}\n")
            clock = f"LD_PRELOAD={found[0]} FAKETIME={self.options.clock_off_s:+d}s"
            file.write(f'exec /usr/bin/env {clock} {server} "$@"\n')
        return path

    def _answers(self) -> bool:
        with contextlib.suppress(OSError), self._connect() as made:
            return made.recv(4) == b"SSH-"
        return False

    def _connect(self) -> socket.socket:
        if self.space:
            return self.space.connect(self.address, self.port, wait_s=1.0)
        return socket.create_connection((self.address, self.port), timeout=1.0)


def make_ssh_key(path: str) -> None:
    """An Ed25519 key pair without a passphrase in `path` and `path`.pub."""
    call(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "otherroof-lab", "-f", path])


def _sftp_server() -> str:
    for path in ("/usr/lib/openssh/sftp-server", "/usr/libexec/sftp-server", "/usr/lib/ssh/sftp-server"):
        if os.path.exists(path):
            return path
    raise LabFault("no sftp-server program is installed")


def _free_port(address: str) -> int:
    with socket.socket() as trial:
        trial.bind((address, 0))
        port: int = trial.getsockname()[1]
        return port
