"""Lets a process of root's become the account that a folder belongs to, with no more rights than the service has there.

Whoever owns a folder can put anything in place of what lies in it, at any moment; root would follow. So root does not
work there at all. Ground floor: it must not know which folder that is, nor what is done as that account.
"""

from __future__ import annotations

import os
import pwd
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from otherroof.base.errors import HomeTrouble

ROOT = 0
# Of root's environment what would lead a program of the account to root's own folders; the service has none of it.
ROOTS_PLACES = ("TMPDIR", "TEMP", "TMP", "XDG_RUNTIME_DIR", "XDG_CONFIG_HOME", "XDG_CACHE_HOME", "XDG_DATA_HOME")


@dataclass(frozen=True, slots=True)
class Account:
    """An account by its number, its group, and all groups it is in; name and home are empty if it has none."""

    uid: int
    gid: int
    groups: tuple[int, ...]
    name: str = ""
    home: str = ""


def account_of(uid: int, gid: int) -> Account:
    """The account with this number; if the machine has no name for it, it is in group `gid` alone."""
    try:
        entry = pwd.getpwuid(uid)
    except KeyError:
        # Never root's group: a folder may have been given to an account and left to root's group by mistake.
        group = gid or uid
        return Account(uid, group, (group,))
    groups = tuple(os.getgrouplist(entry.pw_name, entry.pw_gid))
    return Account(uid, entry.pw_gid, groups, entry.pw_name, entry.pw_dir)


@dataclass(frozen=True, slots=True)
class _Lent:
    """Root's rights over files, which a process that became another account may still use in places (`as_root`)."""

    account: Account
    kept: int
    lent: int


_lent: _Lent | None = None
_here = threading.local()


def become(account: Account, *, lend_root: bool = False) -> None:
    """Be this account from now on, with what the service's unit grants, as far as root has it here: read every file,
    change the network. The same goes for every program that is started.

    With `lend_root` a way back stays for `as_root`; without it there is none. To be called before there are further
    threads. Raises HomeTrouble if this process may not do so.
    """
    from otherroof.base import capabilities as caps

    global _lent  # noqa: PLW0603 - the account of a process is one for the whole process
    kept = caps.mask(caps.DAC_READ_SEARCH, caps.NET_ADMIN, caps.NET_RAW)
    lent = caps.mask(caps.CHOWN, caps.DAC_OVERRIDE, caps.FOWNER, caps.FSETID, caps.SETFCAP) if lend_root else 0
    try:
        kept, lent = kept & caps.permitted(), lent & caps.permitted()
        caps.gain_nothing_by_programs()
        caps.keep_over_change_of_account()
        # In this order: whoever gave up the account first could not change its groups any more. The saved numbers are
        # the way back; a program that is started does not have them (execve(2)).
        os.setgroups(account.groups)
        os.setresgid(account.gid, account.gid, ROOT if lend_root else account.gid)
        os.setresuid(account.uid, account.uid, ROOT if lend_root else account.uid)
        caps.hold(kept, kept | lent, kept)
        caps.hand_on(kept)
        # Else another process of that account could take this one over, and with it what it may do beyond.
        caps.hide_from_tracing()
    except OSError as problem:
        raise HomeTrouble(
            f"root cannot become account {account.uid}, which the folder belongs to: {problem.strerror}",
            advice="run this as that account, or as root outside of a container",
        ) from problem
    _lent = _Lent(account, kept, lent) if lend_root else None
    _leave_roots_places(account)


def _leave_roots_places(account: Account) -> None:
    for name in ROOTS_PLACES:
        os.environ.pop(name, None)
    name = account.name or str(account.uid)
    os.environ.update({"HOME": account.home or "/", "USER": name, "LOGNAME": name})


def acts_as_root() -> bool:
    """Whether the calling thread uses files as root now."""
    return getattr(_here, "as_root", False) or os.geteuid() == ROOT


def may_act_as_root() -> bool:
    """Whether files can be given owners here: by root, or with rights that root has lent."""
    return _lent is not None or os.geteuid() == ROOT


@contextmanager
def as_root() -> Iterator[None]:
    """While inside, the calling thread, and no other, uses files as root, if root has lent its rights to this process.
    Else nothing changes.

    Only for what a person named: where a restore goes to, the file that a report is written into; and there by
    handles, following no link that another account could have put there.
    """
    lent = _lent
    if lent is None or acts_as_root():
        yield
        return
    from otherroof.base import capabilities as caps

    # By the kernel's own rule it is the file rights of one thread that change (setfsuid(2)): threads that tend the
    # tunnel, and its files, meanwhile go on as the account.
    may = lent.kept | lent.lent
    _here.as_root = True
    try:
        caps.files_as(ROOT, ROOT)
        caps.hold(may, may, lent.kept)
        yield
    finally:
        caps.files_as(lent.account.uid, lent.account.gid)
        caps.hold(lent.kept, may, lent.kept)
        _here.as_root = False
