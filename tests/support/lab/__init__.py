"""The lab: two houses in network namespaces, a slow line between them, a real sshd, names that change.

For tests marked `lab` and for the benchmarks. It needs root, `ip`, `nft`, `wg`, `wireguard-go` and OpenSSH; call
`require_lab()` first, which skips with a reason, or fails where `CI=true`. Parallel test processes do not meet: every
name carries the process number. Whatever is made is written down before, and undone on exit, by a guardian process
when the owner is killed, or by the next one that opens the lab.

    from support.lab import FarSshd, Houses, Line, TunnelPair, require_lab, write_settings

    def test_a_copy_survives_a_cut_line(tmp_path):
        require_lab()
        line = Line(rate_mbit=20, delay_ms=20, queue_ms=100, loss=0.001)
        with Houses() as houses, TunnelPair(houses, out=line) as tunnel:
            with FarSshd(space=houses.far, address=tunnel.FAR) as far:
                config = write_settings(tmp_path / "config", far, {"photos": "/a/folder"})
                run = houses.home.popen([sys.executable, "-m", "…"])   # or houses.home.run([...]) to its end
                tunnel.relay.cut()
                tunnel.relay.mend()
                far.kill()
                far.start()

A house behind a translating router: `Houses(Plan(far_translates=True, home_translates=True, forwarded_port=51820))`,
then `houses.far_power(False)`, `home_moves("198.18.1.9")`, `far_translation_rebinds()`, `block_udp(51820)`,
`black_hole(1300)`, `clear()`; `houses.far.name_host("home.example", houses.home_outside)` for a dynamic name.
Without root, `FarSshd()` alone still works on 127.0.0.1; ask `require_sshd()`.
"""

from support.lab.commands import LabFault, call
from support.lab.household import toml_text, write_settings
from support.lab.houses import Houses, Plan
from support.lab.namespace import Namespace
from support.lab.need import lab_lacks, program, require_lab, require_sshd
from support.lab.ownership import Estate, sweep
from support.lab.relay import Relay
from support.lab.shaping import Line
from support.lab.sshd import EXTENSIONS, FarSshd, ServerOptions, make_ssh_key
from support.lab.tunnel import TunnelPair, UserspaceEnd, make_tunnel_keys

__all__ = [
    "EXTENSIONS",
    "Estate",
    "FarSshd",
    "Houses",
    "LabFault",
    "Line",
    "Namespace",
    "Plan",
    "Relay",
    "ServerOptions",
    "TunnelPair",
    "UserspaceEnd",
    "call",
    "lab_lacks",
    "make_ssh_key",
    "make_tunnel_keys",
    "program",
    "require_lab",
    "require_sshd",
    "sweep",
    "toml_text",
    "write_settings",
]
