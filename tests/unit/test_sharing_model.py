"""Whatever can happen to a shared tunnel, in any order: used, left, swept, gone, and any of its users killed."""

from __future__ import annotations

import os
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from otherroof.base.clock import SteppedClock
from otherroof.tunnel.sharing import SharedTunnel
from support.quick import examples
from support.tunnel_user import FolderTunnel, use_of

pytestmark = pytest.mark.slow

NOW = datetime(2031, 4, 5, tzinfo=UTC)


class Killed(BaseException):
    """The process is killed at this very instant; what it would do then has no effect."""


class MortalTunnel(FolderTunnel):
    """A tunnel in whose middle of up or down its process may be killed. Half up or half down, it stands all the same,
    which is the worse of the two for either check."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.folder = folder
        self.dies = self.dead = False

    def up(self) -> None:
        self._die()
        super().up()

    def down(self) -> None:
        self._die()
        super().down()

    def _die(self) -> None:
        self.dead = self.dead or self.dies
        if self.dead:
            (self.folder / "stands").touch()
            raise Killed


class SharingModel(RuleBasedStateMachine):
    """Any order of taking, leaving, dying and sweeping: whoever holds it has it up, and at rest nobody's is down.

    The locks and files are the real ones; a use that is killed has its lock dropped, as the kernel does."""

    def __init__(self) -> None:
        super().__init__()
        self.place = tempfile.TemporaryDirectory()
        self.folder = Path(self.place.name)
        self.clock = SteppedClock(NOW)
        self.holding: dict[str, SharedTunnel] = {}
        self.sync, os.fsync = os.fsync, lambda _: None  # a thousand states are not to wait for the disk

    def one(self, *, dies: bool) -> SharedTunnel:
        tunnel = MortalTunnel(self.folder)
        tunnel.dies = dies
        shared = use_of(self.folder, self.clock)
        shared.tunnel = tunnel
        return shared

    @rule(token=st.sampled_from("abc"), dies=st.booleans())
    def take(self, token: str, dies: bool) -> None:
        if token in self.holding:
            return
        shared = self.one(dies=dies)
        try:
            assert shared.take(0.0).up, "nobody alive is at it here"
        except Killed:
            return
        shared.tunnel.dies = False  # type: ignore[attr-defined]
        self.holding[token] = shared

    @rule(token=st.sampled_from("abc"), linger=st.booleans(), dies=st.booleans())
    def leave(self, token: str, linger: bool, dies: bool) -> None:
        if token not in self.holding:
            return
        shared = self.holding.pop(token)
        shared.tunnel.dies = dies  # type: ignore[attr-defined]
        try:
            ended = shared.leave(linger=linger)
        except Killed:
            return
        assert ended is None or not self.holding, "it was taken down under somebody"

    @rule(token=st.sampled_from("abc"))
    def die(self, token: str) -> None:
        if token in self.holding:
            self.holding.pop(token)._use.release()

    @rule(dies=st.booleans(), passes=st.sampled_from([0.0, 30.0, 90.0]))
    def sweep(self, dies: bool, passes: float) -> None:
        self.clock.step(passes)
        try:
            ended = self.one(dies=dies).sweep()
        except Killed:
            return
        assert ended is None or not self.holding, "it was taken down under somebody"

    @rule()
    def vanish(self) -> None:
        """Another program takes the interface away; whoever keeps it up notices."""
        (self.folder / "stands").unlink(missing_ok=True)
        for shared in self.holding.values():
            shared.mend(0.0)

    @invariant()
    def whoever_holds_it_has_it_up(self) -> None:
        assert FolderTunnel(self.folder).is_up or not self.holding

    def teardown(self) -> None:
        for token in list(self.holding):
            self.leave(token, linger=True, dies=False)
        for _ in range(2):
            self.sweep(dies=False, passes=90.0)
        os.fsync = self.sync
        still_up = FolderTunnel(self.folder).is_up
        self.place.cleanup()
        assert not still_up, "nobody uses it, yet it stays up"


TestSharingModel = SharingModel.TestCase
TestSharingModel.settings = hypothesis_settings(examples(150), stateful_step_count=25)
