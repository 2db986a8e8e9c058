"""Home's firewall table as the kernel reads it line by line (nft(8)), without a kernel; and what is taken for a key."""

from __future__ import annotations

import base64
import re

import pytest

from otherroof.base.errors import WrongSettings
from otherroof.tunnel.firewall import removal_rules, rules, table_name
from otherroof.tunnel.keys import decode_key, require_shared

ROOF, LAN = "roof0", "eth0"
CHAIN = re.compile(r"chain \w+ \{\s*type filter hook (\w+) priority filter - (\d+); policy (\w+);(.*?)\}", re.DOTALL)


def verdict(hook: str, *, into: str = "", out: str = "", state: str = "new", kind: str = "tcp") -> str:
    """What becomes of a packet at this hook: of the first line that fits it, else the chain's policy."""
    found = {name: (policy, body) for name, _, policy, body in CHAIN.findall(rules(ROOF))}
    if hook not in found:
        return "accept"
    policy, body = found[hook]
    for line in filter(None, map(str.strip, body.splitlines())):
        *match, end = line.replace("counter ", "").split()
        if _fits(match, into, out, state, kind):
            return end
    return str(policy)


def _fits(match: list[str], into: str, out: str, state: str, kind: str) -> bool:
    seen = {"iifname": into, "oifname": out}
    match match:
        case []:
            return True
        case ["ct", "state", states]:
            return state in states.split(",")
        case ["icmp" | "icmpv6" as family, "type", asked]:
            return kind == f"{family} {asked}"
        case ["iifname" | "oifname" as which, "!=", name]:
            return seen[which] != name.strip('"')
        case ["iifname" | "oifname" as which, name]:
            return seen[which] == name.strip('"')
    raise AssertionError(f"{match} is not read here")


@pytest.mark.parametrize("kind", ["tcp", "udp", "icmp redirect", "icmpv6 nd-neighbor-solicit"])
def test_nothing_at_the_far_house_begins_anything_here(kind: str) -> None:
    assert verdict("input", into=ROOF, kind=kind) == "drop"
    assert verdict("input", into=ROOF, kind=kind, state="invalid") == "drop"


@pytest.mark.parametrize("state", ["established", "related"])
def test_what_home_began_is_answered(state: str) -> None:
    assert verdict("input", into=ROOF, state=state) == "accept"
    assert verdict("output", out=ROOF) == "accept"


@pytest.mark.parametrize("kind", ["icmp echo-request", "icmpv6 echo-request"])
def test_a_ping_of_the_far_house_is_answered(kind: str) -> None:
    assert verdict("input", into=ROOF, kind=kind) == "accept"


@pytest.mark.parametrize("state", ["new", "established"])
def test_nothing_passes_on_between_the_tunnel_and_other_machines_of_this_house(state: str) -> None:
    assert verdict("forward", into=ROOF, out=LAN, state=state) == "drop"
    assert verdict("forward", into=LAN, out=ROOF, state=state) == "drop"
    assert verdict("forward", into=LAN, out="wlan0", state=state) == "accept"


def test_other_interfaces_are_no_matter_of_this_table() -> None:
    assert verdict("input", into=LAN) == verdict("input", into=f"{ROOF}1") == "accept"


def test_it_is_asked_before_others_that_might_let_in_and_takes_the_place_of_what_stood_under_its_name() -> None:
    assert [int(before) for _, before, _, _ in CHAIN.findall(rules(ROOF))] == [10, 10]
    removal = f"table inet {table_name(ROOF)}\ndelete table inet {table_name(ROOF)}\n"
    assert removal_rules(ROOF) == removal
    assert rules(ROOF).startswith(removal + f"table inet {table_name(ROOF)} {{")


GOOD = base64.b64encode(bytes(range(32))).decode()


@pytest.mark.parametrize("text", ["", GOOD[:-4], GOOD + GOOD, f"{GOOD[:9]}-{GOOD[9:]}", f"{GOOD[:9]}\n{GOOD[9:]}"])
def test_what_is_no_key_is_not_taken_for_one_nor_shown(text: str) -> None:
    assert decode_key(f"  {GOOD}\n") == bytes(range(32))
    with pytest.raises(ValueError, match=r"not base64|bytes instead of 32") as told:
        decode_key(text)
    assert not text or text[:8] not in str(told.value)


def test_a_shared_key_that_others_can_read_is_refused(tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("keys") / "shared.key"
    path.write_text(GOOD)
    path.chmod(0o600)
    require_shared(str(path))
    path.chmod(0o640)
    with pytest.raises(WrongSettings, match="can be read by others"):
        require_shared(str(path))
