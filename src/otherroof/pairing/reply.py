"""Reads the short text that the far box's set-up prints: its host key and its public tunnel key, under a seal.

The seal is made with the key that only home and the kit hold, so a slip in typing and a stranger's change on
the way are both noticed, and no key is trusted merely because it was the first one seen. Pure.
"""

from __future__ import annotations

import hashlib
import hmac
import re
from dataclasses import dataclass

from pydantic import TypeAdapter, ValidationError

from otherroof.base.errors import WrongUse
from otherroof.settings.fields import HostKey
from otherroof.tunnel.keys import decode_key

FORMAT = 1
LONGEST = 4096  # characters in which a reply stands, with all that mail programs may have put into it
SEAL_DIGITS = 20  # 80 bits, the least that RFC 2104 §5 recommends to keep of a keyed digest

# Searched for in the text without its blanks: mail programs and terminals break lines anywhere, also within a key. With
# the blanks gone, only the words between the values tell where each ends; so `kit` is taken as short as it can be. The
# case of the keys counts (base64); only our own words are found whatever their case. Every part has a bound: else a
# long text of half replies would be read to its end once for each of them.
_REPLY = re.compile(
    r"otherroofreply(?P<format>\d{1,4})kit(?P<kit>[0-9a-z]{1,40}?)host-key(?P<kind>ssh-ed25519)"
    r"(?P<host>[0-9a-z+/]{1,200}={0,2})"
    rf"tunnel-key(?P<tunnel>[0-9a-z+/]{{1,100}}={{0,2}})seal(?P<seal>(?:-?[0-9a-f]){{1,{SEAL_DIGITS}}})",
    re.IGNORECASE,
)
_HOST_KEY: TypeAdapter[str] = TypeAdapter(HostKey)
# What programs put around lines and words, and blanks that nobody sees (soft hyphen, zero-width ones, byte order mark).
_TRIMMINGS = re.compile(
    r"<br ?/?>|[\s>|*\u2022\"'`\u2018-\u201f\u00ab\u00bb\u00ad\u200b-\u200d\u2060\ufeff]", re.IGNORECASE
)
_DASHES = re.compile(r"[\u2010-\u2015\u2212]")


@dataclass(frozen=True, slots=True)
class Reply:
    """What the far box said of itself. `kit` names the kit that it was set up from."""

    kit: str
    host_key: str
    tunnel_key: str

    def body(self) -> str:
        """The sealed text, line by line as the far box prints it."""
        return f"otherroof reply {FORMAT}\nkit {self.kit}\nhost-key {self.host_key}\ntunnel-key {self.tunnel_key}\n"


def make_seal(body: str, shared_key: str) -> str:
    """The seal of `body`, in groups of four digits.

    SHA-256 over the key and the digest of key and text, as in RFC 2104 but without its padding constants, so
    that the far box can make it with `sha256sum` and the key never stands in a program's arguments.
    """
    key = shared_key + "\n"
    # Twice, because once would not do: whoever has the plain digest of key and text can work out that of a longer text
    # without the key (length extension). The second one hides the first.
    inner = hashlib.sha256((key + body).encode("utf-8")).hexdigest()
    digits = hashlib.sha256(f"{key}{inner}\n".encode()).hexdigest()[:SEAL_DIGITS]
    return "-".join(digits[at : at + 4] for at in range(0, SEAL_DIGITS, 4))


def read_reply(text: str, *, kit: str, shared_key: str) -> Reply:
    """The reply in `text`, which may stand in a mail with other words, quoted and wrapped.

    Raises WrongUse if there is none, if it belongs to another kit, or if its seal does not fit.
    """
    found = _found(text)
    if found is None:
        raise WrongUse(
            "there is no whole reply in this text",
            advice="copy all five lines again as set-up.sh printed them, from `otherroof reply` to `seal`",
        )
    if int(found["format"]) != FORMAT:
        raise WrongUse(f"this reply is of format {found['format']}; {FORMAT} is read here", advice="make a new kit")
    if found["kit"].lower() != kit:
        raise WrongUse(
            f"this reply comes from kit {found['kit']}, but kit {kit} is the one waited for",
            advice="run set-up.sh of the newest kit on the far box, and use what it prints",
        )
    # The seal is over the text as the far box wrote it, so the reply is put together again in exactly that form.
    reply = Reply(kit, f"{found['kind'].lower()} {found['host']}", found["tunnel"])
    if not _seal_fits(found["seal"], reply, shared_key):
        raise WrongUse(
            "the seal does not fit the text: a slip in typing, or somebody changed it on the way",
            advice="copy it again; if it still does not fit, have the seal read out over the telephone before going on",
        )
    return _sound(reply)


def is_complete(text: str) -> bool:
    """Whether `text` ends with a reply from its first word to all digits of its seal, be it right or wrong.

    Asked after each line that is typed; so it looks only at the last LONGEST characters.
    """
    found = _found(text[-LONGEST:])
    return found is not None and len(found["seal"].replace("-", "")) == SEAL_DIGITS


def _found(text: str) -> re.Match[str] | None:
    return _REPLY.search(_DASHES.sub("-", _TRIMMINGS.sub("", text)))


def _seal_fits(given: str, reply: Reply, shared_key: str) -> bool:
    wanted = make_seal(reply.body(), shared_key)
    # In constant time, though nobody can measure it here: a habit that costs nothing.
    return hmac.compare_digest(given.lower().replace("-", ""), wanted.replace("-", ""))


def _sound(reply: Reply) -> Reply:
    try:
        _HOST_KEY.validate_python(reply.host_key)
    except ValidationError as problem:
        raise WrongUse(
            "the host key in this reply is none", advice="see whether sshd has an Ed25519 host key on the far box"
        ) from problem
    try:
        decode_key(reply.tunnel_key)
    except ValueError as problem:
        raise WrongUse(
            f"the tunnel key in this reply is none ({problem})", advice="see whether `wg genkey` works on the far box"
        ) from problem
    return reply
