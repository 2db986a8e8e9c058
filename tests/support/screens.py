"""The screens of three invented households, kept as text: one that is well, one in trouble, one at its first copy.

What people see is looked at before it changes. Make the files anew by

    PYTHONPATH=tests python -m support.screens

and read the difference.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from rich.console import Console

from otherroof.base.clock import SteppedClock
from otherroof.cli.look import ledger as ledger_verb
from otherroof.cli.look import status as status_verb
from otherroof.copying.report import WINDOW_ENDED
from otherroof.ledger import Ledger
from otherroof.ledger.runs import Hold
from otherroof.settings import Settings, require_settings
from otherroof.watch import digest, page
from otherroof.watch.channels import Message
from otherroof.watch.gather import WatchInputs
from otherroof.watch.look import look
from otherroof.watch.overview import overview
from support.household import write_household
from support.one_way import text_of
from support.watching import DAY, HOUR, MAIL, Night, NotingChannel, write_run

SCREENS = Path(__file__).parent / "screens"
NOW = datetime(2031, 3, 6, 12, 0, tzinfo=UTC)
JOBS = ("letters", "photos", "server")
NIGHTS = 35
GB = 10**9


def _nights(ledger: Ledger, jobs: tuple[str, ...], until: int = 0) -> None:
    """Five weeks of good nights, up to `until` days ago."""
    for back in range(NIGHTS, until, -1):
        for place, name in enumerate(jobs):
            night = Night(sent=150_000_000 + 1_000_000 * (back * 7 % 11), seen=10_000 + 40 * (NIGHTS - back))
            write_run(ledger, NOW - back * DAY + (16 + place / 2) * HOUR, night, name)


def _far_box(ledger: Ledger, free: int, less_a_day: int) -> None:
    for back in range(NIGHTS, -1, -1):
        # No night brings quite what the one before did.
        ledger.spaces.note("heron", NOW - back * DAY, free + back * less_a_day + back * 5 % 7 * less_a_day, 2_000 * GB)
    ledger.answers.note("heron", NOW - 2 * HOUR)


def well(ledger: Ledger) -> None:
    """All is as it should be."""
    _nights(ledger, JOBS)
    _far_box(ledger, 1_200 * GB, GB // 2)


def trouble(ledger: Ledger) -> None:
    """Photos is held, the server's folder is gone for four days, and the far disk is full within weeks."""
    _nights(ledger, ("letters", "photos"))
    _nights(ledger, ("server",), until=4)
    gone = Night("failed", sent=0, reason="/srv/larch/server: no such folder; look whether its disk is mounted")
    for back in range(4, 0, -1):
        write_run(ledger, NOW - back * DAY + 17 * HOUR, gone, "server")
    write_run(ledger, NOW - 5 * HOUR, Night("held", sent=0), "photos")
    ledger.holds.note(Hold("photos", "r", NOW - 5 * HOUR, "8,120 of 10,000 files are gone", 8120, 0, 10_000, None))
    _far_box(ledger, 60 * GB, 4 * GB)


def first_copy(ledger: Ledger) -> None:
    """Photos has twelve nights of its first copy behind it; the others are well."""
    _nights(ledger, ("letters", "server"))
    left = 85 * GB
    for back in range(12, 0, -1):
        sent = (3_500 + 150 * (back * 5 % 7)) * 10**6
        cut = Night("cut", sent=sent, to_send=left, reason=WINDOW_ENDED, total_s=5 * 3600)
        write_run(ledger, NOW - back * DAY + 15 * HOUR, cut, "photos")
        left -= sent
    _far_box(ledger, 1_000 * GB, 4 * GB)


HOUSEHOLDS: dict[str, Callable[[Ledger], None]] = {"well": well, "trouble": trouble, "first-copy": first_copy}


@contextmanager
def lived(name: str) -> Iterator[tuple[Settings, Ledger, SteppedClock]]:
    """One of the households as it is at NOW."""
    with told(name) as (settings, ledger, clock, _):
        yield settings, ledger, clock


@contextmanager
def told(name: str) -> Iterator[tuple[Settings, Ledger, SteppedClock, list[Message]]]:
    """One of the households as it is at NOW, and what it was told until then."""
    with tempfile.TemporaryDirectory() as where:
        config = write_household(Path(where), jobs=dict.fromkeys(JOBS, ""), more=MAIL)
        for job in (Path(where) / "jobs").iterdir():
            # A folder whose name is the same on every machine.
            text = job.read_text().replace(f"{where}/family", "/srv/larch")
            if name == "first-copy" and job.stem == "photos":
                text = text.replace('"30 1 * * *"', '"30 23 * * *"') + 'window = "23:30-04:30"\n'
            job.write_text(text)
        settings, extra = require_settings(config), WatchInputs()
        with Ledger(settings.ledger) as ledger:
            HOUSEHOLDS[name](ledger)
            channels = {channel: NotingChannel() for channel in settings.told.channels}
            earlier = SteppedClock(NOW - 4 * HOUR)
            look(settings, ledger, earlier, extra, channels)
            earlier.step(4 * 3600)
            look(settings, ledger, earlier, extra, channels)
            digest.send(settings, ledger, earlier, extra, channels)
            yield settings, ledger, SteppedClock(NOW), channels["family"].taken


def terminal(columns: int) -> Console:
    """A terminal of 24 lines."""
    return Console(width=columns, height=24, force_terminal=True, no_color=True, color_system=None)


def made(columns: int = 80) -> dict[str, str]:
    """File name in `screens/` → its text: `status` and `ledger` on a terminal of `columns` and 24 lines, the mails with
    their subjects, the page as it reads to somebody who sees no shapes, and the digest."""
    texts = {}
    for name in HOUSEHOLDS:
        with told(name) as (settings, ledger, clock, mails):
            lines = status_verb.screen(overview(settings, ledger, clock), settings.zone, [], terminal(columns))
            texts[f"{name}-status.txt"] = "".join(f"{line.rstrip()}\n" for line in lines)
            rows = ledger.runs.rows(newest=ledger_verb.SHOWN + 1)
            lines = ledger_verb.screen(rows[:-1], settings.zone, terminal(columns), more=True)
            texts[f"{name}-ledger.txt"] = "".join(f"{line}\n" for line in lines)
            texts[f"{name}-mails.txt"] = "\n".join(
                f"{mail.line}\n\n{mail.text}\n" for mail in mails if mail.kind != "digest"
            )
            texts[f"{name}-page.txt"] = text_of(pages(settings, ledger, clock)[0])
            texts[f"{name}-digest.txt"] = digest.as_text(digest.make(settings, ledger, clock, WatchInputs()))
    return texts


def pages(settings: Settings, ledger: Ledger, clock: SteppedClock) -> tuple[str, str]:
    """The page and the digest's HTML."""
    with tempfile.TemporaryDirectory() as where:
        made = page.write(settings, ledger, clock, where, WatchInputs())
        return (Path(where) / page.PAGE).read_text(encoding="utf-8"), digest.as_html(made)


if __name__ == "__main__":
    from support import deed_screens

    SCREENS.mkdir(exist_ok=True)
    for file, text in (made() | deed_screens.made()).items():
        (SCREENS / file).write_text(text, encoding="utf-8")
