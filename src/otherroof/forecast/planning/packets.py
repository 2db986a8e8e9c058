"""What of a line is left for content, from the sizes of packets: goodput against line rate, and what protocols add.

Arithmetic only: sizes and rates in. How large the tunnel's packets are is told to it. Sizes are of bytes, from the
documents that are named; those of SFTP and SSH are checked against packets that are really made, in tests/outside.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from otherroof.forecast.planning.estimate import Likely

INNER_HEADER: dict[Literal[4, 6], int] = {4: 20, 6: 40}  # RFC 791 §3.1, RFC 8200 §3
TCP_HEADER = 20  # RFC 9293 §3.1
TCP_TIME_STAMPS = 12  # RFC 7323 §3.2, with padding
# Around an IP packet on Ethernet: preamble 8, head 14, checksum 4, gap 12 (IEEE 802.3; RFC 6349 §4.1.1).
ETHERNET = 38
# Mathis et al., 1997: between 1 and √(3/2), depending on how losses fall.
MATHIS_LEAST, MATHIS_MOST = 1.0, math.sqrt(1.5)

# One SSH packet around channel data: length 4, padding's length 1, padding of 4 to 19 (RFC 4253 §6), message number 1,
# channel 4, length 4 (RFC 4254 §5.2), and a tag of 16 (RFC 5647).
SSH_AROUND = 4 + 1 + 11.5 + 9 + 16
SSH_MOST = 32_768  # bytes of channel data in a packet, as OpenSSH takes them
# Requests of SFTP without paths and content (draft-ietf-secsh-filexfer-02 §6): length 4, type 1, number 4, then strings
# with their lengths and attributes. A handle of OpenSSH is 4 bytes.
HANDLE = 4
OPEN_NEW, OPEN_OLD = 4 + 1 + 4 + 4 + 4 + 8, 4 + 1 + 4 + 4 + 4 + 4
WRITE = 4 + 1 + 4 + 4 + HANDLE + 8 + 4
READ = 4 + 1 + 4 + 4 + HANDLE + 8 + 4
SET_SIZE = 4 + 1 + 4 + 4 + HANDLE + 4 + 8
SET_ALL = SET_SIZE + 4 + 8
CLOSE = 4 + 1 + 4 + 4 + HANDLE
RENAME = 4 + 1 + 4 + 4 + 4
SYNC = 4 + 1 + 4 + 4 + len("fsync@openssh.com") + 4 + HANDLE
ASK_SIZE = CLOSE
# Answers: a status with OpenSSH's word for it (§7), a handle, the head of data, and attributes.
STATUS = 4 + 1 + 4 + 4 + 4 + len("Success") + 4
GIVEN_HANDLE = 4 + 1 + 4 + 4 + HANDLE
DATA_HEAD = 4 + 1 + 4 + 4
GIVEN_ATTRS = 4 + 1 + 4 + 4 + 8 + 8 + 4 + 8
WRITE_AT_ONCE = 261_120  # bytes of content in one request, as OpenSSH's `limits@openssh.com` has it
# A line of a listing, compressed: its digest is noise of 64 digits, half a byte each, and the rest resembles the line
# before (measured: 44 to 60 bytes).
LISTING_LINE = 52
PART_NAME = len("/incoming/") + 16 + len(".part")
LATEST = len("/latest/")
USUAL_PATH = 40  # bytes of a file's path in its folder (an assumption; a few bytes on the wire for each)
USUAL_TOP = 24  # bytes of the base and the job's name


@dataclass(frozen=True, slots=True)
class PacketPath:
    """How packets travel: `mtu` is the largest inside the tunnel, `around` what the tunnel adds to each (0: none)."""

    mtu: int = 1420
    around: int = 60
    inner: Literal[4, 6] = 4
    time_stamps: bool = True

    @property
    def payload(self) -> int:
        """Bytes of TCP payload in a full packet."""
        return self.mtu - INNER_HEADER[self.inner] - TCP_HEADER - (TCP_TIME_STAMPS if self.time_stamps else 0)

    def share(self, frame: int = 0) -> float:
        """The share of the line that TCP payload can have; `frame` is what the line counts around each IP packet."""
        return self.payload / (self.mtu + self.around + frame)

    @property
    def shares(self) -> Likely:
        """As `share`: a provider's figure may be one of IP packets, or of Ethernet frames as they are on the wire."""
        packets, frames = self.share(), self.share(ETHERNET)
        return Likely(frames, packets, packets)


