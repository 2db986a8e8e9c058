"""What the ladder says and advises: sentences for a household's own administrator, kept apart from the looking.

Pure: values in, what was seen out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from otherroof.base.units import span_text
from otherroof.probe.ladder import RungFinding, not_ok, ok
from otherroof.settings.tunnel import WireguardTunnel
from otherroof.tunnel.network import address_plan, mtu
from otherroof.tunnel.network.address_plan import Network, NetworkClash
from otherroof.tunnel.network.ping import PingResult
from otherroof.tunnel.silence import REJECT_S


def own_name_finding(name: str, found: Sequence[str], ours: frozenset[str], outside: str) -> RungFinding:
    """Whether the name that the far box calls leads home: to this machine, or to the router's outside address."""
    leads = f"{name} leads to {', '.join(found)}"
    if ours & set(found):
        return ok(f"{leads}, which this machine has itself")
    if outside and address_plan.cannot_be_called(outside):
        text = f"the router's own outside address cannot be called: {address_plan.cannot_be_called(outside)}"
        return not_ok(text, address_plan.call_advice(outside))
    wrong = [address for address in found if address_plan.cannot_be_called(address)]
    if wrong and len(wrong) == len(found):
        return not_ok(f"{leads}: {address_plan.cannot_be_called(wrong[0])}", address_plan.call_advice(wrong[0]))
    if outside and outside not in found and any(":" not in address for address in found):
        return not_ok(
            f"{leads}, but the router's outside address is {outside}",
            "the dynamic name is out of date: look at what keeps it up to date (the router, or its service)",
        )
    return ok(
        f"{leads}, as the router says too" if outside in found else f"{leads}; the router does not tell its address"
    )


def overlap_finding(found: Sequence[NetworkClash], free: Sequence[Network]) -> RungFinding:
    """Whether the tunnel's networks overlap those that this machine is on."""
    if not found:
        return ok("no overlap with a network that this machine is on")
    proposed = ", ".join(str(net) for net in free)
    return not_ok(
        "; ".join(clash.text() for clash in found),
        "an address that is in both could mean either machine, so data would go to the "
        "wrong one; two houses with the same router model "
        f"often have the same network: change one of them. Free blocks: {proposed}",
    )


def handshake_finding(age_s: float, endpoint: str) -> RungFinding:
    """A handshake that is fresh enough."""
    return ok(f"{span_text(age_s)} ago" + (f", with {endpoint}" if endpoint else ""))


def no_handshake_finding(
    tunnel: WireguardTunnel, own_public: str, age_s: float | None, waited_s: float, heard: Mapping[str, int] | None
) -> RungFinding:
    """No fresh handshake after waiting; `heard` is what arrived at our port meanwhile, None if we may not listen."""
    last = f"the last handshake was {span_text(age_s)} ago" if age_s is not None else "there was no handshake"
    text = f"{last}, none within {waited_s:.0f} s (it has to be fresher than {REJECT_S} s)"
    keys = f"here own key {own_public}, far key {tunnel.far_key}; there the other way round"
    if heard and ("calls" in heard or "answers to calls" in heard):
        what = "calls arrive" if "calls" in heard else "answers arrive"
        shared = " and that both have the same shared key" if tunnel.shared_key_file else ""
        return not_ok(
            f"{text}; {what} but do not fit our keys, or this machine's own firewall drops them",
            f"compare the keys at both ends{shared}: {keys}; and let this machine's own firewall, if it has one, admit "
            f"UDP port {tunnel.port}",
        )
    if heard and "data" in heard:
        return not_ok(
            f"{text}; packets of an earlier connection arrive, which this end no longer has",
            "the far box is on and finds home; it begins a new session by itself within three minutes: try again then",
        )
    silence = "; nothing arrives" if heard is not None else ""
    if tunnel.role == "answer":
        called = tunnel.own_name or "the home's name"
        return not_ok(
            f"{text}{silence} at UDP port {tunnel.port}",
            f"is the far box on and online? does it call {called}? does the router here forward UDP {tunnel.port} to "
            f"this machine, and does no provider block that port (try another)? are the keys right: {keys}",
        )
    return not_ok(
        f"{text}{silence} from {tunnel.far_name}",
        "is the far box on and online? does its router forward that UDP port to it, and does no provider block it (try "
        f"another)? does the name lead to that house? are the keys right: {keys}",
    )


def ms_text(value: float) -> str:
    """Milliseconds with as many figures as matter."""
    return f"{value:.2f} ms" if value < 9.995 else f"{value:.1f} ms"


def echoes_finding(echoes: PingResult) -> RungFinding:
    """The far address answered some echo requests."""
    lost = echoes.sent - echoes.received
    text = f"round trip {ms_text(echoes.median_ms)} (median), {lost} of {echoes.sent} lost"
    advice = "packets get lost on the way, which slows every copy" if lost else ""
    return RungFinding("ok", text, advice, round_trip_ms=echoes.median_ms)


def size_lost_finding(full: int, passing: int, wireguard: bool) -> RungFinding:
    """Full packets vanish; the largest that crosses is known."""
    text = f"packets of {full} bytes vanish on the way; the largest that crosses has {passing}"
    if not wireguard:
        return not_ok(text, f"lower the MTU of the interface that the tunnel uses to {passing}")
    if passing < mtu.IPV6_LEAST:
        return not_ok(
            text,
            f"set `mtu = {mtu.IPV6_LEAST}` at both ends, and look for what swallows packets in pieces: a router's "
            "firewall, or another tunnel underneath",
        )
    return not_ok(text, f"set `mtu = {passing}` in the tunnel's settings, and the same at the far box")
