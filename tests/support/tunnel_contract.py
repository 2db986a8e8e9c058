"""What every driver of the Tunnel port must keep. A test module gives a `bench` and inherits the checks.

The bench can also do what somebody else on the same machine might do.
"""

from __future__ import annotations

from typing import Protocol

import pytest

from otherroof.base.errors import TunnelTrouble
from otherroof.tunnel.port import Tunnel


class Bench(Protocol):
    """`driver` gives a new driver over the same machine and state folder, as another process would have it."""

    makes_something: bool

    def driver(self) -> Tunnel: ...

    def stands(self) -> bool: ...

    def somebody_else_makes_it(self) -> None: ...

    def half_made(self) -> None: ...


class Maker(Bench, Protocol):
    """A bench on which making can be made to fail."""

    def make_fails(self) -> None: ...


class TunnelContract:
    """Inherit, and define the fixture `bench`."""

    def test_up_brings_it_up_and_down_takes_it_away(self, bench: Bench) -> None:
        tunnel = bench.driver()
        tunnel.up()
        assert tunnel.state().up
        assert bench.stands()
        tunnel.down()
        assert bench.stands() is not bench.makes_something
        assert tunnel.state().up is not bench.makes_something

    def test_up_over_a_tunnel_that_stands_keeps_it(self, bench: Bench) -> None:
        tunnel = bench.driver()
        tunnel.up()
        tunnel.up()
        assert tunnel.state().up
        tunnel.down()
        assert bench.stands() is not bench.makes_something

    def test_down_may_be_called_without_up_and_twice(self, bench: Bench) -> None:
        tunnel = bench.driver()
        tunnel.down()
        tunnel.up()
        tunnel.down()
        tunnel.down()
        assert tunnel.state().up is not bench.makes_something

    def test_another_process_takes_down_what_this_one_made(self, bench: Bench) -> None:
        bench.driver().up()
        bench.driver().down()
        assert bench.stands() is not bench.makes_something

    def test_what_somebody_else_made_is_used_and_left_standing(self, bench: Bench) -> None:
        bench.somebody_else_makes_it()
        tunnel = bench.driver()
        tunnel.up()
        assert tunnel.state().up
        tunnel.down()
        assert bench.stands()

    def test_up_finishes_what_a_crash_left_half_made(self, bench: Bench) -> None:
        bench.half_made()
        tunnel = bench.driver()
        tunnel.up()
        assert tunnel.state().up
        tunnel.down()
        assert bench.stands() is not bench.makes_something

    def test_looking_changes_nothing(self, bench: Bench) -> None:
        tunnel = bench.driver()
        before = bench.stands()
        tunnel.state()
        assert bench.stands() is before


class MakerContract(TunnelContract):
    """The same for a driver that makes something, which can fail."""

    def test_what_cannot_be_made_is_told_as_trouble_with_the_tunnel(self, bench: Maker) -> None:
        bench.make_fails()
        tunnel = bench.driver()
        with pytest.raises(TunnelTrouble):
            tunnel.up()
        tunnel.down()
        assert not bench.stands()