def goodput(line_mbit: float, path: PacketPath) -> Likely:
    """The most TCP payload over a line of this nominal rate, in Mbit/s (RFC 6349 §4.1.1)."""
    return path.shares.times(line_mbit)


def loss_bound(path: PacketPath, round_trip_s: float, loss: float, connections: int = 1) -> Likely:
    """What TCP reaches at most with such a share of packets lost, in Mbit/s: MSS / RTT · C / √p for each connection.

    Mathis, Semke, Mahdavi and Ott, The macroscopic behavior of the TCP congestion avoidance algorithm, 1997. Without
    loss or round trip there is no such bound: infinity.
    """
    if loss <= 0 or round_trip_s <= 0:
        return Likely.sure(math.inf)
    base = connections * path.payload * 8e-6 / round_trip_s / math.sqrt(loss)
    return Likely(base * MATHIS_LEAST, base * (MATHIS_LEAST + MATHIS_MOST) / 2, base * MATHIS_MOST)


def bandwidth_delay(line_mbit: float, round_trip_s: float) -> float:
    """The bits that are under way on a full line (RFC 6349 §3.3.1)."""
    return line_mbit * 1e6 * round_trip_s


def transfer_time_ratio(took_s: float, ideal_s: float) -> float:
    """How many times longer than on an ideal line it took (RFC 6349 §4.1.2)."""
    return took_s / ideal_s


def tcp_efficiency(sent: int, again: int) -> float:
    """The share of sent bytes that were not sent again (RFC 6349 §4.2.1)."""
    return (sent - again) / sent if sent else 1.0


def buffer_delay(loaded_s: float, idle_s: float) -> float:
    """By what share a round trip grows on a loaded line (RFC 6349 §4.3.1)."""
    return loaded_s / idle_s - 1 if idle_s > 0 else 0.0


@dataclass(frozen=True, slots=True)
class OnTheWire:
    """TCP payload in bytes, from here (`up`) and from the far box (`down`)."""

    up: float
    down: float

    @property
    def both(self) -> float:
        """What an allowance counts."""
        return self.up + self.down

    def __add__(self, other: OnTheWire) -> OnTheWire:
        return OnTheWire(self.up + other.up, self.down + other.down)


def new_file_requests(path: int = USUAL_PATH, top: int = USUAL_TOP) -> OnTheWire:
    """What a new file costs besides its content: opened, emptied, written, given size, rights and time, closed, renamed
    into place, and later opened once more and synced. `path` and `top` are lengths of names."""
    part, latest = top + PART_NAME, top + LATEST + path
    up = OPEN_NEW + part + SET_SIZE + WRITE + SET_ALL + CLOSE
    up += RENAME + part + latest
    up += OPEN_OLD + latest + SYNC + CLOSE
    down = 2 * GIVEN_HANDLE + 7 * STATUS
    return OnTheWire(up, down)


def copy_on_wire(size: float, files: float, path: int = USUAL_PATH, top: int = USUAL_TOP) -> OnTheWire:
    """What so many new files with `size` bytes together put on the wire, with their lines of the listing."""
    each = new_file_requests(path, top)
    writes = max(0.0, size / WRITE_AT_ONCE - files)  # further ones of large files; the first is among `each`
    up = size + files * each.up + writes * WRITE
    # Requests of many files are gathered and share packets; their answers come one packet for every few.
    up += up / SSH_MOST * SSH_AROUND + files * LISTING_LINE
    down = files * each.down + writes * STATUS
    return OnTheWire(up, down + down / (2 * STATUS) * SSH_AROUND)


def restore_on_wire(size: float, files: float, path: int = USUAL_PATH, top: int = USUAL_TOP) -> OnTheWire:
    """What comes back with so many files of `size` bytes together: opened, read, closed, and the listing's lines."""
    reads = size / WRITE_AT_ONCE + files
    up = files * (OPEN_OLD + top + LATEST + path + CLOSE) + reads * READ
    down = size + files * (GIVEN_HANDLE + STATUS + LISTING_LINE) + reads * DATA_HEAD
    return OnTheWire(up + up / SSH_MOST * SSH_AROUND, down + down / SSH_MOST * SSH_AROUND)
