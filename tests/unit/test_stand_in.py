"""The stand-in far box over real SSH: who is let in, what its folder lets out, how it fails when told to."""

from __future__ import annotations

import io
import os
import socket
import struct
import threading
import time
import warnings
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path

import paramiko
import pytest

from otherroof.rehearsal.far_box.stand_in import StandIn, fresh_key
from support.faulty_box import Faults, FaultyBox, Offers
from support.raw_sftp import FLAG_CREAT, FLAG_READ, FLAG_WRITE, RawSftp, text, u64
from support.sftp_servers import own_server

BROKEN = (EOFError, OSError, paramiko.SSHException)
PRIVATE, PUBLIC = fresh_key()


def key(pem: bytes = PRIVATE) -> paramiko.PKey:
    return paramiko.Ed25519Key(file_obj=io.StringIO(pem.decode()))


@contextmanager
def link(box: StandIn, pem: bytes = PRIVATE) -> Iterator[paramiko.Transport]:
    """A logged-in SSH connection to `box`."""
    transport = paramiko.Transport(socket.create_connection((box.address, box.port), 10))
    with closing(transport):
        transport.start_client(timeout=10)
        transport.auth_publickey("copykeeper", key(pem))
        yield transport
    transport.join(10)


@contextmanager
def client(box: StandIn) -> Iterator[paramiko.SFTPClient]:
    with link(box) as transport:
        sftp = paramiko.SFTPClient.from_transport(transport)
        assert sftp is not None
        sftp.get_channel().settimeout(10)
        with closing(sftp):
            yield sftp


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "far").mkdir()
    return tmp_path / "far"


@pytest.fixture
def box(folder: Path) -> Iterator[StandIn]:
    with StandIn(str(folder), PUBLIC) as found:
        yield found


@pytest.fixture
def faulty(folder: Path) -> Iterator[FaultyBox]:
    with FaultyBox(str(folder), PUBLIC) as found:
        yield found


# ---- coming in


def test_host_key_is_the_one_the_box_names(box: StandIn) -> None:
    with link(box) as transport:
        shown = transport.get_remote_server_key()
        assert box.host_key_line == f"{shown.get_name()} {shown.get_base64()}"


def test_every_box_has_a_host_key_of_its_own(box: StandIn, folder: Path) -> None:
    with StandIn(str(folder), PUBLIC) as other:
        assert other.host_key_line != box.host_key_line
        assert other.port != box.port


def test_another_key_is_not_let_in(box: StandIn) -> None:
    with pytest.raises(paramiko.AuthenticationException), link(box, fresh_key()[0]):
        pass


def test_password_is_refused_and_not_offered(box: StandIn) -> None:
    with closing(paramiko.Transport((box.address, box.port))) as transport:
        transport.start_client(timeout=10)
        with pytest.raises(paramiko.BadAuthenticationType) as refusal:
            transport.auth_password("copykeeper", "secret")
        assert refusal.value.allowed_types == ["publickey"]
    transport.join(10)


def test_nothing_but_sftp_can_be_started(box: StandIn) -> None:
    with link(box) as transport:
        for start in (lambda one: one.exec_command("id"), lambda one: one.invoke_shell()):
            channel = transport.open_session(timeout=10)
            with pytest.raises(paramiko.SSHException):
                start(channel)
        with pytest.raises(paramiko.ChannelException):
            transport.open_channel("direct-tcpip", ("127.0.0.1", 9), ("127.0.0.1", 9), timeout=10)


# ---- its folder


def test_paths_and_links_do_not_lead_out_of_the_folder(folder: Path, box: StandIn) -> None:
    outside = folder.parent / "outside"
    outside.mkdir()
    (outside / "secret").write_bytes(b"secret")
    (folder / "up").symlink_to("../outside/secret")
    (folder / "whole").symlink_to(str(outside))
    (folder / "climb").symlink_to("../../../../../../../../" + str(outside / "secret"))
    with client(box) as sftp:
        for path in (
            "../outside/secret",
            "/../outside/secret",
            str(outside / "secret"),
            "up",
            "whole/secret",
            "climb",
            "up/../../outside/secret",
        ):
            with pytest.raises(FileNotFoundError):
                sftp.open(path)
            with pytest.raises(FileNotFoundError):
                sftp.stat(path)
        with pytest.raises(FileNotFoundError):
            sftp.open("whole/new", "w")
        with pytest.raises(FileNotFoundError):
            sftp.listdir("whole")
        assert sftp.normalize("/../..") == "/"
        assert sorted(sftp.listdir("/..")) == ["climb", "up", "whole"]
    assert os.listdir(outside) == ["secret"]
    assert (outside / "secret").read_bytes() == b"secret"


