"""Home's own firewall table for one tunnel: what home began is answered, and nothing begins at the other end.

Pure: an interface's name in, text for `nft` out. A table of its own, which only ever adds refusals for that one
interface; it must not know of, flush or change any other table on this machine.
"""

from __future__ import annotations


def table_name(interface: str) -> str:
    """What the interface's table is called in family `inet`."""
    return f"otherroof-{interface}"


def removal_rules(interface: str) -> str:
    """Removes the table, whether it exists or not: it is declared first, so that deleting it cannot fail."""
    table = table_name(interface)
    return f"table inet {table}\ndelete table inet {table}\n"


def rules(interface: str) -> str:
    """Puts the table in place of what stood under its name, in one step (nft(8): one file is one transaction).

    Answers and echo requests are let in: the far house is not trusted, and nothing there needs to begin anything here.
    Nothing passes on between the tunnel and the other machines of this house. The tunnel's own packets come from
    outside by another interface, so no port is touched by this.
    """
    return removal_rules(interface) + _TABLE.format(table=table_name(interface), interface=interface)


# Hooks and priorities (nft(8)): every chain at a hook is asked, lowest priority first; others' filter chains stand at
# 0, so this one is asked before them. An `accept` here only ends this chain and the next one is asked; a `drop` is
# final. So the table can forbid, and can never let in what another table keeps out.
# Family inet: one table for IPv4 and IPv6. Of ICMPv6 only echo requests are let in: the tunnel's link has no neighbours
# to be discovered, since a WireGuard-protocol interface has no link-layer addresses. Errors about our own packets, such
# as `packet too big`, are `related`. The counters show a person whether anything was turned away (`nft list table`).
_TABLE = """\
table inet {table} {{
    chain arriving {{
        type filter hook input priority filter - 10; policy accept;
        iifname != "{interface}" accept
        ct state established,related accept
        icmp type echo-request accept
        icmpv6 type echo-request accept
        counter drop
    }}
    chain passing {{
        type filter hook forward priority filter - 10; policy accept;
        iifname "{interface}" counter drop
        oifname "{interface}" counter drop
    }}
}}
"""
