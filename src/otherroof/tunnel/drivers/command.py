"""The driver for `kind = "command"`: any other tunnel, by the household's own commands for up, down and test."""

from __future__ import annotations

from otherroof.base.errors import TunnelTrouble
from otherroof.base.programs import Programs
from otherroof.settings.tunnel import CommandTunnel
from otherroof.tunnel.marks import MadeMark
from otherroof.tunnel.port import TunnelState

LOOK_S = 60.0


class CommandDriver:
    """See the Tunnel port. It is up while the settings' `test` leaves with exit code 0."""

    name = "command"
    look_s = LOOK_S

    def __init__(self, settings: CommandTunnel, commands: Programs, mark: MadeMark) -> None:
        self._settings = settings
        self._commands = commands
        self._mark = mark

    def up(self) -> None:
        if self.state().up:
            return
        # Before, not after: if `up` is cut half-way, `down` knows that there is something of ours to take away.
        self._mark.set()
        self._do("up", self._settings.up)
        if not self.state().up:
            raise TunnelTrouble(
                "`up` ended well, yet `test` says that the tunnel is not up",
                where=" ".join(self._settings.test),
                advice="run both by hand, and let `up` wait until the tunnel stands",
            )

    def down(self) -> None:
        if not self._mark.is_set():
            return
        self._do("down", self._settings.down)
        self._mark.clear()

    def state(self) -> TunnelState:
        return TunnelState(up=self._commands.run(self._settings.test, self._settings.wait_s).code == 0)

    def _do(self, which: str, argv: tuple[str, ...]) -> None:
        ran = self._commands.run(argv, self._settings.wait_s)
        if ran.code:
            raise TunnelTrouble(
                f"the tunnel's `{which}` command left with {ran.code}: {ran.said}",
                where=" ".join(argv),
                advice="run it by hand and see why",
            )
