"""Those who copy: OpenSSH's `sftp`, `tar` over `ssh`, and Otherroof, each from process start to process end.

All use the same server, cipher and key. The peers leave ordinary files in the base; Otherroof's are in the job's
`latest/`.
"""

from __future__ import annotations

import compileall
import contextlib
import functools
import json
import os
import shutil
import subprocess
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from support.bench.measure import measure
from support.bench.scene import CIPHER, Scene
from support.fresh_start import OTHERROOF
from support.lab import write_settings

JOB = "bench"


@dataclass(frozen=True)
class Attempt:
    """One copy: how long it took, where it should lie now, what went wrong (or ""), and what it told of itself."""

    seconds: float
    arrived_at: str
    trouble: str = ""
    told: Mapping[str, Any] = field(default_factory=dict)


def ssh_options(scene: Scene, folder: str) -> list[str]:
    """Options for `ssh` and `sftp` alike: only the lab's key and host key, no configuration file, the one cipher."""
    known = os.path.join(folder, "known_hosts")
    far = scene.far
    with open(known, "w", encoding="ascii") as file:
        file.write(f"{far.address if far.port == 22 else f'[{far.address}]:{far.port}'} {far.host_key_line}\n")
    words = [f"UserKnownHostsFile={known}", "StrictHostKeyChecking=yes", "BatchMode=yes", "Compression=no"]
    words += ["GlobalKnownHostsFile=none", f"Port={far.port}"]
    return ["-F", "none", "-i", far.login_key, "-c", CIPHER, *(part for word in words for part in ("-o", word))]


class Sftp:
    """`sftp` with its defaults: `put` of each entry in the folder, `put -r` of folders; `synced`: and a sync there."""

    name = "sftp"

    def __init__(self, *, synced: bool = False) -> None:
        self._synced = synced

    def copy(self, scene: Scene, source: str, work: str, wait_s: float) -> Attempt:
        """Copy what lies in `source` into the base."""
        far = scene.far
        entries = sorted(os.scandir(source), key=lambda entry: entry.name)
        batch = "".join(f"put {'-r ' if one.is_dir() else ''}{one.path} {far.base}\n" for one in entries)
        argv = ["sftp", "-q", *ssh_options(scene, work), "-b", "-", f"{far.account}@{far.address}"]
        begun = time.monotonic()
        done = subprocess.run(
            scene.home.argv(argv),
            input=batch.encode(),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            timeout=wait_s,
            check=False,
        )
        if self._synced and not done.returncode:
            ssh = ["ssh", *ssh_options(scene, work), f"{far.account}@{far.address}", f"sync -f {far.base}"]
            done = subprocess.run(scene.home.argv(ssh), capture_output=True, timeout=wait_s, check=False)
        seconds = time.monotonic() - begun
        return Attempt(seconds, far.base_path, _last_line(done.stderr) if done.returncode else "")


class TarOverSsh:
    """`tar` here, piped through `ssh` into `tar` there; `synced`: and a sync there."""

    name = "tar over ssh"

    def __init__(self, *, synced: bool = False) -> None:
        self._synced = synced

    def copy(self, scene: Scene, source: str, work: str, wait_s: float) -> Attempt:
        """Copy what lies in `source` into the base."""
        far = scene.far
        sync = f" && sync -f {far.base}" if self._synced else ""
        ssh = ["ssh", *ssh_options(scene, work), f"{far.account}@{far.address}", f"tar -C {far.base} -xf -{sync}"]
        begun = time.monotonic()
        with subprocess.Popen(["tar", "-C", source, "-cf", "-", "."], stdout=subprocess.PIPE) as packer:
            done = subprocess.run(
                scene.home.argv(ssh), stdin=packer.stdout, capture_output=True, timeout=wait_s, check=False
            )
            seconds = time.monotonic() - begun
            if packer.stdout:
                packer.stdout.close()
        failed = done.returncode or packer.returncode
        return Attempt(seconds, far.base_path, (_last_line(done.stderr) or "tar failed") if failed else "")


class Otherroof:
    """`otherroof run`, a first copy: no state, an empty base."""

    name = "otherroof"

    def __init__(self, far_more: Mapping[str, Any] | None = None, job_more: Mapping[str, Any] | None = None) -> None:
        self.far_more = far_more or {}
        self.job_more = job_more or {}

    def copy(self, scene: Scene, source: str, work: str, wait_s: float) -> Attempt:
        """Copy what lies in `source` as one job."""
        config = os.path.join(work, "config")
        shutil.rmtree(config, ignore_errors=True)
        write_settings(config, scene.far, {JOB: {"folder": source, **self.job_more}}, far_more=self.far_more)
        return self.again(scene, work, wait_s)

    def again(self, scene: Scene, work: str, wait_s: float) -> Attempt:
        """A further run of the job that `copy` has run with the same `work` folder."""
        config = os.path.join(work, "config")
        arrived_at = os.path.join(scene.far.base_path, JOB, "latest")
        if not otherroof_can("run"):
            return Attempt(0.0, arrived_at, "not there yet")
        done = measure(scene.home.argv(otherroof("run", JOB, "--config", config, "--json")), wait_s=wait_s)
        told = first_run(done.output)
        told["peak_bytes"] = done.peak_bytes
        told["processor_s"] = round(done.processor_s, 2)
        why = _last_line(done.errors.encode()) or str(told.get("reason", ""))
        trouble = "" if done.code == 0 else f"exit {done.code}: {why}"
        return Attempt(done.seconds, arrived_at, trouble, told)


def setting(text: str) -> tuple[str, Any]:
    """`KEY=VALUE` of a command line as a setting; the value in JSON, or else as it stands."""
    key, _, value = text.partition("=")
    try:
        return key, json.loads(value)
    except json.JSONDecodeError:
        return key, value


def otherroof(*words: str) -> list[str]:
    """The command line of the Otherroof that is installed beside this Python."""
    compile_as_installed()
    return [OTHERROOF, *words]


@functools.cache
def compile_as_installed() -> None:
    """Have the modules compiled, as pip does when it installs: else each start from a working tree may do it anew."""
    import otherroof as package

    for folder in package.__path__:
        compileall.compile_dir(folder, quiet=1)


def otherroof_can(verb: str) -> bool:
    """Whether the installed Otherroof has `verb`."""
    from otherroof.cli.parser.verbs import VERBS

    return verb in VERBS


def first_run(output: str) -> dict[str, Any]:
    """The first run of what `run --json` printed; empty where it is no such thing."""
    with contextlib.suppress(json.JSONDecodeError, KeyError, IndexError, TypeError):
        return dict(json.loads(output)["runs"][0])
    return {}


def _last_line(text: bytes) -> str:
    lines = text.decode(errors="replace").strip().splitlines()
    return lines[-1] if lines else ""
