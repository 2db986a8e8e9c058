"""A btrfs that commits every second in place of every thirty, and runs that wait accordingly."""

from __future__ import annotations

from otherroof.copying.send import files, landed

COMMIT_S = 1  # for the mount option `commit`, btrfs(5)


def wait_for_short_commits() -> None:
    """In this process runs wait for such a disk, and no longer. For a process of tests' own; else see `AGES`."""
    for module, name, value in AGES:
        setattr(module, name, value)


AGES = ((landed, "AGE_S", 2 * COMMIT_S), (files, "AGE_S", 2 * COMMIT_S), (landed, "BATCH_S", 0.3))
