"""What may happen in one night of a campaign: a run in which something goes wrong, or something that hurts beside it.

Each night says itself what it did (`disturb`) and checks what is special to it; what holds always is in `household`.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path

from campaign.far_end import killing
from campaign.home_end import RunEnd, Runs, damage_state, lose_state
from campaign.household import CampaignFault, Household, in_thread, remove
from campaign.truth import TOP
from otherroof.base.errors import OtherroofError
from support.main_job import JOB

DAY_S = 86_400.0
FUTURE = "2099-01-01T000000Z-0000"
Night = Callable[[Household], None]


def quiet(house: Household) -> None:
    """Nothing happens."""
    house.settle()


# -- the run ends too early --


def killed(house: Household) -> None:
    """SIGKILL, at a random request or at a random moment."""
    house.disturb("killed")
    if house.dice.random() < 0.75:
        request = house.dice.randrange(1, house.dice.choice((12, 60, 200)))
        end = house.run(during=lambda pid: house.far_end.at(request, killing(pid, signal.SIGKILL)))
        house.far_end.well()
    else:
        wait_s = house.dice.uniform(0.0, 0.5)
        end = house.run(during=lambda pid: _kill_later(house, pid, wait_s))
    if end.killed:
        house.figures["kills"] += 1


def _kill_later(house: Household, pid: int, wait_s: float) -> None:
    time.sleep(wait_s)
    house.runs.kill(pid)


def killed_and_notes_older(house: Household) -> None:
    """Killed, and home's disk has not kept the last of the run's notes, as after a power cut."""
    house.disturb("killed, notes lost their end", damaged=True)
    notes = house.job.state / "notes"
    saved = house.job.where / "notes-saved"
    first = house.dice.randrange(8, 60)
    later = first + house.dice.randrange(1, 60)

    def save() -> None:
        remove(saved)
        saved.mkdir()
        for path in notes.glob(f"{JOB}.db*"):
            if path.name.endswith((".db", "-wal")):
                shutil.copy(path, saved)

    def during(pid: int) -> None:
        def then_kill() -> None:
            save()
            house.far_end.at(later - first, killing(pid, signal.SIGKILL))

        house.far_end.at(first, then_kill)

    end = house.run(during=during)
    house.far_end.well()
    if end.killed and saved.exists() and any(notes.glob("*.db")):
        house.figures["kills"] += 1
        house.figures["notes set back"] += 1
        for name in (f"{JOB}.db", f"{JOB}.db-wal", f"{JOB}.db-shm"):
            (notes / name).unlink(missing_ok=True)
        for path in saved.iterdir():
            shutil.copy(path, notes)
    remove(saved)


def cut(house: Household) -> None:
    """Sessions break after so many requests: once, or again and again."""
    house.disturb("sessions cut")
    times = house.dice.choice((1, 2, 1000))
    house.door.misbehave(cut_after=house.dice.randrange(1, 150), cut_times=times)
    house.run()
    house.figures["nights with cut sessions"] += 1
    house.door.misbehave()


def full_disk(house: Household) -> None:
    """The far disk has room for a little more only."""
    house.disturb("far disk full")
    house.door.misbehave(full_after=house.dice.choice((0, 1, 5_000, 100_000, 1_000_000)))
    end = house.run()
    house.figures["full disks"] += "full" in end.error or not end.outcome.startswith("done")
    house.door.misbehave()


def refusals(house: Household) -> None:
    """Every request may be refused, whether it is carried out or not."""
    house.disturb("refusals")
    house.far_end.refuse(house.dice.randrange(10**6), house.dice.choice((0.01, 0.05, 0.2)))
    house.run()
    house.figures["nights of refusals"] += house.far_end.refused > 0
    house.far_end.well()


# -- home's own files --


def state_lost(house: Household) -> None:
    """Files of the state folder are gone."""
    which = lose_state(house.job.state, Path(house.job.settings.ledger), house.dice)
    house.disturb(f"state lost: {which}", damaged=True)
    house.known = ""
    house.figures["states lost"] += 1
    if house.dice.random() < 0.5:
        house.settle()


def state_damaged(house: Household) -> None:
    """Bits of the state folder fell over."""
    which = damage_state(house.job.state, Path(house.job.settings.ledger), house.dice)
    house.disturb(f"state damaged: {which}", damaged=True)
    house.known = ""
    house.damage_to_be_met += len(which.split(", "))
    house.figures["states damaged"] += 1
    if house.dice.random() < 0.5:
        house.settle()


# -- home's folder while a run goes on --


def written_to(house: Household) -> None:
    """A log grows all the time, files are written through memory, and the first of several names is replaced."""
    if house.shift_s:  # with a clock that is ahead nothing could know how young these changes are
        quiet(house)
        return
    house.disturb("written to while the run goes on")
    dice = random.Random(house.dice.randrange(10**6))
    names = [path for path, thing in house.look_home().items() if thing.names and thing.kind == "file"]
    raced = [Path(os.fsdecode(os.path.join(os.fsencode(house.job.folder), min(names))))] if names else []
    album = sorted(house.days.album.iterdir())
    touched = {house.days.log, *raced, *dice.sample(album, 5)}
    stop = threading.Event()

    def write() -> None:
        until = time.monotonic() + 20
        while not stop.wait(0.003) and time.monotonic() < until:
            house.days.grow(house.days.log, 20_000)
            path = dice.choice(sorted(touched - {house.days.log, *raced}))
            house.days.overwrite_quietly(path, dice.randbytes(min(path.stat().st_size, 50)))
            _remember(house, path)
            if raced and dice.random() < 0.02:
                _replace(house, raced.pop(), dice.randbytes(5000))

    def changes() -> set[bytes]:
        stop.set()
        wait()
        return {os.fsencode(path.relative_to(house.job.folder)) for path in touched}

    wait = in_thread(write)
    house.run(changes=changes)
    house.figures["nights written to"] += 1


def _remember(house: Household, path: Path) -> None:
    name = os.fsencode(path.relative_to(house.job.folder))
    house.ever.setdefault(name, set()).add(("file", house.contents.keep(os.fsencode(path)), b""))


def _replace(house: Household, path: Path, content: bytes) -> None:
    new = house.job.folder.parent / "new"
    new.write_bytes(content)
    name = os.fsencode(path.relative_to(house.job.folder))
    house.ever.setdefault(name, set()).add(("file", house.contents.keep(os.fsencode(new)), b""))
    new.replace(path)


# -- a person should look --


def encrypted(house: Household) -> None:
    """Everything is overwritten with noise, sizes and times put back: the run is held, and sends nothing."""
    if not house.versions or house.disturbed:
        quiet(house)
    house.disturb("the album encrypted")
    before = house.days.encrypt_all()
    _must_be_held(house)
    house.days.put_back(before)
    house.figures["folders encrypted"] += 1
    house.settle()


def emptied(house: Household) -> None:
    """The folder is empty, as if its disk were not there: the run is held, and sends nothing."""
    if not house.versions or house.disturbed:
        quiet(house)
    house.disturb("the folder empty")
    away = house.job.where / "away"
    house.job.folder.rename(away)
    house.job.folder.mkdir()
    try:
        _must_be_held(house)
    finally:
        house.job.folder.rmdir()
        away.rename(house.job.folder)
    house.figures["folders emptied"] += 1
    house.settle()


def _must_be_held(house: Household) -> RunEnd:
    before = house.newest_copy()
    end = house.run()
    if end.outcome != "held":
        raise CampaignFault(f"{house.disturbed}, and the run ended {end.outcome} {end.error}")
    house.must_be_as(before)
    house.figures["held"] += 1
    return end


def own_key(house: Household) -> None:
    """Somebody laid a copy of home's own keys into the folder: it never leaves the house."""
    house.disturb("a key in the folder")
    keys = sorted((Path(house.job.config) / "keys").iterdir())
    key = house.dice.choice(keys)
    copy = house.job.folder / "b-safe place" / "kept"
    copy.parent.mkdir(exist_ok=True)
    shutil.copyfile(key, copy)
    end = house.run()
    if end.outcome == "done":
        raise CampaignFault(f"{key.name} was sent without a word")
    secret = key.read_bytes()
    for path in house.job.far.rglob("*"):
        if path.is_file() and not path.is_symlink() and path.stat().st_size < 10**5 and secret in path.read_bytes():
            raise CampaignFault(f"{key.name} lies at the far end as {path}")
    house.figures["own keys"] += 1
    remove(copy.parent)
    house.settle()


