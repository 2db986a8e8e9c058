"""What this machine lacks for a tunnel of the WireGuard protocol, asked before anything is set up for one.

It must not know which tunnel that will be; it changes nothing.
"""

from __future__ import annotations

from otherroof.base.errors import TunnelTrouble
from otherroof.base.programs import PACKAGES, Programs

USERSPACE = "wireguard-go"
# In a network of its own, which goes with the trial.
TRIAL = ("unshare", "--net", "ip", "link", "add", "dev", "trial", "type", "wireguard")
TRIAL_S = 10.0
NO_LINKS_ADVICE = f"`apt install {USERSPACE}`, or use a kernel from 5.6 on (after an update of the kernel, restart)"


def lacks_for_tunnel(commands: Programs) -> list[str]:
    """What is missing, a line each with what to do; empty if all is there, as far as this account can find out."""
    absent = [name for name in ("ip", "wg", "nft") if not commands.find(name)]
    missing = [f"{name} is not on this machine; `apt install {PACKAGES[name]}`" for name in absent]
    if commands.find(USERSPACE) or "ip" in absent:
        return missing
    try:
        ran = commands.run(TRIAL, TRIAL_S)
    except TunnelTrouble as problem:
        return [*missing, f"whether this kernel has WireGuard-protocol links cannot be tried: {problem}"]
    # Only root may try it; others are told nothing rather than something wrong.
    if ran.code and "not permitted" not in ran.said:
        missing.append(f"this kernel has no WireGuard-protocol links ({ran.said}); {NO_LINKS_ADVICE}")
    return missing
