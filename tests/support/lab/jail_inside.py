"""Run inside the jail as the last step before the program itself: loads the kernel's filters, then becomes the program.

A script of its own, so that it needs nothing but the interpreter: python jail_inside.py FILTERS.json PROGRAM ARG...
The filters are those that systemd would load for SystemCallFilter=, MemoryDenyWriteExecute= and
RestrictAddressFamilies= (systemd.exec(5)), by the same library, libseccomp.
"""

from __future__ import annotations

import ctypes
import errno
import json
import os
import sys

ALLOW, ERRNO = 0x7FFF0000, 0x00050000
EQUAL, MASKED_EQUAL = 4, 7
PROT_WRITE, PROT_EXEC, SHM_EXEC = 2, 4, 0o100000
FAMILIES = 46


class Compare(ctypes.Structure):
    """struct scmp_arg_cmp of seccomp.h."""

    _fields_ = (("arg", ctypes.c_uint), ("op", ctypes.c_int), ("a", ctypes.c_uint64), ("b", ctypes.c_uint64))


class Filter:
    """One filter; what no rule names gets the default."""

    def __init__(self, library: ctypes.CDLL, default: int) -> None:
        self._library = library
        self._handle = ctypes.c_void_p(library.seccomp_init(ctypes.c_uint32(default)))

    def rule(self, action: int, name: str, *compares: Compare) -> None:
        """What happens at system call `name` where all `compares` hold; a name this machine lacks is passed over."""
        number = self._library.seccomp_syscall_resolve_name(name.encode())
        if number < 0:
            return
        array = (Compare * len(compares))(*compares)
        code = self._library.seccomp_rule_add_array(
            self._handle, ctypes.c_uint32(action), number, len(compares), array if compares else None
        )
        if code:
            raise OSError(-code, f"the rule for {name} was refused")

    def load(self) -> None:
        """From now on it counts, for this process and all that it becomes or starts."""
        code = self._library.seccomp_load(self._handle)
        if code:
            raise OSError(-code, "the filter was refused")


def main() -> None:
    """Load all three filters and become the program."""
    with open(sys.argv[1], encoding="utf-8") as file:
        wanted = json.load(file)
    library = ctypes.CDLL("libseccomp.so.2")
    library.seccomp_init.restype = ctypes.c_void_p

    families = Filter(library, ALLOW)
    for family in set(range(FAMILIES)) - set(wanted["families"]):
        families.rule(ERRNO | errno.EAFNOSUPPORT, "socket", Compare(0, EQUAL, family, 0))
    memory = Filter(library, ALLOW)
    both = PROT_WRITE | PROT_EXEC
    memory.rule(ERRNO | errno.EPERM, "mmap", Compare(2, MASKED_EQUAL, both, both))
    for name in ("mprotect", "pkey_mprotect"):
        memory.rule(ERRNO | errno.EPERM, name, Compare(2, MASKED_EQUAL, PROT_EXEC, PROT_EXEC))
    memory.rule(ERRNO | errno.EPERM, "shmat", Compare(2, MASKED_EQUAL, SHM_EXEC, SHM_EXEC))
    calls = Filter(library, ERRNO | errno.EPERM)
    for name in wanted["calls"]:
        calls.rule(ALLOW, name)
    for one in (families, memory, calls):
        one.load()
    os.execv(sys.argv[2], sys.argv[2:])


main()