# -- clocks and names from the future --


def clock_ahead(house: Household) -> None:
    """Home's clock is more than a year ahead for this one run."""
    house.disturb("clock ahead")
    house.run(shift_s=400 * DAY_S * house.dice.random())
    house.figures["clocks ahead"] += 1


def future_folder(house: Household) -> None:
    """The far box makes a folder of a run that has not been yet."""
    house.disturb("a folder of the future")
    (house.job.far / "earlier" / FUTURE).mkdir(parents=True, exist_ok=True)
    house.figures["folders of the future"] += 1


# -- the far box --


def rolled_back(house: Household) -> None:
    """The far box shows an old state: a restore says so, a run is held; later the true state is back."""
    if house.disturbed or not house.versions:
        quiet(house)
    old = max(house.versions)
    saved, true = house.job.where / "far-saved", house.job.where / "far-true"
    subprocess.run(["cp", "-a", str(house.job.far), str(saved)], check=True, timeout=120)
    house.days.grow(house.days.log, 5)
    house.settle()
    house.disturb("far box rolled back")
    house.job.far.rename(true)
    saved.rename(house.job.far)
    report, target = house.bring_back("")
    told = [problem.why for problem in report.problems if not problem.path]
    if report.header.run != old or not any("not the newest version" in why for why in told):
        raise CampaignFault(f"{house.known} is hidden, {report.header.run} came back, and it says {told}")
    remove(target)
    _must_be_held(house)
    remove(house.job.far)
    true.rename(house.job.far)
    house.figures["far boxes rolled back"] += 1
    house.settle()


