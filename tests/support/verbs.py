"""The command line as a person or a script meets it: call a verb on a household, and see how it ended."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from otherroof.cli.common import JSON_SCHEMA
from otherroof.cli.main import main
from support.main_job import OneJob, one_job


class Told:
    """How a verb ended: its exit code, and what it said."""

    def __init__(self, code: int, out: str, err: str) -> None:
        self.code, self.out, self.err = code, out, err

    @property
    def json(self) -> Any:
        """The one object, without the version of its shape, which each must have."""
        found = json.loads(self.out)
        assert found.pop("schema") == JSON_SCHEMA
        return found

    def one_line(self) -> str:
        """The one line of error that there must be."""
        assert self.out == ""
        assert "Traceback" not in self.err
        (line,) = self.err.strip().splitlines()
        assert line.startswith("otherroof: ")
        return line


Verb = Callable[..., Told]


def verb_of(job: OneJob, capsys: pytest.CaptureFixture[str]) -> Verb:
    """A function that calls a verb on the household of `job`."""

    def call(*argv: str) -> Told:
        with pytest.raises(SystemExit) as left:
            main([*argv, "--config", job.config])
        out, err = capsys.readouterr()
        return Told(int(left.value.code or 0), out, err)

    return call


@contextmanager
def two_files_and_a_link(where: Path) -> Iterator[OneJob]:
    """A household small enough to count what a verb tells of it."""
    with one_job(where) as made:
        made.put("a", b"first a")
        made.put("b/c", b"first c")
        made.path("link").symlink_to("a")
        yield made
