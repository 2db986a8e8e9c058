"""Keys, clocks, counters and state files: what the program tells of them against programs and documents."""

from __future__ import annotations

import base64
import os
import random
import re
import socket
import struct
import subprocess
import sys
import time
from pathlib import Path
from unittest.mock import patch

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from pydantic import TypeAdapter, ValidationError

from otherroof.base.errors import HostKeyChanged
from otherroof.far import requests
from otherroof.far.clock_offset import clock_offset
from otherroof.far.place import Meter, run_script
from otherroof.far.requests import Mode, Script
from otherroof.far.session import Session, SshTarget, open_session
from otherroof.far.sftp.place import SftpPlace
from otherroof.pairing.keys import login_public
from otherroof.settings.fields import HostKey
from support.lab.need import program, require_programs
from support.main_job import Door, stand_in_door
from support.outside import outside

# RFC 8032 §7.1, TEST 1: secret and public key.
SECRET = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
PUBLIC = bytes.fromhex("d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a")
# RFC 8709 §4: string "ssh-ed25519", string key of 32 bytes.
BLOB = b"\0\0\0\x0bssh-ed25519\0\0\0\x20" + PUBLIC
LINE = f"ssh-ed25519 {base64.b64encode(BLOB).decode()}"


def keygen(*argv: str, stdin: str | None = None) -> str:
    require_programs("ssh-keygen")
    words = [program("ssh-keygen"), *argv]
    return subprocess.run(words, input=stdin, capture_output=True, text=True, check=True, timeout=30).stdout


def target_of(door: Door, host_key: str) -> SshTarget:
    return SshTarget(door.address, door.port, door.account, door.login_key, host_key, answer_s=20.0)


@outside("RFC 8032", "§7.1, TEST 1", "the public half of a login key", value="from memory, recomputed")
def test_public_half_of_a_login_key_is_that_of_the_rfc() -> None:
    key = Ed25519PrivateKey.from_private_bytes(SECRET)
    text = key.private_bytes(Encoding.PEM, PrivateFormat.OpenSSH, NoEncryption()).decode()
    assert login_public(text) == LINE


@outside("RFC 8709", "§4, public key format", "a host key's line in the settings", value="from memory", main=True)
def test_a_host_key_line_is_taken_and_one_of_another_kind_is_not() -> None:
    adapter = TypeAdapter(HostKey)
    assert adapter.validate_python(f"{LINE} root@heron") == LINE
    for wrong in (LINE.replace("ssh-ed25519", "ssh-rsa"), LINE[:30], "ssh-ed25519"):
        with pytest.raises(ValidationError):
            adapter.validate_python(wrong)


@outside("OpenSSH, ssh-keygen(1)", "-lf, SHA256 fingerprint of a host key", "the fingerprint that people compare",
         value="recomputed", main=True)  # fmt: skip
def test_fingerprint_of_a_changed_host_key_is_the_one_that_ssh_keygen_prints(tmp_path: Path) -> None:
    """Invariant 5: another key than the pinned one is never learnt, and nothing is sent."""
    with stand_in_door(tmp_path) as door:
        printed = keygen("-l", "-f", "-", stdin=door.host_key_line).split()
        with pytest.raises(HostKeyChanged) as caught:
            open_session(target_of(door, LINE), Meter())
    assert printed[0] == "256"
    assert printed[1].startswith("SHA256:")
    assert printed[1] in str(caught.value)
    # The pinned one, which the RFC's example key stands for here, has this fingerprint.
    assert keygen("-l", "-f", "-", stdin=LINE).split()[1] not in str(caught.value)


@outside("RFC 5905", "§8, offset = ((T2-T1)+(T3-T4))/2 and delay = (T4-T1)-(T3-T2)", "how far the far clock is ahead",
         value="from memory, recomputed")  # fmt: skip
def test_clock_offset_is_that_of_the_rfcs_formula() -> None:
    """The far disk gives one whole second, cut off: T2 and T3 are its middle, and half of it is added to the margin."""
    dice = random.Random(5)
    for _ in range(500):
        ahead, delay = dice.uniform(-4000, 4000), dice.uniform(0, 3)
        sent = dice.uniform(1.9e9, 2e9)
        written = sent + dice.uniform(0, delay)
        mtime = int(written + ahead)
        t1, t2, t3, t4 = sent, mtime + 0.5, mtime + 0.5, sent + delay
        found = clock_offset(mtime, t1, t4)
        assert found.ahead_s == pytest.approx(((t2 - t1) + (t3 - t4)) / 2, abs=1e-6)
        assert found.margin_s == pytest.approx(((t4 - t1) - (t3 - t2)) / 2 + 0.5, abs=1e-6)
        assert abs(found.ahead_s - ahead) <= found.margin_s + 1e-6, "the true offset lies within the margin"


# linux/tcp.h, struct tcp_info: bytes_received at 128, notsent_bytes at 144, bytes_sent at 200, bytes_retrans at 208.
def kernel_counts(sock: socket.socket) -> tuple[int, int, int]:
    info = sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, 216)
    (received,) = struct.unpack_from("=Q", info, 128)
    (unsent,) = struct.unpack_from("=I", info, 144)
    sent, again = struct.unpack_from("=QQ", info, 200)
    return sent - again, received, unsent


@outside("Linux, tcp(7)", "TCP_INFO: tcpi_bytes_sent, tcpi_bytes_retrans, tcpi_bytes_received",
         "bytes on the wire, both ways", value="recomputed", main=True)  # fmt: skip
