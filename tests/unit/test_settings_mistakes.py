"""A wrong value is told in a household's words, never in those of the library that found it."""

from __future__ import annotations

from pathlib import Path

import pytest

from otherroof.settings import read_parts

HOME = '[home]\nname = "larch"\nzone = "America/St_Johns"\n'
TUNNEL = '[far.heron.tunnel]\nkind = "wireguard"\n'


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[far.heron]\naddress = 5", "far.heron.address: text in quote marks is wanted (found 5)"),
        ("[far.heron]\nport = 99999", "far.heron.port: at most 65535 is wanted (found 99999)"),
        ("[far.heron]\nport = 0", "far.heron.port: at least 1 is wanted (found 0)"),
        ("[far.heron]\nport = 22.5", "far.heron.port: a whole number is wanted (found 22.5)"),
        ('[far.heron]\nsilent_days = "three"', "far.heron.silent_days: a number is wanted (found 'three')"),
        ("[far.heron]\nlimits = 3", "far.heron.limits: a table is wanted (found 3)"),
        (f'{TUNNEL}role = "both"', "far.heron.tunnel.role: 'answer' or 'call' is wanted (found 'both')"),
        (f"{TUNNEL}reach = []", "far.heron.tunnel.reach: at least 1 is wanted in the list"),
        (f'{TUNNEL}reach = "10.9.0.0/24"', "far.heron.tunnel.reach: a list in [ ] is wanted (found '10.9.0.0/24')"),
        (f"{TUNNEL}let_in = 1", "far.heron.tunnel.let_in: true or false is wanted (found 1)"),
        (
            '[far.heron.tunnel]\nkind = "string"',
            "far.heron.tunnel: 'string' is not known; one of 'none', 'wireguard', 'command' is wanted",
        ),
    ],
)
def test_a_wrong_value_is_told_in_plain_words(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "otherroof.toml").write_text(f"{HOME}\n{text}\n", encoding="utf-8")
    lines = [mistake.line() for mistake in read_parts(str(tmp_path)).mistakes]
    assert f"{tmp_path}/otherroof.toml: {says}" in lines
    assert not any(word in line for line in lines for word in ("nput should", "valid", "tuple"))
