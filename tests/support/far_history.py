"""Versions of a small folder in a far copy, written through the ports alone; what each one held is remembered."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field

from otherroof.far.place import Task
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.keeper import Keeper
from otherroof.far_copy.listing import Header, gzip_member
from otherroof.far_copy.reader import Reader
from otherroof.far_copy.state import CopyState
from otherroof.far_copy.writer import FileProperties, Writer
from support.far_layouts import Far, put

Contents = dict[bytes, bytes]  # path → content; folders are those that the paths need

# Paths of which some are files where others have a folder, so that kinds change from one version to the next.
PATHS = (b"a", b"a/b", b"a/b/c", b"b", b"b/x", b"deep/down/\xff\n", b"deep/down", b"n" * 200)


@dataclass
class LinesPart:
    """A stretch of a listing."""

    entries: list[Entry]

    @property
    def count(self) -> int:
        return len(self.entries)

    @property
    def lines(self) -> bytes:
        return gzip_member(self.text())

    def text(self) -> bytes:
        return b"".join(entry.line().encode() + b"\n" for entry in self.entries)


@dataclass
class FarHistory:
    """Runs one after the other. `versions` are those that count; `now` is what the newest copy holds."""

    far: Far
    versions: dict[str, Contents] = field(default_factory=dict)
    now: Contents = field(default_factory=dict)
    runs: int = 0

    def run(self, contents: Contents, *, cut_after: int | None = None) -> str:
        """Let the newest copy hold `contents`, and commit; or be cut after so many changes."""
        keeper = self.far.keeper()
        run = self._begin(keeper)
        for number, _ in enumerate(self._changes(keeper.writer(run), contents)):
            if number == cut_after:
                return run
        self._commit(keeper, run, run)
        return run

    def run_without_changes(self) -> str:
        """A run whose listing points to the lines of the newest version; the newest copy must hold just that."""
        newest = max(self.versions)
        assert self.versions[newest] == self.now
        keeper = self.far.keeper()
        header = keeper.headers([newest])[newest]
        assert isinstance(header, Header)
        run = self._begin(keeper)
        self._commit(keeper, run, header.same_as or newest)
        return run

    def _begin(self, keeper: Keeper) -> str:
        self.runs += 1
        run = f"2031-04-{self.runs:02d}T013000Z-{self.runs:04x}"
        keeper.begin(run, keeper.view())
        return run

    def _commit(self, keeper: Keeper, run: str, whole: str) -> None:
        size = sum(map(len, self.now.values()))
        state = CopyState(run, keeper.home_id, files=len(self.now), size=size, whole_run=whole)
        parts = [LinesPart(entries_of(self.now))] if whole == run else []
        keeper.commit(state, parts, "2031-04-05T01:30:00Z", lambda _now: None)
        keeper.tidy(keeper.view(), run)
        self.versions[run] = dict(self.now)

    def _changes(self, writer: Writer, contents: Contents) -> Iterator[None]:
        """Each change to the newest copy, in the order in which a run makes them; `now` follows."""
        for path in sorted(self.now.keys() - contents.keys(), reverse=True):
            self.far.do(writer.aside(path))
            del self.now[path]
            yield
        folders = {above for path in contents for above in folders_above(path)}
        for path in sorted(PATHS, reverse=True):
            if path not in folders:
                self.far.do(writer.drop_folder(path))
        if folders:
            self.far.do(writer.make_folders(sorted(folders)))
        for path, content in sorted(contents.items()):
            if self.now.get(path) == content:
                continue
            properties = FileProperties(len(content), 0o644, 1_900_000_000 + self.runs)
            self.far.do(put(writer, path, content, properties, had=path in self.now))
            self.now[path] = content
            yield

    def restorable(self, run: str) -> Contents:
        """What a reader gives of a version now: every file that its listing names."""
        keeper = self.far.keeper()
        with closing(keeper.reader(run)) as reader:
            reader.look(keeper.view())
            return contents_of(reader)

    def check(self) -> None:
        """Every version holds what it held. Raises AssertionError."""
        keeper = self.far.keeper()
        assert keeper.view().runs == sorted(self.versions)
        for run, contents in self.versions.items():
            assert self.restorable(run) == contents, run


def contents_of(reader: Reader) -> Contents:
    """All files of a version, many at once, as a restore reads them."""
    tasks = (Task(entry.path, reader.read_whole(entry)) for entry in reader.entries())
    found: Contents = {}
    for done in reader.place.carry_out(tasks):
        if done.error is not None:
            raise done.error
        found[done.key] = done.value or b""
    return found


def entries_of(contents: Contents) -> list[Entry]:
    """The lines that a listing has for these files."""
    return [
        Entry(path, "file", len(content), 1_900_000_000 * 10**9, 0o644, 0, 0, digest=digest(content))
        for path, content in sorted(contents.items())
    ]


def digest(content: bytes) -> bytes:
    return hashlib.blake2b(content, digest_size=32).digest()


def folders_above(path: bytes) -> list[bytes]:
    parts = path.split(b"/")
    return [b"/".join(parts[:count]) for count in range(1, len(parts))]


def random_contents(chance: random.Random, before: Contents) -> Contents:
    """A folder somewhat like `before`: things come, go, change, and change their kind."""
    found = {path: content for path, content in before.items() if chance.random() < 0.7}
    for path in chance.sample(PATHS, 3):
        above = set(folders_above(path))
        found = {old: content for old, content in found.items() if old not in above and path not in folders_above(old)}
        found[path] = chance.randbytes(chance.randint(0, 50))
    return found


def random_history(far: Far, seed: int, runs: int = 6) -> FarHistory:
    """Runs of which some are cut half way and some find nothing changed."""
    chance = random.Random(seed)
    history = FarHistory(far)
    for number in range(runs):
        what = chance.random()
        if number and what < 0.15 and history.now == history.versions[max(history.versions)]:
            history.run_without_changes()
        else:
            contents = random_contents(chance, history.now)
            history.run(contents, cut_after=chance.randint(0, 3) if number and what < 0.4 else None)
    history.run(random_contents(chance, history.now))
    return history
