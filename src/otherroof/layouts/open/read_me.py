"""The note for people that lies at the top of every far copy: what it is, whose it is, how to get files back.

It must help somebody who has never heard of Otherroof and has only this disk in front of them.
"""

from __future__ import annotations

_HEAD = """\
READ ME FIRST

This folder is a second copy of the folder "{job}" of the home "{home}".
It was put here by Otherroof, by agreement with the people who live here. Please do not change or delete
anything in it: the copy is only worth something as long as it is left alone.

To get files back with no tool at all
"""

# What the recovery sheet says too.
BY_HAND = """\
    latest/     holds the newest copy as ordinary files. Copy what you need.
    earlier/    holds what was replaced or removed since, one folder for each night. The
                name of a night's folder is its date and time (UTC). A file in
                earlier/2031-04-05T013000Z-7f3a/ is what stood in latest/ until that night.
    To see a file as it was after a certain night, look through the folders of the later
    nights, oldest first, and take the first one that holds it; if none does, take it from
    latest/. Which files there were on that night, its list in runs/ says.
"""

_TAIL = """
To check a file
    runs/       holds a list for each night: zcat runs/NIGHT.jsonl.gz
                Each line names a file with its size, time and digest. `b2sum -l 256 FILE` prints the digest.
                A night on which nothing changed has no lines of its own: after "same_as" it names the night
                whose list still holds.

To get everything back as it was, with times, permissions and links
    Install Otherroof on any Linux machine, give it the home's settings folder with its keys, and run
        otherroof restore {job} --into SOME-EMPTY-FOLDER --config THE-SETTINGS-FOLDER

home mark: {home_id}
"""


def read_me(job: str, home: str, home_id: str) -> str:
    """The note, with the mark by which a home knows its own folder again."""
    return _HEAD.format(job=job, home=home) + BY_HAND + _TAIL.format(job=job, home_id=home_id)
