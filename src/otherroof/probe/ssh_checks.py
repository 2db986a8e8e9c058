"""The SSH rungs of the ladder: from a TCP connection to a file written at the far box and the time on it.

They follow the rungs of `network_checks`. Each step of a login is a rung of its own, so that a refused connection, a
silent one, another host key and a refused login are told apart. Nothing of a copy is touched.
"""

from __future__ import annotations

import contextlib
import socket
from types import TracebackType
from typing import Self, TypeVar

import paramiko

from otherroof.base.clock import Clock
from otherroof.base.errors import HostKeyChanged, LinkLost
from otherroof.base.units import span_text
from otherroof.far import requests
from otherroof.far.clock_offset import ClockOffset
from otherroof.far.place import Meter, PlaceOffers, Task, TaskResult
from otherroof.far.session import Session, SshTarget, connect, log_in, negotiate, prove_host_key, read_login_key
from otherroof.far.sftp.channel import SftpChannel, TaskFeed
from otherroof.far.trial_file import TrialResult, write_trial_file
from otherroof.far.trouble import room_text, trouble_in
from otherroof.probe.ladder import Rung, RungFinding, not_ok, not_tried, ok
from otherroof.probe.rung_names import BASE, CLOCK, HOST_KEY, LOGIN, OFFERS, SPEAKS

ANSWER_S = 15.0
TIGHT = 0.01  # below this share of free bytes or free file entries a copy will soon fail

T = TypeVar("T")


class SshRungs:
    """The rungs for one far box, with the connection that they share. Close it, or use it as a context manager."""

    def __init__(self, target: SshTarget, base: str, clock: Clock) -> None:
        self._target = target
        self._base = base
        self._clock = clock
        self._sock: socket.socket | None = None
        self._transport: paramiko.Transport | None = None
        self._channel: SftpChannel | None = None
        self._other_kind: HostKeyChanged | None = None
        self._trial = TrialResult()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def space(self) -> requests.Space | None:
        """The room that was found at the far box, if it was."""
        return self._trial.space

    def ladder(self) -> list[Rung]:
        """The rungs in order. A failure after the login only asks for a look (exit code 1): the far box was reached."""
        return [
            Rung(SPEAKS, 2 * ANSWER_S, self._speaks),
            Rung(HOST_KEY, 5, self._host_key),
            Rung(LOGIN, ANSWER_S, self._login),
            Rung(OFFERS, 2 * ANSWER_S, self._offers, must=False),
            Rung(BASE, 4 * ANSWER_S, self._writes, must=False),
            Rung(CLOCK, 5, self._clocks, must=False),
        ]

    def close(self) -> None:
        """Hang up."""
        with contextlib.suppress(OSError, EOFError):
            if self._transport is not None:
                self._transport.close()
        if self._sock is not None:
            self._sock.close()

    def _speaks(self, limit_s: float) -> RungFinding:
        self._sock = connect(self._target)
        try:
            self._transport = negotiate(self._target, self._sock, Meter())
        except HostKeyChanged as problem:
            self._other_kind = problem  # it speaks SSH; a wrong key kind is the next rung's business
            return ok(f"{self._target.shown_as} speaks SSH")
        return ok(f"{self._target.shown_as} speaks SSH ({self._transport.remote_version})")

    def _host_key(self, limit_s: float) -> RungFinding:
        if self._other_kind is not None:
            raise self._other_kind
        assert self._transport is not None
        prove_host_key(self._target, self._transport)
        return ok(f"the pinned one ({self._transport.get_remote_server_key().fingerprint})")

    def _login(self, limit_s: float) -> RungFinding:
        assert self._transport is not None
        log_in(self._target, self._transport, read_login_key(self._target.key_path))
        return ok(f"as {self._target.account!r}")

    def _offers(self, limit_s: float) -> RungFinding:
        assert self._transport is not None
        assert self._sock is not None
        session = Session(self._target, self._transport, self._sock)
        base = self._base.encode("utf-8", "surrogateescape").rstrip(b"/") + b"/"
        self._channel = SftpChannel(session, base, Meter())
        return offers_finding(self._channel.offers)

    def _writes(self, limit_s: float) -> RungFinding:
        if self._channel is None:
            return not_tried("there is no SFTP to look with")
        self._trial = _perform(self._channel, write_trial_file(self._clock, self._channel.offers.space))
        return base_finding(self._base, self._trial)

    def _clocks(self, limit_s: float) -> RungFinding:
        offset = self._trial.offset
        return clock_finding(offset) if offset else not_tried("no file could be written there, and its time would tell")


def offers_finding(offers: PlaceOffers) -> RungFinding:
    """Which quicker or safer ways the far box offers, and what is done if it does not."""
    ways = {
        "copying inside the far box": (offers.copy_range, "a large file that changed is sent whole"),
        "links": (offers.link, "a file that moved is copied there, or sent again"),
        "sync": (offers.sync, "it cannot be made sure that a file has reached the disk"),
        "free space": (offers.space, "how full its disk is cannot be told"),
    }
    has = [name for name, (there, _) in ways.items() if there]
    lacks = [f"without {name} {instead}" for name, (there, instead) in ways.items() if not there]
    text = f"it offers {', '.join(has) or 'only the bare minimum'}"
    return ok(text, "; ".join([*lacks, "a newer OpenSSH there (9.0 on) has them all"]) if lacks else "")


def base_finding(base: str, trial: TrialResult) -> RungFinding:
    """Whether a file could be written in the base, and how much room there is."""
    trouble = trouble_in(trial, base=base, tight=TIGHT)
    if trouble is not None:
        return not_ok(*trouble)
    folds = "; its disk cannot tell Photo.jpg from photo.jpg" if trial.folds_case else ""
    return ok(f"{base} can be written; {room_text(trial.space)}{folds}")


def clock_finding(offset: ClockOffset) -> RungFinding:
    """Whether the two clocks agree."""
    way = "ahead of" if offset.ahead_s > 0 else "behind"
    text = f"the far clock is {span_text(abs(offset.ahead_s))} {way} ours (± {offset.margin_s:.1f} s)"
    if offset.agrees:
        return ok(text)
    return not_ok(
        text,
        "times of files and versions there would mislead: see that both machines set their clocks from the network "
        "(`timedatectl` there and here)",
    )


def _perform(channel: SftpChannel, script: requests.Script[T]) -> T:
    tasks = [Task("only", script)]
    results: list[TaskResult[str, T]] = []
    channel.work(
        TaskFeed(
            lambda wait: tasks.pop() if tasks else None, lambda task, done: results.append(done), lambda: not tasks
        )
    )
    if not results:
        raise LinkLost("the connection ended before an answer came")
    if results[0].error is not None:
        raise results[0].error
    return results[0].value  # type: ignore[return-value]
