"""Journal entries read back by the rules of the native protocol.

Source: systemd, "Native Journal Protocol" (https://systemd.io/JOURNAL_NATIVE_PROTOCOL/), read in a stored copy:
one datagram an entry; `NAME=value\\n`, or for a value with a newline `NAME\\n`, its length as 64-bit little-endian,
the value, `\\n`. Field names: capital letters, digits and underscores, beginning with neither a
digit nor an underscore, at most 64 of them (same page, "Field names", from memory).
"""

from __future__ import annotations

import re
import struct
from datetime import UTC, datetime

import pytest

from otherroof.watch.channels import Message
from otherroof.watch.channels.journal import entry
from support.outside import outside


def parse(data: bytes) -> dict[str, str]:
    found: dict[str, str] = {}
    at = 0
    while at < len(data):
        end = data.index(b"\n", at)
        line = data[at:end]
        at = end + 1
        name, equals, value = line.partition(b"=")
        if not equals:
            (size,) = struct.unpack_from("<Q", data, at)
            value = data[at + 8 : at + 8 + size]
            at += 8 + size
            assert data[at : at + 1] == b"\n"
            at += 1
        assert re.fullmatch(r"[A-Z][A-Z0-9_]{0,63}", name.decode())
        assert name.decode() not in found
        found[name.decode()] = value.decode()
    return found


@outside(
    "systemd, Native Journal Protocol", "data format; field names", "an alert is an entry with its fields", value="read"
)
@outside("syslog(3)", "levels", "alerts are warnings, 4; all else is information, 6", value="from memory")
@pytest.mark.parametrize(("kind", "level"), [("alert", "4"), ("all clear", "6"), ("test", "6")])
def test_an_alert_is_one_entry_with_its_fields(kind: str, level: str) -> None:
    message = Message("i", kind, "silent:heron", datetime(2031, 3, 6, tzinfo=UTC), "a = b – ü", "text\n")
    fields = parse(entry(message))
    assert fields["MESSAGE"] == "a = b – ü"
    assert fields["PRIORITY"] == level
    assert fields["SYSLOG_IDENTIFIER"] == "otherroof"
    assert fields["OTHERROOF_ABOUT"] == "silent:heron"


@outside(
    "systemd, Native Journal Protocol",
    "data format, a value with a newline",
    "a digest of many lines is one entry",
    value="read",
)
def test_a_digest_keeps_its_lines() -> None:
    message = Message("i", "digest", "digest", datetime(2031, 3, 6, tzinfo=UTC), "weekly", "one\nA=b\n\nthree – ü\n")
    assert parse(entry(message))["MESSAGE"] == "weekly\none\nA=b\n\nthree – ü\n"
