"""What a thread may do beyond its account's rights (capabilities(7)), by the C library's calls, since Python has none.

Ground floor: it must not know why a capability is wanted. Imported only by whoever changes accounts, since `ctypes`
takes its time.
"""

from __future__ import annotations

import ctypes
import os
from functools import cache

# linux/capability.h
CHOWN, DAC_OVERRIDE, DAC_READ_SEARCH, FOWNER, FSETID = 0, 1, 2, 3, 4
NET_ADMIN, NET_RAW, SETFCAP = 12, 13, 31
_VERSION_3 = 0x20080522
_NOBODY = 0xFFFFFFFF  # the number that no account has
# linux/prctl.h
_SET_DUMPABLE, _SET_KEEPCAPS, _SET_NO_NEW_PRIVS, _CAP_AMBIENT, _AMBIENT_RAISE = 4, 8, 38, 47, 2

_libc = ctypes.CDLL(None, use_errno=True)


class _Header(ctypes.Structure):
    _fields_ = (("version", ctypes.c_uint32), ("pid", ctypes.c_int))


class _Sets(ctypes.Structure):
    _fields_ = (("effective", ctypes.c_uint32), ("permitted", ctypes.c_uint32), ("inheritable", ctypes.c_uint32))


_header = ctypes.byref(_Header(_VERSION_3, 0))  # 0: the calling thread
_libc.setfsuid.argtypes = _libc.setfsgid.argtypes = (ctypes.c_uint32,)


def mask(*capabilities: int) -> int:
    """These capabilities as the bits of one number."""
    return sum(1 << capability for capability in capabilities)


def permitted() -> int:
    """What the calling thread may make use of, as bits. Raises OSError."""
    sets = (_Sets * 2)()
    _check(_libc.capget(_header, sets))
    return int(sets[0].permitted) | int(sets[1].permitted) << 32


def hold(effective: int, may: int, inheritable: int) -> None:
    """Let the calling thread hold exactly these: in force, allowed (`may`), and for the programs it starts.

    Raises OSError.
    """
    _check(_libc.capset(_header, _sets(effective, may, inheritable)))


@cache
def _sets(effective: int, may: int, inheritable: int) -> ctypes.Array[_Sets]:
    # Kept, since a restore changes to and fro for every file, between two triples only.
    sets = (_Sets * 2)()
    for half in (0, 1):
        sets[half] = _Sets(*((bits >> 32 * half) & 0xFFFFFFFF for bits in (effective, may, inheritable)))
    return sets


def hand_on(bits: int) -> None:
    """Programs that are started have these in force, whatever account they run as. Raises OSError."""
    for capability in range(64):
        if bits >> capability & 1:
            _prctl(_CAP_AMBIENT, _AMBIENT_RAISE, capability)


def keep_over_change_of_account() -> None:
    """What is allowed stays so when the process becomes another account. Raises OSError."""
    _prctl(_SET_KEEPCAPS, 1)


def gain_nothing_by_programs() -> None:
    """No program that is started has more rights than this process, not even `sudo`. Raises OSError."""
    _prctl(_SET_NO_NEW_PRIVS, 1)


def hide_from_tracing() -> None:
    """No other process of the same account looks into this one's memory or open files. Raises OSError."""
    _prctl(_SET_DUMPABLE, 0)


def files_as(uid: int, gid: int) -> None:
    """The calling thread, and no other, uses files as this account and group (setfsuid(2)). Raises OSError."""
    # Neither call says whether it worked; each answers what was before. An impossible number changes nothing.
    _libc.setfsgid(gid)
    _libc.setfsuid(uid)
    if (_libc.setfsuid(_NOBODY), _libc.setfsgid(_NOBODY)) != (uid, gid):
        raise PermissionError(1, "Operation not permitted")


def _prctl(option: int, first: int, second: int = 0) -> None:
    _check(_libc.prctl(option, *(ctypes.c_ulong(word) for word in (first, second, 0, 0))))


def _check(result: int) -> None:
    if result != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))
