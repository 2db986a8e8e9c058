"""The port of a job's far copy as a whole, whatever the layout; the ports for one run or one version come from it.

Knows neither settings nor how a place is reached.
"""

from __future__ import annotations

import os
import re
import secrets
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass
from typing import Any, Protocol

from otherroof.base.errors import OtherroofError
from otherroof.far.place import Place
from otherroof.far.requests import Script
from otherroof.far_copy.listing import Header, ListingPart
from otherroof.far_copy.listing_key import ListingKey
from otherroof.far_copy.mender import Mender
from otherroof.far_copy.reader import Reader
from otherroof.far_copy.remover import Remover
from otherroof.far_copy.state import CopyState
from otherroof.far_copy.view import FarCopyView
from otherroof.far_copy.writer import Writer


@dataclass(frozen=True, slots=True)
class HomeIdentity:
    """This home: its name, its listing key, and a local scratch folder for listings being sent or fetched.

    `server` tells this machine from another one of the same home.
    """

    name: str
    key: ListingKey
    scratch: str
    server: str = ""


@dataclass(frozen=True, slots=True)
class RunMark:
    """A run under way: of which server, and when it last said that it goes on, in whole seconds of the far clock."""

    run: str
    server: str
    at: int


@dataclass(frozen=True, slots=True)
class FarNow:
    """What others may have changed since a run began: the marks of all runs under way, whichever server's they are,
    and the newest run that counts, looked at after these."""

    marks: list[RunMark]
    newest: str


def scratch_name(job: str, end: str) -> str:
    """A new name in the scratch folder; another reader of the same job may be open meanwhile."""
    return f"{job}.{secrets.token_hex(4)}{end}"


def remove_scratch_of(job: str, folder: str) -> None:
    """Remove what runs of `job` that were killed left in the scratch folder. Only while the job is locked."""
    # The whole name, because a job's name may begin with another's.
    ours = re.compile(re.escape(job) + r"\.[0-9a-f]{8}\.(listing|outgoing)(\.[a-z]+)*\Z")
    with suppress(FileNotFoundError):
        for name in filter(ours.match, os.listdir(folder)):
            with suppress(OSError):  # litter at worst, and tried again by the next run
                os.unlink(os.path.join(folder, name))


@dataclass(frozen=True, slots=True)
class ExtraScript:
    """A script to run together with the first look, to save a round trip; `heard` is called with its result."""

    script: Script[Any]
    heard: Callable[[Any], None]


class ProvedListing(Protocol):
    """A listing that was fetched and proved. Good for as long as whoever gave it out says."""

    @property
    def header(self) -> Header: ...

    @property
    def lines(self) -> Callable[[], Iterator[bytes]]:
        """Gives the entries' lines, also if the header says that another run's hold; these are proved as well. Once."""


class Keeper(Protocol):
    """A job's far copy as a whole: whose it is, which runs it holds, and the commit of a new one.

    These methods do their work at once. They raise what the place raises, Damaged if a listing is not what this home
    wrote, and HomeTrouble if this machine cannot lay a listing down on its way.
    """

    place: Place
    home_id: str
    server: str

    def view(self) -> FarCopyView:
        """Look at the far folder. Raises FarTrouble if it is another home's."""

    def writer(self, run: str) -> Writer:
        """The newest copy, for `run` to change."""

    def reader(self, run: str) -> Reader:
        """The version that `run` left, its listing proved; whoever asks for it closes it."""

    def remover(self) -> Remover:
        """The kept versions, for taking some of them out."""

    def mender(self) -> Mender:
        """The far files themselves, to put whole ones in the place of damaged ones."""

    def listing_name(self, run: str) -> bytes:
        """The name of a run's listing among the far files; see `FarLocation`."""

    def prove_listing(self, run: str) -> Header:
        """Read a run's own listing back and prove it. Raises Damaged. Another one that it names is not looked at."""

    def far_names(self, view: FarCopyView) -> Iterator[bytes]:
        """The names of all far files and links that versions are kept in, listings among them, in no order.

        Read it to its end before the place is asked for anything else.
        """

    def headers(self, runs: Iterable[str]) -> dict[str, Header | OtherroofError]:
        """The header of each run's listing, not proved, or why it cannot be had. Many are asked for at once."""

    def begin(self, run: str, view: FarCopyView) -> None:
        """Make what `view` says is missing of the far folder, and mark that `run` is under way.

        Also if it was begun before. After this the mark is durable, and `view` says that the folder is ready. Whose
        folder it is by now, `look_around` tells: another home may have begun there too.
        """

    def marks(self) -> list[RunMark]:
        """The marks of all runs under way, whichever server's they are."""

    def look_around(self, run: str) -> FarNow:
        """What stands there now, the marks looked at before the listings; `run` is one of this server's.

        Raises FarTrouble if the folder is another home's, or, to whoever writes, does not say whose it is.
        """

    def take_back_begin(self, run: str) -> None:
        """`run` has changed nothing and will not: take its mark away."""

    def listing(self, run: str) -> AbstractContextManager[ProvedListing]:
        """The listing of a run, proved; its lines are fetched when they are asked for, if another run has them."""

    def lines(self, run: str) -> Iterator[bytes]:
        """The entries' lines of a run's listing, proved before the first is given."""

    def moved_aside(self, run: str) -> Iterator[bytes]:
        """Every path at which `run` moved something aside, in no order.

        Read it to its end before the place is asked for anything else.
        """

    def held_now(self, path: bytes) -> bytes | None:
        """The digest of what the newest copy really holds at `path`, read back; None if it is no file."""

    def commit(
        self, state: CopyState, blocks: Iterable[ListingPart], taken: str, check: Callable[[FarNow], None]
    ) -> None:
        """Write the listing of `state.run` with these blocks: from then on the run counts.

        Before it does, `check` is told what stands there, looked at while the listing is on its way; if it raises, the
        run does not count. Nor does it if this raises HomeTrouble, or FarTrouble as `look_around` does. After Damaged
        (the listing did not arrive whole) or a broken connection it may count: `view` tells.
        If `state.whole_run` is another run, its lines hold and none are written. `taken` is RFC 3339 in UTC.
        """

    def hold_listing(self, run: str) -> None:
        """Make the listing of a run that counts durable under its name, if the connection broke in its commit."""

    def clear_litter(self, view: FarCopyView, wanted: list[bytes]) -> None:
        """Remove half-sent files of earlier runs, but not those of the paths in `wanted`."""

    def tidy(self, view: FarCopyView, run: str) -> None:
        """`run` counts: remove its mark, and everything that earlier runs left half done."""
