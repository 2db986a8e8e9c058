"""What a machine lacks for a tunnel, told before anything is set up for one."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from otherroof.base.errors import TunnelTrouble
from otherroof.base.programs import ProgramResult
from otherroof.tunnel.lacks import TRIAL, lacks_for_tunnel

ALL = ("ip", "wg", "nft")
NO_LINKS = ProgramResult(2, err="Error: Unknown device type.")


class Machine:
    """Has some programs, and answers the trial of a link."""

    def __init__(self, programs: Sequence[str], trial: ProgramResult | None) -> None:
        self._programs = programs
        self._trial = trial

    def find(self, name: str) -> str:
        return f"/usr/bin/{name}" if name in self._programs else ""

    def run(self, argv: Sequence[str], timeout_s: float) -> ProgramResult:
        assert tuple(argv) == TRIAL
        if self._trial is None:
            raise TunnelTrouble("did not end within 10 s", where="unshare")
        return self._trial


@pytest.mark.parametrize(
    ("programs", "trial"),
    [
        (ALL, ProgramResult(0)),
        ((*ALL, "wireguard-go"), NO_LINKS),
        (ALL, ProgramResult(1, err="unshare: unshare failed: Operation not permitted")),  # not asked by root
    ],
)
def test_nothing_is_said_where_nothing_is_missing_or_nothing_is_known(
    programs: Sequence[str], trial: ProgramResult
) -> None:
    assert lacks_for_tunnel(Machine(programs, trial)) == []


def test_a_kernel_without_links_is_told_with_what_to_install() -> None:
    (line,) = lacks_for_tunnel(Machine(ALL, NO_LINKS))
    assert line.startswith("this kernel has no WireGuard-protocol links (Error: Unknown device type.)")
    assert "`apt install wireguard-go`" in line


def test_missing_programs_are_named_by_their_packages() -> None:
    assert lacks_for_tunnel(Machine((), ProgramResult(0))) == [
        "ip is not on this machine; `apt install iproute2`",
        "wg is not on this machine; `apt install wireguard-tools`",
        "nft is not on this machine; `apt install nftables`",
    ]


def test_a_trial_that_hangs_is_told_and_keeps_nobody_from_going_on() -> None:
    (line,) = lacks_for_tunnel(Machine(ALL, None))
    assert "cannot be tried: unshare: did not end" in line
