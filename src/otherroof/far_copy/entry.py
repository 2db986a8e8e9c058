"""One entry of a folder as a listing holds it, and its one-line JSON form.

Names may be any bytes: a name that is not UTF-8 is carried in base64 under a key that ends in `64`. This module
knows no disk and no far box.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from json.encoder import encode_basestring
from typing import Any, Literal

from otherroof.base.errors import Damaged
from otherroof.base.printable import escaped

EntryKind = Literal["file", "folder", "link"]

# What an entry may hold, so that its line is always one that `listing` reads (LONGEST_LINE): attributes in base64, and
# at worst six letters of JSON for each byte of its path, its first name's path and a link's target.
MOST_ATTRIBUTES = 128 * 1024  # bytes of all names and values together; Linux takes up to 64 kB in each value
MOST_LEFT_OUT = 100  # names of attributes beyond that are told
LONGEST_PATH = 256 * 1024  # bytes

# What is asked of very many lines without reading each whole. No name can look like the first: its quote marks would be
# escaped. The second begins every line whose path is UTF-8.
FOLDER_KIND = b'"kind":"folder"'
_PLAIN_PATH = b'{"path":'


@dataclass(slots=True)
class Entry:
    """What a run found at one path.

    `mtime_ns` is in nanoseconds since 1970 UTC, `size` in bytes, `digest` BLAKE2b of 32 bytes (RFC 7693) over a
    file's content. `first` names the first path of a hard-link group; `holes` are (offset, length) pairs. `left_out`
    names extended attributes for which there was no room (`attributes_that_fit`).
    """

    path: bytes
    kind: EntryKind
    size: int
    mtime_ns: int
    mode: int
    uid: int
    gid: int
    user: str = ""
    group: str = ""
    digest: bytes = b""
    target: bytes = b""
    first: bytes = b""
    xattrs: dict[str, bytes] = field(default_factory=dict)
    holes: tuple[tuple[int, int], ...] = ()
    left_out: tuple[str, ...] = ()

    def line(self) -> str:
        """The entry as one line of JSON, without the newline."""
        # By hand, in a fixed order: a run may write a million of these, and json.dumps takes three times as long.
        head = (
            f'{{{_named("path", self.path)},"kind":"{self.kind}","size":{self.size},"mtime_ns":{self.mtime_ns},'
            f'"mode":"{self.mode:04o}","uid":{self.uid},"gid":{self.gid},'
            f'"user":{encode_basestring(self.user)},"group":{encode_basestring(self.group)}'
        )
        if self.kind == "file":
            head += f',"digest":"{self.digest.hex()}"'
        if self.target:
            head += "," + _named("target", self.target)
        if self.first:
            head += "," + _named("first", self.first)
        if self.xattrs:
            encoded = {name: base64.b64encode(value).decode() for name, value in sorted(self.xattrs.items())}
            head += f',"xattrs":{json.dumps(encoded, separators=(",", ":"))}'
        if self.holes:
            head += f',"holes":{json.dumps(self.holes, separators=(",", ":"))}'
        if self.left_out:
            head += f',"left_out":{json.dumps(self.left_out, separators=(",", ":"))}'
        return head + "}"


def path_in(line: bytes) -> bytes:
    """The path in the line of an entry, which must be one that was proved."""
    # A whole entry takes three times as long to make; only a name that is not UTF-8 needs it.
    return str(json.loads(line)["path"]).encode() if line.startswith(_PLAIN_PATH) else parse_line(line).path


def attributes_that_fit(names: Iterable[str], read: Callable[[str], bytes]) -> tuple[dict[str, bytes], tuple[str, ...]]:
    """The extended attributes that an entry can hold, and the names of those for which it has no room."""
    # In order of the name: so the system's own (`security.`, `system.`) come before what anybody who owns the file can
    # give it (`user.`), and the same ones are left out each time.
    kept: dict[str, bytes] = {}
    left_out: list[str] = []
    room = MOST_ATTRIBUTES
    for name in sorted(names):
        value = read(name)
        weight = len(name.encode("utf-8", "surrogateescape")) + len(value)
        if weight <= room:
            room -= weight
            kept[name] = value
        elif len(left_out) < MOST_LEFT_OUT:
            left_out.append(name)
    return kept, tuple(left_out)


def left_out_text(left_out: tuple[str, ...]) -> str:
    """What is told of attributes that were left out."""
    names = ", ".join(left_out[:3]) + (" and others" if len(left_out) > 3 else "")
    return escaped(f"its extended attributes are too large for a listing; left out: {names}")


def _named(key: str, value: bytes) -> str:
    try:
        return f'"{key}":{encode_basestring(value.decode())}'
    except UnicodeDecodeError:
        return f'"{key}64":"{base64.b64encode(value).decode()}"'


TOP = b"."  # the path of the folder itself, in its own line


def parse_line(line: bytes, *, top: bool = False) -> Entry:
    """The entry that a line holds; with `top`, the folder itself.

    Raises Damaged if it is none or its path cannot be one.
    """
    try:
        raw = json.loads(line)
        entry = Entry(
            path=_taken(raw, "path"),
            kind=raw["kind"],
            size=int(raw["size"]),
            mtime_ns=int(raw["mtime_ns"]),
            mode=int(raw["mode"], 8) & 0o7777,
            uid=int(raw["uid"]),
            gid=int(raw["gid"]),
            user=str(raw["user"]),
            group=str(raw["group"]),
            digest=bytes.fromhex(raw.get("digest", "")),
            target=_taken(raw, "target"),
            first=_taken(raw, "first"),
            xattrs={str(name): base64.b64decode(value) for name, value in raw.get("xattrs", {}).items()},
            holes=tuple((int(at), int(size)) for at, size in raw.get("holes", ())),
            left_out=tuple(str(name) for name in raw.get("left_out", ())),
        )
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as problem:
        raise Damaged(f"a line of a listing makes no sense ({problem})", advice=LINE_ADVICE) from problem
    if (
        entry.kind not in ("file", "folder", "link")
        or entry.size < 0
        or not (entry.path == TOP if top else is_safe(entry.path))
    ):
        raise Damaged(f"a listing holds an impossible entry: {path_text(entry.path)}", advice=LINE_ADVICE)
    return entry


LINE_ADVICE = "take an earlier version; `otherroof versions JOB` lists them"


def _taken(raw: Any, key: str) -> bytes:
    if key in raw:
        if not isinstance(raw[key], str):
            raise TypeError(f"{key} is no text")
        return str(raw[key]).encode()
    return base64.b64decode(raw.get(key + "64", ""), validate=True)


def is_safe(path: bytes) -> bool:
    """Whether `path` stays inside the folder it is relative to: no empty, `.` or `..` part, no NUL."""
    if not path or b"\0" in path:
        return False
    # This alone keeps a listing's paths inside the folder that is restored into; links on the way are the target's
    # affair.
    return all(part not in (b"", b".", b"..") for part in path.split(b"/"))


def path_text(path: bytes) -> str:
    """A path as text for people: what is not UTF-8 or not printable is escaped."""
    return escaped(path.decode("utf-8", "backslashreplace"))
