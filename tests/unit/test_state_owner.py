"""Whom root becomes for a state folder, and how root opens what lies in others' folders."""

from __future__ import annotations

import os
import stat
import threading
import traceback
from collections.abc import Callable
from pathlib import Path

import pytest

from otherroof.base import accounts
from otherroof.base.accounts import Account, account_of
from otherroof.base.atomic_file import create_file, make_own_folder, replace_file
from otherroof.base.clock import SystemClock
from otherroof.base.errors import HomeTrouble, WrongSettings
from otherroof.base.handles import Passed, WayThere, open_folder, read_plain_file, way_to
from otherroof.base.locks import FileLock, LockNote
from otherroof.system.state_owner import owner_for

FOLDER, LINK = stat.S_IFDIR | 0o755, stat.S_IFLNK | 0o777
ROOTS, KIM, SERVICE = 0, 1001, 64123

only_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can be led astray")


def way(*owners: int, missing: tuple[str, ...] = (), modes: tuple[int, ...] = ()) -> WayThere:
    """A way through folders of these owners."""
    given = [*modes, *[FOLDER] * (len(owners) - len(modes))]
    passed = [
        Passed(f"/{number}", uid, uid, mode) for number, (uid, mode) in enumerate(zip(owners, given, strict=True))
    ]
    return WayThere(tuple(passed), missing)


@pytest.mark.parametrize(
    ("leads", "uid"),
    [
        (way(ROOTS, ROOTS), None),
        (way(ROOTS, SERVICE), SERVICE),
        (way(ROOTS, KIM, SERVICE), SERVICE),
        (way(ROOTS, ROOTS, missing=("otherroof", "state")), None),
        (way(ROOTS, KIM, missing=("state",)), KIM),
        (way(ROOTS, ROOTS, ROOTS, modes=(FOLDER, stat.S_IFDIR | 0o1777)), None),
        (way(ROOTS, ROOTS, SERVICE, modes=(FOLDER, LINK)), SERVICE),
    ],
)
def test_root_becomes_whoever_decides_what_lies_there(leads: WayThere, uid: int | None) -> None:
    owner = owner_for(leads)
    assert (owner.uid if owner is not None else None) == uid


@pytest.mark.parametrize(
    ("leads", "who"),
    [
        (way(ROOTS, KIM, ROOTS), "account 1001"),
        (way(ROOTS, KIM, ROOTS, missing=("state",)), "account 1001"),
        (way(ROOTS, KIM, ROOTS, modes=(FOLDER, LINK)), "account 1001"),
        (way(ROOTS, ROOTS, ROOTS, modes=(FOLDER, stat.S_IFDIR | 0o777)), "anybody"),
    ],
)
def test_a_folder_of_roots_in_anothers_is_refused(leads: WayThere, who: str) -> None:
    with pytest.raises(
        WrongSettings, match=f"^/2(/state)?: is root's, but below /1 {who} can put another in its place"
    ):
        owner_for(leads)


def test_an_account_without_a_name_is_never_in_roots_group() -> None:
    assert account_of(SERVICE, 0) == Account(SERVICE, SERVICE, (SERVICE,))
    assert account_of(SERVICE, 64999) == Account(SERVICE, 64999, (64999,))


def test_the_way_leads_through_links_and_ends_at_what_is_missing(tmp_path: Path) -> None:
    (tmp_path / "real" / "state").mkdir(parents=True)
    (tmp_path / "link").symlink_to("real/../real")
    (tmp_path / "far").symlink_to(tmp_path / "link")
    found = way_to(str(tmp_path / "far" / "state"))
    assert found.missing == ()
    assert found.passed[-1].path == str(tmp_path / "real" / "state")
    assert [passed.path for passed in found.passed if passed.is_link] == [str(tmp_path / "far"), str(tmp_path / "link")]
    found = way_to(str(tmp_path / "far" / "new" / "state"))
    assert (found.passed[-1].path, found.missing) == (str(tmp_path / "real"), ("new", "state"))


def test_a_way_in_a_circle_or_through_a_file_has_an_end(tmp_path: Path) -> None:
    (tmp_path / "circle").symlink_to("circle")
    (tmp_path / "file").write_text("")
    before = os.listdir("/proc/self/fd")
    for name in ("circle", "file", "file/state"):
        with pytest.raises(OSError, match=r"too many links|is not a folder"):
            way_to(str(tmp_path / name))
    assert os.listdir("/proc/self/fd") == before


@pytest.fixture
def others(tmp_path: Path) -> Path:
    """A folder of another account, with a link to one of root's."""
    folder = tmp_path / "others"
    folder.mkdir()
    (tmp_path / "roots").mkdir()
    (folder / "link").symlink_to(tmp_path / "roots")
    os.chown(folder, SERVICE, SERVICE)
    os.chown(folder / "link", SERVICE, SERVICE, follow_symlinks=False)
    return folder