def test_absolute_links_start_at_the_folder(folder: Path, box: StandIn) -> None:
    (folder / "a" / "b").mkdir(parents=True)
    (folder / "a" / "b" / "f").write_bytes(b"inside")
    (folder / "link").symlink_to("/a/b")
    (folder / "a" / "back").symlink_to("../../../link/f")
    with client(box) as sftp:
        assert sftp.open("link/f").read() == b"inside"
        assert sftp.open("a/back").read() == b"inside"
        assert sftp.normalize("link/f") == "/a/b/f"


def test_no_handle_is_left_open_by_paths_that_fail(folder: Path, box: StandIn) -> None:
    (folder / "loop").symlink_to("loop")
    (folder / "a" / "b").mkdir(parents=True)
    with client(box) as sftp:
        sftp.listdir("a")
        before = len(os.listdir("/proc/self/fd"))
        for path in ("loop/x", "a/b/none/x", "a/b/none", "a/../../a/b/c/d"):
            with pytest.raises(FileNotFoundError):
                sftp.stat(path)
        assert len(os.listdir("/proc/self/fd")) == before


def test_a_whole_file_goes_there_and_comes_back(folder: Path, box: StandIn) -> None:
    content = os.urandom(3_000_001)
    with client(box) as sftp:
        sftp.putfo(io.BytesIO(content), "/f")
        assert (folder / "f").read_bytes() == content
        back = io.BytesIO()
        sftp.getfo("/f", back)
        assert back.getvalue() == content


