"""Two home servers that begin and commit a run of the same job at the same moment, over one far folder, their requests
in an order that the test says.

Each has a thread, but only one of them goes on at a time, and which one is told for each request: nothing depends on
how busy the machine is.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from otherroof.base.errors import FarTrouble, OtherroofError
from otherroof.copying.other_server import require_alone
from otherroof.far import requests
from otherroof.far_copy.keeper import HomeIdentity
from otherroof.far_copy.listing_key import ListingKey
from otherroof.far_copy.state import CopyState
from otherroof.layouts.open.keeper import OpenKeeper
from support.round_place import Line, RoundPlace

JOB = "papers"
WAIT_S = 60.0


class Turns:
    """Whose request is carried out next: the first server's until it has asked for `switches[0]`, then the other's for
    `switches[1]` and so on, then each to its end."""

    def __init__(self, switches: list[int]) -> None:
        self._left = list(switches)
        self._turn = 0
        self._ended = [False, False]
        self._changed = threading.Condition()

    def wait(self, me: int) -> None:
        """Until this server may ask for its next one."""
        with self._changed:
            if self._left and self._left[0] == 0:
                self._left.pop(0)
                self._pass_on()
            if not self._changed.wait_for(lambda: self._turn == me or self._ended[1 - me], WAIT_S):
                raise AssertionError("the other server never came to an end")
            if self._left:
                self._left[0] -= 1

    def ended(self, me: int) -> None:
        """This one asks for nothing more."""
        with self._changed:
            self._ended[me] = True
            if self._turn == me:
                self._left.clear()
                self._pass_on()

    def _pass_on(self) -> None:
        self._turn = 1 - self._turn
        self._changed.notify_all()


class TurnsPlace(RoundPlace):
    """The far folder as one of them sees it."""

    def __init__(self, base: bytes, me: int, turns: Turns) -> None:
        super().__init__(base, Line())
        self._line.asked.append([])
        self._me, self._turns = me, turns
        self.asked = 0

    def _do(self, op: requests.Op) -> Any:
        self._turns.wait(self._me)
        self.asked += 1
        return super()._do(op)


class Server:
    """One of the two. `base` and `run`: what it began from and what it did; `refused` is what it was told."""

    def __init__(self, where: Path, me: int, turns: Turns, secret: bytes) -> None:
        self.run = f"2031-04-05T01300{me}Z-000{me}"
        self.base = ""
        self.counts = False
        self.refused: OtherroofError | None = None
        key, scratch = ListingKey(secret), str(where / f"scratch{me}")
        self.place = TurnsPlace(str(where / "far").encode(), me, turns)
        self.keeper = OpenKeeper(self.place, JOB, HomeIdentity("larch", key, scratch, f"server{me}"))
        self._me, self._turns, self._key = me, turns, key

    def play(self, note: Callable[[str, int], None]) -> None:
        """One run, as `PlanSender` and `commit_run` do it."""
        try:
            self._play(note)
        except OtherroofError as refused:
            self.refused = refused
        finally:
            note("end", self._me)
            self._turns.ended(self._me)

    def _play(self, note: Callable[[str, int], None]) -> None:
        keeper = self.keeper
        view = keeper.view()
        self.base = view.newest
        keeper.begin(self.run, view)
        try:
            require_alone(keeper, view, self.run, self.base)
        except FarTrouble:
            keeper.take_back_begin(self.run)
            raise
        note("change", self._me)
        check = partial(require_alone, keeper, view, self.run, self.base)
        state = CopyState(self.run, self._key.home_id, whole_run=self.run)
        keeper.commit(state, (), "2031-04-05T01:30:00Z", check)
        self.counts = True
        note("end", self._me)
        keeper.tidy(view, self.run)


def both(where: Path, switches: list[int], *, one_home: bool = True) -> tuple[list[Server], bool]:
    """What became of two that go to it at once, and whether there was a time at which both changed files."""
    (where / "far").mkdir(parents=True)
    turns = Turns(switches)
    secrets = [bytes(32), bytes(32) if one_home else bytes(range(32))]
    servers = [Server(where, me, turns, secrets[me]) for me in (0, 1)]
    changing: set[int] = set()
    at_once = False

    def note(what: str, me: int) -> None:
        nonlocal at_once
        changing.add(me) if what == "change" else changing.discard(me)
        at_once = at_once or len(changing) > 1

    threads = [threading.Thread(target=server.play, args=(note,), daemon=True) for server in servers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(WAIT_S)
        assert not thread.is_alive()
    return servers, at_once