def test_bytes_on_the_wire_are_those_that_the_kernel_counts(tmp_path: Path) -> None:
    meter = Meter()

    def there_and_back() -> Script[bytes]:
        handle = yield requests.OpenFile(b"a", Mode.READ | Mode.WRITE | Mode.CREATE | Mode.ONLY_NEW)
        data = random.Random(8).randbytes(30_000)
        for at in range(0, 600_000, 30_000):
            yield requests.Write(handle, at, data)
        read = yield requests.Read(handle, 0, 30_000)
        yield requests.CloseFile(handle)
        return bytes(read)

    with stand_in_door(tmp_path) as door:
        with patch("otherroof.far.sftp.place.open_session", wraps=open_session) as opened:
            sessions: list[Session] = []
            opened.side_effect = lambda *given: sessions.append(open_session(*given)) or sessions[-1]
            place = SftpPlace(target_of(door, door.host_key_line), door.base.encode(), connections=1, meter=meter)
        (sock,) = [session.sock for session in sessions]
        assert len(run_script(place, there_and_back())) == 30_000
        until = time.monotonic() + 30
        while time.monotonic() < until:  # the library's own thread may still have something to send or to read
            before = (meter.wire_up, meter.wire_down)
            sent, received, unsent = kernel_counts(sock)
            if unsent == 0 and (sent, received) == before == (meter.wire_up, meter.wire_down):
                break
            time.sleep(0.001)
        place.close()
    assert (sent, received) == before
    assert sent > 600_000
    assert received > 30_000


WRITER = """
import os, sys
from datetime import UTC, datetime, timedelta
from otherroof.copying.report import RunReport
from otherroof.ledger import Ledger
path, pipe = sys.argv[1], 1
for turn in range(6):
    down, up = os.pipe()
    child = os.fork()
    if child == 0:
        with Ledger(path) as ledger:
            for number in range(100_000):
                at = datetime(2031, 1, 1, tzinfo=UTC) + timedelta(days=turn, seconds=number)
                run = f"{at:%Y-%m-%dT%H%M%SZ}-0000"
                ledger.runs.begin("photos", run, "heron", at)
                ledger.runs.end(RunReport("photos", run, "done"), at)
                os.write(up, f"{run}\\n".encode())
    os.close(up)
    told = b""
    while told.count(b"\\n") < 3 + 5 * turn:
        told += os.read(down, 65536)
    os.kill(child, 9)
    os.waitpid(child, 0)
    while more := os.read(down, 65536):
        told += more
    sys.stdout.write(told.decode().rpartition("\\n")[0] + "\\n")
"""


@outside("SQLite", "PRAGMA integrity_check and foreign_key_check, by sqlite3(1)",
         "the ledger after its writer was killed", value="recomputed")  # fmt: skip
def test_the_ledger_is_whole_after_kills_and_holds_all_that_was_written(tmp_path: Path) -> None:
    """Invariant 8."""
    require_programs("sqlite3")
    path = tmp_path / "ledger.sqlite"
    done = subprocess.run(
        [sys.executable, "-c", WRITER, str(path)], capture_output=True, text=True, check=True, timeout=60
    )
    written = done.stdout.split()
    assert len(written) >= sum(3 + 5 * turn for turn in range(6))

    def ask(text: str) -> list[str]:
        argv = [program("sqlite3"), str(path), text]
        return subprocess.run(argv, capture_output=True, text=True, check=True, timeout=30).stdout.split()

    assert ask("PRAGMA integrity_check; PRAGMA foreign_key_check") == ["ok"]
    kept = ask("SELECT run FROM run WHERE outcome = 'done'")
    assert set(written) <= set(kept)
    assert len(kept) == len(set(kept))


KEEPER = """
import sys
from otherroof.base.atomic_file import replace_file
replace_file(sys.argv[1], b"new content")
"""


@outside("POSIX.1-2017", "XSH, fsync and rename; Linux, fsync(2): the folder needs a sync of its own; by strace(1)",
         "a state file is synced, renamed, and its folder synced, in this order", value="from memory",
         main=True)  # fmt: skip
def test_a_state_file_is_synced_before_it_is_renamed_and_its_folder_after(tmp_path: Path) -> None:
    require_programs("strace")
    path = tmp_path / "state"
    path.write_bytes(b"old content")
    told = tmp_path / "told"
    calls = "trace=write,fsync,fdatasync,rename,renameat,renameat2"
    argv = [program("strace"), "-f", "-y", "-o", str(told), "-e", calls, sys.executable, "-c", KEEPER, str(path)]
    subprocess.run(argv, check=True, timeout=60, capture_output=True)
    assert path.read_bytes() == b"new content"
    lines = [line for line in told.read_text().splitlines() if str(tmp_path) in line]
    kinds = [re.sub(r"^\d+ +(\w+)\(.*", r"\1", line) for line in lines]
    assert [kind for kind in kinds if kind != "write"] in (["fsync", "rename", "fsync"], ["fsync", "renameat", "fsync"])
    written, synced, renamed, folder = (lines[kinds.index("write")], *[line for line in lines if "write(" not in line])
    assert lines.index(written) < lines.index(synced)
    spare = re.search(r"<([^>]*)>", synced)
    assert spare is not None
    assert os.path.basename(spare[1]) in renamed
    assert f"<{tmp_path}>" in folder