@only_root
def test_root_follows_no_link_of_others_but_its_own(others: Path, tmp_path: Path) -> None:
    before = os.listdir("/proc/self/fd")
    for path in (others / "link", others / "link" / "below"):
        with pytest.raises(OSError, match="is another account's link, which root does not follow"):
            open_folder(str(path), make=0o700)
    with pytest.raises(HomeTrouble, match="another account's link"):
        replace_file(str(others / "link" / "file"), "text")
    assert os.listdir("/proc/self/fd") == before
    assert os.listdir(tmp_path / "roots") == []
    os.chown(others / "link", 0, 0, follow_symlinks=False)  # still in a folder where another can put its own
    with pytest.raises(OSError, match="another account's link"):
        open_folder(str(others / "link"))
    (tmp_path / "own").symlink_to(others)
    os.close(open_folder(str(tmp_path / "own" / "new"), make=0o700))
    assert (others / "new").is_dir()


@only_root
def test_a_folder_that_is_swapped_meanwhile_gets_nothing_of_roots(
    others: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between the making of the spare file and all that follows."""
    state = others / "state"
    make_own_folder(str(state))
    assert state.stat().st_uid == SERVICE
    (tmp_path / "roots" / "notes").write_text("keep me")
    sync, swapped = os.fsync, list[int]()

    def swap(handle: int) -> None:
        if not swapped:
            swapped.append(handle)
            state.rename(others / "aside")
            state.symlink_to(tmp_path / "roots")
        sync(handle)

    monkeypatch.setattr(os, "fsync", swap)
    replace_file(str(state / "notes"), "new", own=True)
    assert swapped
    assert (tmp_path / "roots" / "notes").read_text() == "keep me"
    assert os.listdir(tmp_path / "roots") == ["notes"]
    made = others / "aside" / "notes"
    assert (made.read_text(), made.stat().st_uid) == ("new", SERVICE)


@only_root
def test_the_owner_of_what_is_replaced_is_not_taken_from_where_a_link_leads(others: Path, tmp_path: Path) -> None:
    (tmp_path / "roots" / "file").write_text("keep me")
    os.chown(tmp_path / "roots" / "file", KIM, KIM)
    (others / "key").symlink_to(tmp_path / "roots" / "file")
    os.chown(others / "key", SERVICE, SERVICE, follow_symlinks=False)
    replace_file(str(others / "key"), "secret", 0o600)
    assert (others / "key").lstat().st_uid == SERVICE
    assert not create_file(str(others / "key"), "other")
    assert (tmp_path / "roots" / "file").read_text() == "keep me"


def test_a_pipe_is_neither_read_nor_locked(tmp_path: Path) -> None:
    """Nobody ever writes into it: whoever opened it as a file would wait without end."""
    os.mkfifo(tmp_path / "pipe")
    before = os.listdir("/proc/self/fd")
    with pytest.raises(OSError, match="it is not a file"):
        read_plain_file(str(tmp_path / "pipe"))
    with pytest.raises(HomeTrouble, match="cannot be locked: it is not a file"):
        FileLock(str(tmp_path / "pipe"), SystemClock(), LockNote("", "here", "")).hold()
    assert os.listdir("/proc/self/fd") == before
    (tmp_path / "file").write_bytes(b"content")
    assert read_plain_file(str(tmp_path / "file"), 4) == b"cont"


def in_a_child(work: Callable[[], None]) -> None:
    """Call `work` in a child of this process, which may become what it will. Fails if it raises."""
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            work()
            code = 0
        finally:
            if code:
                traceback.print_exc()
            os._exit(code)  # which fails the test below
    assert os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == 0


@only_root
def test_lent_rights_are_for_one_thread_and_only_inside(tmp_path: Path) -> None:
    closed = tmp_path / "closed"
    closed.mkdir(0o700)
    (closed / "secret").write_text("for root")
    (closed / "secret").chmod(0o600)

    def can_write() -> bool:
        try:
            os.close(os.open(closed / "secret", os.O_WRONLY))
        except PermissionError:
            return False
        return True

    def work() -> None:
        accounts.become(Account(SERVICE, SERVICE, ()), lend_root=True)
        assert accounts.may_act_as_root()
        assert (closed / "secret").read_text() == "for root", "reading is granted, as to the service"
        assert not can_write()
        other, inside = list[tuple[bool, bool]](), threading.Event()
        thread = threading.Thread(
            target=lambda: inside.wait(20) and other.append((can_write(), accounts.acts_as_root()))
        )
        thread.start()
        with accounts.as_root():
            assert accounts.acts_as_root()
            assert can_write()
            with accounts.as_root():
                pass
            assert can_write(), "the inner one leaves the outer one alone"
            inside.set()
            thread.join(20)
            os.chown(closed / "secret", KIM, KIM)
        assert not can_write()
        assert (closed / "secret").read_text() == "for root"
        assert other == [(False, False)], "another thread has none of it"

    in_a_child(work)
    assert (closed / "secret").stat().st_uid == KIM


@only_root
def test_without_lent_rights_there_is_no_way_back() -> None:
    def work() -> None:
        accounts.become(Account(SERVICE, SERVICE, ()))
        assert not accounts.may_act_as_root()
        with accounts.as_root():
            assert not accounts.acts_as_root()
        for back in (os.setuid, os.seteuid, os.setgid):
            with pytest.raises(PermissionError):
                back(0)
        assert os.getresuid() == os.getresgid() == (SERVICE,) * 3
        assert os.getgroups() == []

    in_a_child(work)