def not_listed(house: Household) -> None:
    """One folder of what was moved aside cannot be listed: what does not lie there comes back all the same."""
    if house.disturbed or len(house.versions) < 2:
        quiet(house)
        return
    earlier = house.job.far / "earlier"
    folders = [path for run in earlier.iterdir() for path in (run, *run.glob("*"), *run.glob("*/*")) if path.is_dir()]
    if not folders:
        return
    folder = house.dice.choice([path for path in folders if not path.is_symlink()])
    run, _, below = os.fsencode(folder.relative_to(earlier)).partition(b"/")
    house.log.append(f"not listed: {folder}")
    house.far_end.never_list(b"/earlier/" + run + (b"/" + below if below else b""))
    older = [version for version in house.versions if version < os.fsdecode(run)]
    if older:
        house.check(house.dice.choice(sorted(older)), spoilt=below or TOP)
        house.figures["folders not listed"] += 1
    house.far_end.well()


def restored_meanwhile(house: Household) -> None:
    """Restores while a run goes on, which may be killed or cut."""
    if not house.versions:
        quiet(house)
        return
    house.disturb("restored while the run goes on")
    versions = [max(house.versions), house.dice.choice(sorted(house.versions))]
    waits: list[Callable[[], None]] = []

    def restores() -> None:
        for run in versions:
            house.check(run)

    def during(pid: int) -> None:
        waits.append(in_thread(restores))
        if house.dice.random() < 0.3:
            house.far_end.at(house.dice.randrange(20, 300), killing(pid, signal.SIGKILL))

    try:
        end = house.run(during=during)
    finally:
        for wait in waits:
            wait()
    house.figures["kills"] += end.killed
    house.figures["restores beside a run"] += len(versions)
    house.far_end.well()


