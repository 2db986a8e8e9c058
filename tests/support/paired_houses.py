"""Two houses that are paired from the kit to the settings: the box in the far one is set up by set-up.sh, home's end of
the tunnel is the product's own. For the lab."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator

from support.fresh_start import fresh_argv
from support.lab import Houses
from support.pairing import FAR
from support.set_up_kit import OWN, FarBox, Household, reaches, reply_in


class Tunnelled:
    """Both houses, the box in the far one, paired from the kit to the settings; home's end by the product itself."""

    def __init__(
        self, houses: Houses, base_system: str, household: Household, *, systemd: bool = False, **answers: object
    ) -> None:
        self.houses = houses
        self.household = household
        self.box = FarBox(houses.estate, base_system, houses.far)
        self.box.take_kit(household, household.pair(**answers))
        self.box.run("rm", "-f", "/etc/resolv.conf")  # names come from the hosts file, at once or not at all
        self.call_home(houses.home_outside)
        if systemd:
            self.box.boot()
        household.finish(reply_in(self.box.apply()))
        if not systemd:
            self.box.start_sshd()

    def call_home(self, address: str) -> None:
        """What the far house's name server says of home."""
        self.box.write("/etc/hosts", f"127.0.0.1 localhost\n{address} larch.example.net\n")
        self.houses.home.name_host("larch.example.net", address)

    def new_home(self, address: str) -> None:
        """Another server takes over at home, which has the settings and keys, and no memory of the far box."""
        shutil.rmtree(self.household.where / "state", ignore_errors=True)
        self.houses.home_server_is_replaced(address)

    def tunnel(self, word: str) -> str:
        """What systemd would do."""
        return self.box.run(f"{OWN}/tunnel.sh", word)

    def wg(self, what: str) -> str:
        return self.box.run("wg", "show", self.box.plan.far_interface, what)

    def otherroof(self, *words: str) -> tuple[int, str]:
        """The command line at home, in home's network."""
        argv = self._apart(fresh_argv(*words, "--config", str(self.household.where)))
        done = subprocess.run(
            self.houses.home.argv(argv),
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        return done.returncode, done.stdout + done.stderr

    @contextlib.contextmanager
    def home_up(self) -> Iterator[None]:
        """Home's end of the tunnel, by the product's own driver with the settings that pairing wrote."""
        program = (
            "import sys; from otherroof.base.clock import SystemClock; from otherroof.tunnel.build import make_tunnel;"
            "from otherroof.tunnel.network_access import NetworkAccess;"
            "from otherroof.settings import require_settings;"
            f"tunnel = make_tunnel(require_settings(sys.argv[1]), {FAR!r}, NetworkAccess(), SystemClock());"
            "getattr(tunnel, sys.argv[2])()"
        )
        argv = self._apart([sys.executable, "-c", program, str(self.household.where)])
        self.houses.home.run([*argv, "up"])
        try:
            yield
        finally:
            self.houses.home.run([*argv, "down"])

    def _apart(self, argv: list[str]) -> list[str]:
        """`argv` with a folder of its own for tunnel sockets: home's interface has the same name in every pairing, and
        another test may be at work beside this one."""
        sockets = os.path.join(self.houses.estate.folder, "wireguard")
        os.makedirs(sockets, mode=0o700, exist_ok=True)
        script = 'mkdir -p /run/wireguard; mount --bind "$0" /run/wireguard; exec "$@"'
        return ["unshare", "--mount", "sh", "-ec", script, sockets, *argv]

    def carries(self) -> bool:
        """Whether home reaches the box's SSH through the tunnel."""
        return reaches(self.houses.home, self.box.plan.far_address, 22)
