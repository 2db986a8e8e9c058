"""The listing: what a folder was after a run, line by line, authenticated with a key that is held at home.

gzip (RFC 1952, several members one after the other), JSON Lines, UTF-8. First a header, then one entry a line in
byte order of the path, last the keyed digest: BLAKE2b of 32 bytes (RFC 7693) over every byte before its own line. A run
that changed nothing says in its header whose lines hold, and has none of its own.
"""

from __future__ import annotations

import gzip
import hmac
import json
import os
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Any, BinaryIO, Protocol

from otherroof.base.clock import from_stamp
from otherroof.base.errors import Damaged
from otherroof.base.handles import open_plain_file
from otherroof.far_copy.entry import Entry, parse_line
from otherroof.far_copy.listing_key import ListingKey

FORMAT = 1
LEVEL = 6  # of zlib
GZIP = 31  # zlib's window bits for a whole gzip member (RFC 1952)
LARGEST = 1 << 63  # no count in a header is as large
LONGEST_LINE = 4 * 1024 * 1024  # bytes; more than any entry needs: see the limits in `entry`
LONGEST_HEADER = 1024 * 1024  # bytes; it holds the entry of the folder itself, which has no path and no holes
LONGEST_TEXT = 256  # characters of a name in the header
LONGEST_LAST = 1024  # bytes of the last line
# A few kB of gzip can unpack to gigabytes, and nothing is proved before all of it is unpacked. Lines of real entries
# pack to a twentieth; what would pack better than this is stored as it is (`gzip_member`).
MOST_RATIO = 200
RATIO_FREE = 16 * 1024 * 1024  # bytes that may always be unpacked
LARGEST_FILE = 16 * 1024**3  # bytes; listings of a hundred million entries


class ListingPart(Protocol):
    """A stretch of a listing: `lines` are `count` entries' lines, packed as one gzip member."""

    @property
    def count(self) -> int: ...

    @property
    def lines(self) -> bytes: ...

    def text(self) -> bytes:
        """The lines unpacked, each ended by a newline."""


@dataclass(frozen=True, slots=True)
class Header:
    """The first line. `taken` is RFC 3339 in UTC; `files` counts what is no folder, `size` their bytes.

    `top` is the entry of the folder itself; `same_as` names the run whose lines hold, if this run changed nothing.
    """

    job: str
    run: str
    home: str
    home_id: str
    taken: str
    layout: str
    files: int
    size: int
    top: dict[str, Any] = field(default_factory=dict)
    same_as: str = ""
    digest: str = "blake2b-256"
    format: int = FORMAT
    otherroof: str = "listing"

    def line(self) -> bytes:
        """The header as a line without its newline."""
        return json.dumps(asdict(self), ensure_ascii=False, separators=(",", ":")).encode()


def parse_header(line: bytes, shown_as: str) -> Header:
    """The header in `line`. Raises Damaged if it is none, or of a newer format."""
    try:
        raw = json.loads(line)
        # Keys of a later version that this one does not know are passed over; a format that it cannot read has a higher
        # number.
        known = {key: raw[key] for key in Header.__dataclass_fields__ if key in raw}
        header = Header(**known)
    except (ValueError, TypeError, KeyError, RecursionError) as problem:
        raise damaged_listing(shown_as, "has no header") from problem
    counts = (header.files, header.size, header.format)
    if header.otherroof != "listing" or not all(isinstance(count, int) and 0 <= count < LARGEST for count in counts):
        raise damaged_listing(shown_as, "has no header")
    texts = (header.job, header.run, header.home, header.home_id, header.taken, header.layout, header.same_as)
    fit = all(isinstance(text, str) and len(text) <= LONGEST_TEXT for text in (*texts, header.digest))
    if not fit or not isinstance(header.top, dict):
        raise damaged_listing(shown_as, "has a header that makes no sense")
    if header.format > FORMAT:
        raise Damaged("was written by a newer Otherroof", where=shown_as, advice="install that version again")
    return header


def time_taken(header: Header) -> datetime:
    """When the run of this header was taken, as its writer's clock had it. Raises Damaged."""
    try:
        return from_stamp(header.taken)
    except (ValueError, TypeError, AttributeError) as problem:
        raise damaged_listing(f"{header.job}/{header.run}", "does not say when it was taken") from problem


def damaged_listing(shown_as: str, what: str) -> Damaged:
    """A listing that cannot be trusted."""
    return Damaged(
        f"the listing {what}",
        where=shown_as,
        advice="do not trust this version; take an earlier one, `otherroof versions JOB` lists them",
    )


def write_listing(path: str, header: Header, parts: Iterable[ListingPart], key: ListingKey) -> int:
    """Write a listing to the file `path` and answer the number of its entries."""
    # The digest is over the text, not over the packed bytes: so parts can be stored as the catalogue holds them, packed
    # once, and what counts is what a person reads with zcat.
    mac = key.mac()
    entries = 0
    with open(path, "wb") as file:
        first = header.line() + b"\n"
        mac.update(first)
        file.write(gzip_member(first))
        for part in parts:
            mac.update(part.text())
            entries += part.count
            file.write(part.lines)
        last = {"entries": entries, "keyed_digest": mac.hexdigest()}
        file.write(gzip_member(json.dumps(last, separators=(",", ":")).encode() + b"\n"))
        file.flush()
        os.fsync(file.fileno())
    return entries


