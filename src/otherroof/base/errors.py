"""The one root error of the house and its kinds.

Every kind carries what happened, where, and what to try next, so that the command line can print it once,
on one line, and leave with the exit code that belongs to it. Nothing here knows of any library's exceptions:
those are translated at the very call that can raise them.
"""

from __future__ import annotations

import os
import re

from otherroof.base.printable import escaped, one_line

EXIT_WELL = 0
EXIT_LOOK = 1
EXIT_WRONG_USE = 2
EXIT_UNREACHED = 3
EXIT_HELD = 4
EXIT_DAMAGED = 5
EXIT_INTERRUPTED = 130


PUT_SUDO = "put `sudo` before the command"


def with_sudo(advice: str) -> str:
    """What to do about a refused permission: for root `advice`; for anybody else the commonest mistake comes first."""
    return advice if os.geteuid() == 0 else PUT_SUDO


INSTALLED = "/etc/otherroof"  # where the settings of the service are
# Not `rehearse`, which needs no right, nor `serve`, which somebody else's supervisor starts.
_VERBS = (
    "check|pair|probe|run|release|stop|status|ledger|digest|page|quiet|alert-test|versions|files|changes|restore|prove|"
    "drill|thin|plan|landed|sheet"
)
_SYSTEMD = "start|stop|restart|edit|enable|disable"
_NEEDS_ROOT = re.compile(rf"(?<!sudo )(?<![\w/.-])(?=otherroof (?:{_VERBS})\b(?! *--help)|systemctl (?:{_SYSTEMD})\b)")


def typed(text: str, folder: str = INSTALLED) -> str:
    """Advice with its commands as a person has to type them if the settings are in `folder`: with `sudo` for those of
    the service, since keys and history belong to its account. Who keeps a folder of their own works as themselves."""
    return _NEEDS_ROOT.sub("sudo ", text) if folder == INSTALLED else text


def ended_by(problem: BaseException) -> str:
    """What to note of work that ended by something that is no error of this house."""
    if isinstance(problem, (KeyboardInterrupt, SystemExit)):
        return "stopped at once, by hand or by the system"
    return f"a fault in Otherroof itself ({type(problem).__name__})"


class OtherroofError(Exception):
    """Root of all errors that Otherroof raises on purpose.

    `what` says what happened, `where` names the file, address or job, `advice` what to do about it. What is said
    is made printable here, because a file name, a library or the far box may have put anything into it; `where` is kept
    as it is for whoever goes there, and made printable in the message.
    """

    exit_code = EXIT_LOOK
    usual_advice = ""

    def __init__(self, what: str, *, where: str = "", advice: str = "") -> None:
        # A library's words may have line breaks; a message is one line.
        self.what = one_line(what)
        self.where = where
        self.advice = one_line(advice or self.usual_advice)
        super().__init__(self.what)

    def __str__(self) -> str:
        line = f"{escaped(self.where)}: {self.what}" if self.where else self.what
        return f"{line}; {self.advice}" if self.advice else line


class WrongUse(OtherroofError):
    """The command was given something that cannot be."""

    exit_code = EXIT_WRONG_USE


class WrongSettings(OtherroofError):
    """The settings cannot be used as they are."""

    exit_code = EXIT_WRONG_USE
    usual_advice = "`otherroof check` lists every mistake"


class Unreached(OtherroofError):
    """The far box could not be reached, or stopped answering."""

    exit_code = EXIT_UNREACHED
    usual_advice = "`otherroof probe` shows how far the way goes"


class LinkLost(Unreached):
    """The connection was there and broke, or nothing came back within its time-out."""

    usual_advice = "what was sent is kept and used by the next run"


class HostKeyChanged(Unreached):
    """The machine that answers does not hold the pinned host key."""


class LoginRefused(Unreached):
    """The far box proved its host key but does not let our key in."""


class TunnelTrouble(Unreached):
    """The tunnel could not be brought up or taken down."""


class Held(OtherroofError):
    """The guard stopped a run before it sent anything."""

    exit_code = EXIT_HELD


class Damaged(OtherroofError):
    """What lies at the far end is not what a listing says."""

    exit_code = EXIT_DAMAGED


class Busy(OtherroofError):
    """Another process is at the same work."""


class HomeTrouble(OtherroofError):
    """Something on this machine: a disk, a permission, a command."""


class FarTrouble(OtherroofError):
    """The far box answers but cannot do what a copy needs: full, read-only, somebody else's folder."""


class Undelivered(OtherroofError):
    """A message was not taken by the channel that should carry it."""


class RunCut(OtherroofError):
    """A run was asked to stop and stopped cleanly; the next one goes on from there."""


class PlaceError(FarTrouble):
    """A place refused one request. The kinds below are those that callers act upon."""

    usual_advice = "`otherroof probe` tries to write there and says more"


class NotThere(PlaceError):
    """No such file or folder in the place."""


class Denied(PlaceError):
    """The place's permissions forbid it."""


class Refused(PlaceError):
    """The place said no without a reason (SFTP status 4): often the target exists, or the disk is full."""


class NotOffered(PlaceError):
    """The place does not know this kind of request."""
