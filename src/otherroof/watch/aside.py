"""Puts a file in its place in one step: written aside, synced, renamed. Readers see the old one or the new one."""

from __future__ import annotations

import os
import tempfile

from otherroof.errors import HomeTrouble


def put(path: str, text: str, what: str, advice: str) -> None:
    """Put `text` at `path`, readable by all. Raises HomeTrouble, which says that `what` cannot be written."""
    # The name aside has an ending that no collector of metrics and no web server shows.
    try:
        number, aside = tempfile.mkstemp(prefix=".otherroof-", suffix=".part", dir=os.path.dirname(path))
        try:
            with os.fdopen(number, "w", encoding="utf-8", errors="replace", newline="\n") as file:
                file.write(text)
                file.flush()
                os.fchmod(file.fileno(), 0o644)
                os.fsync(file.fileno())
            os.replace(aside, path)
        except BaseException:
            os.unlink(aside)
            raise
    except OSError as problem:
        raise HomeTrouble(f"{what} cannot be written: {problem.strerror}", where=path, advice=advice) from problem