def gzip_member(text: bytes) -> bytes:
    """`text` as one gzip member; members one after the other are one gzip file (RFC 1952 §2.2).

    Text that packs too well for its readers to trust, such as attributes full of zeros, is stored as it is.
    """
    packed = _packed(text, LEVEL)
    return packed if len(text) <= len(packed) * MOST_RATIO else _packed(text, 0)


def _packed(text: bytes, level: int) -> bytes:
    packer = zlib.compressobj(level, zlib.DEFLATED, GZIP)
    return packer.compress(text) + packer.flush()


def check_listing(path: str, key: ListingKey, job: str, run: str, *, parse_from: int = 0) -> Header:
    """Read the whole listing in file `path` and prove it. Raises Damaged if anything is not as it was written.

    With `parse_from`, entries of so many bytes or more are also parsed: for a listing that was just written here.
    """
    shown_as = f"{job}/{run}"
    # The last line is the digest of all before it, and only the end of the file tells which one is last. So each line
    # waits until the next has come. Nothing is read as JSON before the digest is right, but for the digest itself.
    mac = key.mac()
    previous: bytes | None = None
    first: bytes | None = None
    count = 0
    for line in _lines(path, shown_as):
        if previous is not None:
            mac.update(previous)
            if parse_from and count and len(previous) >= parse_from:
                parse_line(previous)
            count += 1
        first = first or line
        previous = line
    if first is None or previous is None or count < 1:
        raise damaged_listing(shown_as, "ends too early")
    try:
        last = json.loads(previous) if len(previous) <= LONGEST_LAST else {}
        shown = str(last["keyed_digest"]).encode("utf-8", "replace")
    except (ValueError, KeyError, TypeError, RecursionError) as problem:
        raise damaged_listing(shown_as, "ends too early: its closing seal is missing") from problem
    # As bytes, since compare_digest refuses text that is not ASCII, and what was shown may be anything.
    if not hmac.compare_digest(shown, mac.hexdigest().encode()):
        raise damaged_listing(shown_as, "was changed since it was written, or with another key")
    header = parse_header(first, shown_as)
    # A listing is proved under one key for all jobs and runs of a home: another one, renamed, would be a true listing
    # too.
    if header.job != job or header.run != run:
        raise damaged_listing(shown_as, f"belongs to {header.job}/{header.run}")
    return header


def entry_lines(path: str, shown_as: str) -> Iterator[bytes]:
    """The entries' lines of a listing that was checked before."""
    previous: bytes | None = None
    for number, line in enumerate(_lines(path, shown_as)):
        # Line 0 is the header, and the last line is never handed on: each comes out when the next has been read.
        if number > 1 and previous is not None:
            yield previous
        previous = line.rstrip(b"\n")


def entries(path: str, shown_as: str) -> Iterator[Entry]:
    """The entries of a listing that was checked before. Raises Damaged at one that cannot be."""
    return (parse_line(line) for line in entry_lines(path, shown_as))


def header_in(data: bytes, shown_as: str) -> Header:
    """The header out of the first bytes of a listing file, not proved."""
    try:
        unpacker = zlib.decompressobj(GZIP)
        # With a bound: a few kB of gzip can unpack to gigabytes.
        text = unpacker.decompress(data, LONGEST_HEADER)
    except zlib.error as problem:
        raise damaged_listing(shown_as, "is not gzip") from problem
    return parse_header(text.split(b"\n", 1)[0], shown_as)


def holds_header(data: bytes) -> bool:
    """Whether the first bytes of a listing file hold the whole of its header."""
    unpacker = zlib.decompressobj(GZIP)
    try:
        unpacker.decompress(data, LONGEST_HEADER)
    except zlib.error:
        return True  # more of it would not help
    # The header is a member of its own, so its end is the end of the first member.
    return unpacker.eof


def _lines(path: str, shown_as: str) -> Iterator[bytes]:
    try:
        with open_plain_file(path) as packed, gzip.open(packed, "rb") as file:
            most = os.fstat(packed.fileno()).st_size * MOST_RATIO + RATIO_FREE
            yield from _bounded(file, shown_as, most)
    except (EOFError, OSError, zlib.error) as problem:
        raise damaged_listing(shown_as, f"cannot be unpacked ({problem})") from problem


def _bounded(file: BinaryIO | gzip.GzipFile, shown_as: str, most: int) -> Iterator[bytes]:
    # The same bounds for all, because this is read before it is proved.
    while line := file.readline(LONGEST_LINE):
        if not line.endswith(b"\n"):
            raise damaged_listing(shown_as, "ends within a line")
        most -= len(line)
        if most < 0:
            raise damaged_listing(shown_as, "unpacks to more than a list of files can be")
        yield line
