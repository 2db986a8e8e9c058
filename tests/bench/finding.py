"""A million entries in three versions: how long the index takes to make, and how long it takes to answer.

    python tests/bench/finding.py FOLDER     # about 300 MB free there

The listings are made up and written into an index by the code that takes in proved lines; far box and line are left
out. Each answer is one fresh process's: opening the index, believing it by its digest, asking, and reading all rows.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta

from otherroof.far_copy.entry import Entry
from otherroof.far_copy.listing_key import ListingKey
from otherroof.restore.finding.history import held_states
from otherroof.restore.finding.index_builder import IndexBuilder
from otherroof.restore.finding.index_file import IndexFile
from otherroof.restore.finding.index_store import IndexStore
from otherroof.restore.finding.like import Like
from otherroof.restore.finding.look import VersionLook
from otherroof.restore.finding.states import marked

FILES = 1_000_000
A_FOLDER = 500  # files
VERSIONS = 3
KEY = ListingKey(bytes(range(32)))


def lines(version: int) -> Iterator[bytes]:
    """A folder in which every hundredth file changed since the version before."""
    for number in range(FILES):
        if number % A_FOLDER == 0:
            yield Entry(f"d{number // A_FOLDER:05}".encode(), "folder", 0, 0, 0o755, 1000, 1000).line().encode()
        state = version if number % 100 == version else 0
        digest = hashlib.blake2b(b"%d %d" % (number, state), digest_size=32).digest()
        path = f"d{number // A_FOLDER:05}/a name of usual length {number:07}.jpg".encode()
        yield Entry(path, "file", number, state, 0o644, 1000, 1000, "ruth", "ruth", digest).line().encode()


def make(store: IndexStore) -> None:
    begun = datetime(2031, 4, 5, 1, 30, tzinfo=UTC)
    path = ""
    for version in range(VERSIONS):
        taken = begun + timedelta(days=version)
        made = list(lines(version))
        start = time.monotonic()
        with store.anew(path) as new:
            with closing(IndexBuilder(new)) as builder:
                builder.take_in(f"{taken:%Y-%m-%dT%H%M%SZ}-{version:04x}", taken, (FILES, 1), marked(iter(made)))
            path = store.publish(new)
        print(f"taking version {version + 1} in: {time.monotonic() - start:.1f} s", flush=True)
    print(f"index: {os.path.getsize(path) / 1e6:.0f} MB")


def ask(folder: str, what: str) -> None:
    start = time.monotonic()
    with closing(IndexFile(IndexStore(folder, "photos", KEY).found())) as index:
        versions = index.versions()
        last = versions[-1]
        look = VersionLook(index, "photos", last)
        asked: dict[str, Callable[[], int]] = {
            "files, top": lambda: len(list(look.entries(b""))),
            "files, one folder": lambda: len(list(look.entries(b"d00777"))),
            "files, totals": lambda: look.totals(b"")[0],
            "files --like '*7777.jpg'": lambda: len(list(look.entries(b"", Like("*7777.jpg")))),
            "files --like '*' (all)": lambda: sum(1 for _ in look.entries(b"", Like("*.jpg"))),
            "versions PATH": lambda: len(
                held_states(versions, index.states_of(b"d00000/a name of usual length 0000001.jpg"))
            ),
            "changes": lambda: sum(1 for _ in index.changes(versions[-2].holds, last.holds)),
            "changes, all came": lambda: sum(1 for _ in index.changes(None, last.holds)),
        }
        if what == "names":
            print("\n".join(asked))
            return
        rows = asked[what]()
    with open(
        "/proc/self/status", encoding="ascii"
    ) as status:  # not getrusage, which counts the parent before exec too
        peak = next(int(line.split()[1]) / 1024 for line in status if line.startswith("VmHWM"))
    print(f"{what:<28} {rows:>9} rows {time.monotonic() - start:6.2f} s {peak:6.0f} MiB", flush=True)


def main(folder: str, what: str = "") -> None:
    if what:
        ask(folder, what)
        return
    store = IndexStore(folder, "photos", KEY)
    if not store.found():
        make(store)
    names = subprocess.run(
        [sys.executable, __file__, folder, "names"], check=True, capture_output=True, text=True, timeout=60
    )
    for name in names.stdout.splitlines():
        subprocess.run([sys.executable, __file__, folder, name], check=True, timeout=300)


if __name__ == "__main__":
    main(*sys.argv[1:])
