"""Where everything lies in the open layout, as relative paths. Pure.

READ-ME-FIRST.txt        what this is, whose it is, how to get files back with no tool at all
latest/                  the newest copy
earlier/<run id>/        what that run replaced or removed, at the same paths below
runs/<run id>.jsonl.gz   the listing after that run
incoming/                files half sent
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import MAXYEAR

from otherroof.far_copy.run_ids import is_run_id, time_of_run

READ_ME = b"READ-ME-FIRST.txt"
LATEST = b"latest"
EARLIER = b"earlier"
RUNS = b"runs"
INCOMING = b"incoming"
LISTING_END = b".jsonl.gz"
UNDER_WAY_END = b".under-way"
PART_END = b".part"
MADE_END = b".made"
# What takes the place of a damaged file, and that file itself until it has.
MEND_END = b".mend"
DAMAGED_END = b".damaged"


@dataclass(frozen=True, slots=True)
class JobPaths:
    """The paths of one job; `run` is the run that writes, empty if nothing is written."""

    job: str
    run: str = ""

    @property
    def name(self) -> str:
        """The far copy's name for messages."""
        return f"the far copy of {self.job}"

    @property
    def top(self) -> bytes:
        return self.job.encode()

    def at(self, *parts: bytes) -> bytes:
        return b"/".join((self.top, *parts))

    def below(self, path: bytes) -> bytes:
        """One of these paths as seen from the job's folder."""
        return path[len(self.top) + 1 :]

    def latest(self, path: bytes) -> bytes:
        return self.at(LATEST, path)

    def earlier(self, path: bytes, run: str = "") -> bytes:
        """What `run`, or the run that writes, took out of the newest copy at `path`."""
        return self.at(EARLIER, (run or self.run).encode(), path)

    def listing(self, run: str) -> bytes:
        return self.at(RUNS, run.encode() + LISTING_END)

    def under_way(self, run: str) -> bytes:
        """The mark that a run has begun; it goes when its listing stands."""
        return self.at(INCOMING, run.encode() + UNDER_WAY_END)

    def part(self, path: bytes) -> bytes:
        """The name under which a file arrives. It depends on the path alone, so that a later run finds it again."""
        return self.at(INCOMING, _token(path) + PART_END)

    def made(self, path: bytes) -> bytes:
        """The name under which a file is made from another one over there.

        Never the name of a part: this one may share its content with a file that is kept, and is never written to.
        """
        return self.at(INCOMING, _token(path) + MADE_END)

    def mend(self, name: bytes, end: bytes) -> bytes:
        """The name of what replaces, or was, the damaged far file `name` (as seen from the job's folder)."""
        return self.at(INCOMING, _token(b"\0" + name) + end)


def _token(path: bytes) -> bytes:
    # Not the name itself: it may be as long as a name can be, and `incoming/` is flat. 64 bits: among a million files
    # the chance that any two share a token is below one in thirty million. `person` sets this use of the hash apart
    # from every other.
    return hashlib.blake2b(path, digest_size=8, person=b"otherroof-part").hexdigest().encode()


def run_in(name: bytes, end: bytes) -> str | None:
    """The run id in a file name that ends in `end`; None if it is not one, or dated so late that no id could follow."""
    if not name.endswith(end):
        return None
    text = name[: len(name) - len(end)].decode("ascii", "replace")
    return text if is_run_id(text) and time_of_run(text).year < MAXYEAR else None