def test_many_connections_and_channels_at_once(folder: Path, faulty: FaultyBox) -> None:
    problems: list[BaseException] = []

    def work(transport: paramiko.Transport, name: str) -> None:
        try:
            sftp = paramiko.SFTPClient.from_transport(transport)
            assert sftp is not None
            with closing(sftp):
                for number in range(20):
                    sftp.putfo(io.BytesIO(f"{name} {number}".encode()), f"{name}-{number}")
        except BROKEN as problem:
            problems.append(problem)

    with ExitStack() as stack:
        links = [stack.enter_context(link(faulty)) for _ in range(3)]
        assert faulty.connections == 3
        threads = [
            threading.Thread(target=work, args=(one, f"{place}-{channel}"))
            for place, one in enumerate(links)
            for channel in range(3)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(30)
    assert problems == []
    assert len(os.listdir(folder)) == 9 * 20
    assert (folder / "2-1-7").read_text() == "2-1 7"


# ---- what it offers


def test_extension_that_is_switched_off_is_neither_listed_nor_answered(folder: Path) -> None:
    with FaultyBox(str(folder), PUBLIC, offers=Offers.none()) as box, client(box) as sftp:
        sftp.putfo(io.BytesIO(b"x"), "a")
        with pytest.raises(OSError, match="Operation unsupported"):
            sftp.posix_rename("a", "b")
        sftp.rename("a", "b")
    assert Offers.none().versions() == {}
    assert b"copy-data" not in Offers(copy_data=False).versions()


# ---- faults


def test_connection_is_cut_at_the_named_request_and_the_next_one_works(folder: Path) -> None:
    with FaultyBox(str(folder), PUBLIC, faults=Faults(cut_after=5)) as box:
        with client(box) as sftp:
            for _ in range(4):
                sftp.stat("/")
            with pytest.raises(BROKEN):
                sftp.stat("/")
        with client(box) as sftp:
            for _ in range(20):
                sftp.stat("/")


def test_silent_box_gives_no_answer(folder: Path) -> None:
    with FaultyBox(str(folder), PUBLIC, faults=Faults(silent_after=2)) as box, client(box) as sftp:
        sftp.get_channel().settimeout(0.3)
        sftp.stat("/")
        with pytest.raises(TimeoutError):
            sftp.stat("/")


def test_full_disk_refuses_what_goes_beyond(folder: Path) -> None:
    full = Faults(full_after=100_000)
    with FaultyBox(str(folder), PUBLIC, faults=full) as box, client(box) as sftp, sftp.open("f", "w") as file:
        file.write(bytes(90_000))
        with pytest.raises(OSError, match="Failure"):
            file.write(bytes(20_000))
        box.misbehave(Faults())
        file.write(bytes(20_000))
    assert (folder / "f").stat().st_size >= 110_000


def test_read_only_box_denies_changes(folder: Path) -> None:
    with FaultyBox(str(folder), PUBLIC, faults=Faults(read_only=True)) as box, client(box) as sftp:
        for change in (lambda: sftp.mkdir("a"), lambda: sftp.open("a", "w"), lambda: sftp.symlink("a", "b")):
            with pytest.raises(PermissionError):
                change()
    assert os.listdir(folder) == []


def test_lies_denials_and_wrong_bytes(folder: Path, faulty: FaultyBox) -> None:
    (folder / "good").write_bytes(b"abc")
    (folder / "rotten").write_bytes(b"abc")
    faulty.misbehave(
        Faults(
            lying_names=(b"../x", b"/etc/x"),
            spoiled=(b"rotten",),
            denied=(b"private",),
            refuse_symlink=True,
        )
    )
    with client(faulty) as sftp:
        assert {"../x", "/etc/x", "good"} <= set(sftp.listdir("/"))
        assert sftp.open("good").read() == b"abc"
        assert sftp.open("rotten").read() == b"`bc"
        with pytest.raises(PermissionError):
            sftp.open("private", "w")
        with pytest.raises(PermissionError):
            sftp.symlink("a", "b")


def test_disk_is_as_full_as_the_faults_say_for_copies_on_the_far_side_too(folder: Path) -> None:
    (folder / "a").write_bytes(bytes(50_000))
    ours, theirs = socket.socketpair()
    faults = Faults(free_bytes=40_960_000, full_after=30_000)
    with own_server(folder, theirs, faults=faults), ours:
        sftp = RawSftp(ours)
        sftp.greet()
        answer = sftp.extended(b"statvfs@openssh.com", text(b"/"))
        _, fragment, _, free, available = struct.unpack_from(">5Q", answer.body)
        assert free == available == 40_960_000 // fragment
        source, target = sftp.opened(b"a", FLAG_READ), sftp.opened(b"b", FLAG_WRITE | FLAG_CREAT)
        assert sftp.extended(b"copy-data", source, u64(0), u64(20_000), target, u64(0)).status == 0
        assert sftp.extended(b"copy-data", source, u64(0), u64(20_000), target, u64(20_000)).status == 4


def test_delay_holds_answers_back(folder: Path) -> None:
    with FaultyBox(str(folder), PUBLIC, faults=Faults(delay_s=0.1)) as box, client(box) as sftp:
        began = time.monotonic()
        for _ in range(3):
            sftp.stat("/")
        assert 0.3 <= time.monotonic() - began < 3


# ---- going and coming back


def test_killed_box_breaks_connections_and_comes_back_as_itself(folder: Path, faulty: FaultyBox) -> None:
    port, shown = faulty.port, faulty.host_key_line
    with client(faulty) as sftp:
        sftp.stat("/")
        faulty.kill()
        assert faulty.connections == 0
        with pytest.raises(BROKEN):
            sftp.stat("/")
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection((faulty.address, port), 1)
    faulty.restart()
    assert (faulty.port, faulty.host_key_line) == (port, shown)
    with client(faulty) as sftp:
        sftp.stat("/")
    faulty.restart(new_host_key=True)
    assert (faulty.port, faulty.host_key_line != shown) == (port, True)


def test_dropped_connection_leaves_the_box_listening(box: StandIn) -> None:
    with client(box) as sftp:
        box.drop()
        with pytest.raises(BROKEN):
            sftp.stat("/")
    with client(box) as sftp:
        sftp.stat("/")


def test_nothing_is_left_behind_even_with_clients_in_the_middle_of_something(folder: Path) -> None:
    threads, handles = set(threading.enumerate()), len(os.listdir("/proc/self/fd"))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with ExitStack() as stack:
            box = StandIn(str(folder), PUBLIC)
            with box:
                sftp = stack.enter_context(client(box))
                file = sftp.open("f", "w")
                file.set_pipelined(True)
                for _ in range(50):
                    file.write(bytes(30_000))
                idle = socket.create_connection((box.address, box.port), 10)
                stack.enter_context(closing(idle))
            with pytest.raises(BROKEN):
                sftp.stat("f")
    assert {one for one in threading.enumerate() if one.is_alive()} <= threads
    assert len(os.listdir("/proc/self/fd")) == handles
