"""The plan: nothing that is in use is used again, and two homes do not propose the same to one far box."""

from __future__ import annotations

import ipaddress

import pytest

from otherroof.base.errors import WrongUse
from otherroof.pairing.plan import HomeKeys, InUse, in_use_by, plan_pairing, plan_warnings
from otherroof.settings import NoTunnel, WireguardTunnel
from support.pairing import some_answers, some_plan


def test_the_tunnel_s_network_is_in_neither_house_nor_in_use():
    first = some_plan()
    again = some_plan(InUse(networks=(first.network,)))
    with_lan = some_plan(home_lan=[first.network])
    for other in (again, with_lan):
        assert not ipaddress.ip_network(other.network).overlaps(ipaddress.ip_network(first.network))
    assert ipaddress.ip_network(first.network).is_private
    assert ipaddress.ip_address(first.home_address) in ipaddress.ip_network(first.network)
    assert first.home_address != first.far_address


def test_two_homes_begin_at_different_blocks():
    keys = HomeKeys("k", "l")
    networks = {
        plan_pairing("heron", home, some_answers(), keys, InUse()).network for home in ("larch", "rowan", "alder")
    }
    assert len(networks) == 3


def test_a_chosen_network_that_cannot_be_is_refused():
    for wrong, said in (
        ("8.8.8.0/24", "private"),
        ("10.1.1.1/24", "host bits"),
        ("10.1.1.0/31", "four addresses"),
        ("fd00::/64", "10.77.31.0/24"),
        ("192.168.88.0/25", "overlaps 192.168.88.0/24"),
    ):
        with pytest.raises(WrongUse, match=said):
            some_plan(tunnel_network=wrong)
    assert some_plan(tunnel_network="10.77.31.0/24").far_address == "10.77.31.2"


def test_a_port_that_another_box_calls_is_refused_with_a_free_one():
    with pytest.raises(WrongUse, match="51822"):
        some_plan(InUse(ports=frozenset({51820, 51821})))
    assert some_plan(InUse(ports=frozenset({51820})), role="call", far_name="heron.example.net").port == 51820


def test_long_names_still_give_different_interfaces():
    keys = HomeKeys("k", "l")
    one = plan_pairing("grandmother-in-the-valley", "larch", some_answers(), keys, InUse())
    other = plan_pairing(
        "grandmother-in-the-town", "larch", some_answers(), keys, InUse(interfaces=frozenset({one.home_interface}))
    )
    assert one.home_interface != other.home_interface
    assert max(len(one.home_interface), len(other.home_interface), len(one.far_interface)) <= 15


def test_houses_that_feed_each_other_have_different_interface_names_on_one_machine():
    keys = HomeKeys("k", "l")
    out = plan_pairing("heron", "larch", some_answers(), keys, InUse())
    back = plan_pairing("larch", "heron", some_answers(), keys, InUse())
    assert out.home_interface != back.far_interface
    assert out.far_interface != back.home_interface
    assert out.network != back.network


def test_what_is_taken_is_gathered_from_settings_waiting_plans_and_this_machine():
    tunnel = WireguardTunnel(
        kind="wireguard", own_address="10.5.5.1/24", far_key="A" * 43 + "=", reach=("10.5.5.2/32",), interface="roof0"
    )
    plan = some_plan()
    taken = in_use_by([tunnel, NoTunnel()], [plan], ["192.168.71.0/24"])
    assert taken.interfaces == {"roof0", plan.home_interface}
    assert taken.ports == {51820}
    assert {"10.5.5.0/24", plan.network, "192.168.71.0/24"} <= set(taken.networks)


def test_the_kit_s_name_changes_with_anything_in_the_plan():
    plan = some_plan()
    assert plan.model_copy(update={"contact": "somebody else"}).kit != plan.kit
    assert plan.model_copy().kit == plan.kit


@pytest.mark.parametrize(
    ("name", "said"),
    [("192.168.1.7", "private"), ("100.64.3.3", "share"), ("larch.example.net", ""), ("198.18.1.2", "")],
)
def test_an_address_that_nobody_can_call_is_doubted(name, said):
    found = plan_warnings(some_plan(own_name=name), some_answers(own_name=name))
    assert bool(found) == bool(said)
    assert not said or said in found[0]


def test_a_home_behind_a_shared_address_is_told_before_anything_is_set_up():
    outside = "100.64.3.3"
    (found,) = plan_warnings(some_plan(), some_answers(), outside)
    assert "no port can be forwarded from it" in found
    assert "swap the roles" in found
    calls = {"role": "call", "far_name": "heron.example.net"}
    assert plan_warnings(some_plan(**calls), some_answers(**calls), outside) == [], "who calls needs no port"
    assert (
        plan_warnings(some_plan(), some_answers(), "198.18.1.2") == plan_warnings(some_plan(), some_answers(), "") == []
    )


@pytest.mark.parametrize(
    ("far_lan", "said"),
    [
        (["192.168.71.0/24"], "both houses use 192.168.71.0/24;"),
        (["192.168.0.0/16"], "192.168.71.0/24 and 192.168.0.0/16, which overlap;"),
        (["192.168.88.0/24"], ""),
        ([], ""),
    ],
)
def test_two_houses_with_one_block_are_explained_with_free_ones(far_lan, said):
    answers = some_answers(far_lan=far_lan)
    found = plan_warnings(some_plan(far_lan=far_lan), answers)
    assert bool(found) == bool(said)
    assert not said or (said in found[0] and found[0].count("/24, 10.") == 2)
