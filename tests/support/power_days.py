"""Days of a household that leave every kind of trace at the far end, for tests in which the far box's power goes."""

from __future__ import annotations

import os
import random

from otherroof.copying.compare.change import LARGE
from support.main_job import OneJob
from support.random_days import RandomDays

GUARD_OFF = {"guard": {"from_files": 100_000}}  # these days change more than the guard likes


class PowerDays:
    """Days in the folder of `job`; the same for the same seed.

    `files`: how many small ones there are to begin with. `kinds`: files become folders, and the like.
    """

    def __init__(self, job: OneJob, seed: int, *, files: int = 24, kinds: bool = True) -> None:
        self._job = job
        self._kinds = kinds
        self._dice = random.Random(seed)
        self._files = files
        self._random = RandomDays(job.path("mixed"), seed, largest=LARGE + 70_000)

    def first(self) -> None:
        """Small files, one large, some alike, a second name, a link, folders."""
        for number in range(self._files):
            self._put(self._name(number), self._dice.randint(1, 16_384))
        self._put("film", LARGE + 300_000)
        self._job.put("alike/one", b"the same " * 500)
        self._job.put("alike/two", b"the same " * 500)
        self._job.path("alike/second name").hardlink_to(self._job.path("alike/one"))
        self._job.path("link").symlink_to("alike/one")
        self._job.path("empty folder").mkdir()
        self._job.put("empty")
        if self._kinds:
            self._job.path("mixed").mkdir()
            self._random.pass_one(6)

    def next(self) -> None:
        """Files change, move, swap names, are doubled, get second names, become folders and links, and go."""
        names = [self._name(number) for number in range(self._files)]
        standing = [name for name in names if self._job.path(name).is_file()]
        self._dice.shuffle(standing)
        changed, rest = standing[: len(standing) // 2], standing[len(standing) // 2 :]
        for name in changed:
            self._put(name, self._dice.randint(1, 16_384))
        if len(rest) > 6:
            self._move(rest[0], f"moved/{self._dice.randrange(10**6)}")
            self._swap(rest[1], rest[2])
            self._job.put(f"doubled/{self._dice.randrange(10**6)}", self._job.path(rest[3]).read_bytes())
            second = self._job.path(f"doubled/second {self._dice.randrange(10**6)}")
            second.hardlink_to(self._job.path(rest[4]))
            self._job.path(rest[5]).unlink()
            if self._kinds:
                self._become_folder(rest[6])
        film = self._job.path("film")
        content = bytearray(film.read_bytes())
        content[400_000:400_100] = self._dice.randbytes(100)
        film.write_bytes(content)
        self._put(f"new/{self._dice.randrange(10**6)}", self._dice.randint(1, 9000))
        if self._kinds:
            self._random.pass_one(self._dice.randint(4, 12))

    def _name(self, number: int) -> str:
        return f"letters {number % 3}/{number:03}"

    def _put(self, name: str, size: int) -> None:
        self._job.put(name, self._dice.randbytes(size))

    def _move(self, old: str, new: str) -> None:
        self._job.path(new).parent.mkdir(exist_ok=True)
        self._job.path(old).rename(self._job.path(new))

    def _swap(self, one: str, other: str) -> None:
        left, right, between = self._job.path(one), self._job.path(other), self._job.path("between")
        os.rename(left, between)
        os.rename(right, left)
        os.rename(between, right)

    def _become_folder(self, name: str) -> None:
        self._job.path(name).unlink()
        self._put(f"{name}/inside", 700)
