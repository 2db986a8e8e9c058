"""Both houses with nobody's hand at the far box: it is run by its systemd alone, home by the product."""

from __future__ import annotations

import time

import pytest

from support.paired_houses import Tunnelled
from support.pairing import FAR
from support.set_up_kit import wait_until

pytestmark = [pytest.mark.lab, pytest.mark.slow]


@pytest.fixture
def both(behind_routers, base_system, household) -> Tunnelled:
    return Tunnelled(behind_routers, base_system, household, systemd=True)


@pytest.mark.each_release
def test_a_probe_holds_on_every_rung_with_nobody_s_hand_at_the_far_box(both):
    code, said = both.otherroof("probe", FAR, "--json")
    assert code == 0, said


def test_after_undo_home_reaches_nothing(both):
    with both.home_up():
        wait_until(both.carries, 60)
        both.box.undo()
        assert not both.carries()


def test_home_is_found_again_at_its_new_address_within_two_minutes(both, record_property):
    with both.home_up():
        wait_until(both.carries, 60)
        time.sleep(30)  # a look of the timer has passed, so the next one sees what has come since
        both.houses.home_moves("198.18.1.9")
        both.call_home("198.18.1.9")
        took = wait_until(lambda: "198.18.1.9:" in both.wg("endpoints") and both.carries(), 120)
    record_property("seconds until home was reached again", round(took, 1))
    print(f"home was reached again after {took:.0f} s")
