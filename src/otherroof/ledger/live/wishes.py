"""What people wish of runs, left where the service and the runs themselves look: that one begins, that one stops.

No signal and no port: who may write into the state folder may wish, and nobody else. A wish for a run stands until a
service has begun it or somebody takes it back, also over a restart. A wish to stop names the one run that it means, so
one that came too late stops no other.
"""

from __future__ import annotations

import json
import os
import secrets
from dataclasses import dataclass
from datetime import datetime

from otherroof.base.atomic_file import FOR_OWNER, create_file, make_own_folder, replace_file
from otherroof.base.clock import from_stamp, stamp
from otherroof.base.errors import HomeTrouble
from otherroof.base.printable import escaped
from otherroof.ledger.live.live_run import exit_code_of
from otherroof.ledger.live.small_file import NOT_OURS, read_small, remove_small

FOLDER = "wishes"
_RUN, _STOP, _ANSWER = ".run", ".stop", ".answer"  # no job's name has a dot in it


@dataclass(frozen=True, slots=True)
class RunWish:
    """Somebody wants a run of `job` now; with `reread` every file is read again. `token` is this wish's alone."""

    job: str
    token: str
    at: datetime
    reread: bool = False


@dataclass(frozen=True, slots=True)
class WishAnswer:
    """Why the wish with this token came to no run: the error's line, and its exit code."""

    token: str
    said: str
    exit_code: int


class Wishes:
    """The wishes that stand in one state folder. Safe for several processes."""

    def __init__(self, state: str) -> None:
        self._folder = os.path.join(state, FOLDER)

    def mark(self) -> frozenset[tuple[str, int]]:
        """Another value as soon as a wish for a run came or went. Raises HomeTrouble."""
        try:
            with os.scandir(self._folder) as found:
                return frozenset((one.name, one.inode()) for one in found if one.name.endswith(_RUN))
        except FileNotFoundError:
            return frozenset()
        except OSError as problem:
            raise HomeTrouble(f"cannot be looked at: {problem.strerror}", where=self._folder) from problem

    def ask_run(self, job: str, now: datetime, *, reread: bool = False) -> RunWish:
        """Wish a run of `job`. If one is wished already it is that one which is given back. Raises HomeTrouble."""
        make_own_folder(self._folder)
        wish = RunWish(job, secrets.token_hex(8), now, reread)
        text = json.dumps({"token": wish.token, "at": stamp(now), "reread": reread})
        # Kept over a power cut, and never in place of another's wish: two terminals may ask at once.
        while not create_file(self._path(job, _RUN), text, what="the wish for a run"):
            if (standing := self.run_wish(job)) is not None:
                return standing
        return wish

    def run_wish(self, job: str) -> RunWish | None:
        """The run of `job` that is wished; None if none is. What is no wish of ours is removed. Raises HomeTrouble."""
        text = read_small(self._path(job, _RUN))
        if text is None:
            return None
        try:
            parts = json.loads(text)
            return RunWish(job, str(parts["token"]), from_stamp(parts["at"]), parts["reread"] is True)
        except NOT_OURS:
            remove_small(self._path(job, _RUN))
            return None

    def take_back(self, job: str) -> bool:
        """No run of `job` is wished any more; False if none was. Raises HomeTrouble."""
        return remove_small(self._path(job, _RUN))

    def ask_stop(self, job: str, token: str) -> None:
        """Wish that the run with this token stops. Raises HomeTrouble."""
        make_own_folder(self._folder)
        # Two terminals may ask at once: each writes aside under a name of its own.
        replace_file(self._path(job, _STOP), token, FOR_OWNER, what="the wish to stop")

    def is_stop_asked(self, job: str, token: str) -> bool:
        """Whether the run with this token is to stop. Raises HomeTrouble."""
        return read_small(self._path(job, _STOP)) == token.encode()

    def drop_stop(self, job: str) -> None:
        """The run that was to stop has ended. Raises HomeTrouble."""
        remove_small(self._path(job, _STOP))

    def note_answer(self, job: str, answer: WishAnswer) -> None:
        """A wish came to no run. Raises HomeTrouble."""
        make_own_folder(self._folder)
        parts = {"token": answer.token, "said": answer.said, "exit_code": answer.exit_code}
        replace_file(self._path(job, _ANSWER), json.dumps(parts), FOR_OWNER, what="the answer to a wish")

    def answer(self, job: str, token: str) -> WishAnswer | None:
        """Why the wish with this token came to no run; None if that is not known. Raises HomeTrouble."""
        text = read_small(self._path(job, _ANSWER))
        try:
            parts = json.loads(text or b"null")
            if parts is None or parts["token"] != token:
                return None
            return WishAnswer(token, escaped(str(parts["said"])), exit_code_of(parts["exit_code"]))
        except NOT_OURS:
            return None

    def _path(self, job: str, ending: str) -> str:
        return os.path.join(self._folder, job + ending)