def gone(house: Household) -> None:
    """The far box is not there; the run says so."""
    house.disturb("far box gone")
    house.door.box.kill()
    end = house.run()
    if end.outcome != "failed":
        raise CampaignFault(f"nobody answers, and the run ended {end.outcome}")
    try:
        house.bring_back("")
    except OtherroofError as problem:
        house.log.append(f"  {problem}")
    else:
        raise CampaignFault("a restore from a far box that is gone")
    house.door.box.restart()
    house.figures["far boxes gone"] += 1


# -- a second server --


def two_servers(house: Household) -> None:
    """The old server was left on after a move: it has home's settings, keys and state, and an older folder.

    Both run at once. Whatever counts is whole, and what counted before stays so.
    """
    if house.disturbed or not house.versions:
        quiet(house)
        return
    house.disturb("two servers")
    other = house.job.where / "other-server"
    config, folder = _second_server(house, other)
    ours, theirs = house.look_home(), house.look_home_of(folder)
    before, newest = house.listings(), max(house.versions)
    wait_s = house.dice.uniform(0, 0.4)
    with Runs(other, server="0" * 16) as runs:
        house.runs.start(house.job.config, house.shift_s)
        time.sleep(wait_s)
        runs.start(config, house.shift_s)
        ends = [(house.runs.end(), ours), (runs.end(), theirs)]
    house.figures["runs"] += 2
    house.figures["nights with two servers"] += 1
    for run in sorted(house.listings() - before):
        counted = [(end, things) for end, things in ends if end.run == run and end.outcome.startswith("done")]
        if not counted:
            raise CampaignFault(f"run {run} counts, and ended {[(end.run, end.outcome, end.error) for end, _ in ends]}")
        house.note_version(run, counted[0][1], counted[0][0], set())
        house.check(run)
    house.log += [f"  {end.run} {end.outcome} {end.code} {end.error}" for end, _ in ends]
    if any(end.code for end, _ in ends):
        raise CampaignFault(f"a run of two servers ended in a mistake: {house.last_words(other / 'told')}")
    house.check(newest)
    for mark in (house.job.far / "incoming").glob("*.under-way"):  # a quarter of an hour passes
        os.utime(mark, (time.time() - 1200, time.time() - 1200))
    remove(other)
    house.settle()


def _second_server(house: Household, other: Path) -> tuple[str, Path]:
    """Its settings and its folder, in which some files are others than in ours."""
    folder = other / "home" / JOB
    folder.parent.mkdir(parents=True)
    subprocess.run(["cp", "-a", str(house.job.folder), str(folder)], check=True, timeout=120)
    subprocess.run(["cp", "-a", house.job.config, str(other / "settings")], check=True, timeout=120)
    settings = other / "settings" / "jobs" / f"{JOB}.toml"
    settings.write_text(settings.read_text().replace(str(house.job.folder), str(folder)))
    for path in house.dice.sample(sorted((folder / "album").iterdir()), 15):
        path.write_bytes(house.dice.randbytes(2000))
    house.days.grow(house.days.log, 1000)
    for path in house.dice.sample(sorted(house.days.album.iterdir()), 10):
        path.write_bytes(house.dice.randbytes(2000))
    return str(other / "settings"), folder


NIGHTS: dict[Night, int] = {
    quiet: 16,
    killed: 22,
    killed_and_notes_older: 5,
    cut: 9,
    full_disk: 6,
    refusals: 12,
    state_lost: 9,
    state_damaged: 9,
    written_to: 6,
    encrypted: 4,
    emptied: 2,
    own_key: 2,
    clock_ahead: 3,
    future_folder: 2,
    rolled_back: 4,
    not_listed: 4,
    restored_meanwhile: 8,
    gone: 2,
    two_servers: 5,
}


def some_night(dice: random.Random) -> Night:
    """One of them."""
    return dice.choices(list(NIGHTS), list(NIGHTS.values()))[0]
