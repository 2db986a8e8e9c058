"""The running service and its settings files: what counts as changed, when it is read, who is told what it goes by."""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from otherroof.base.clock import SteppedClock, SystemClock
from otherroof.cli.copy.serve import _KeptFiles
from otherroof.cli.main import main
from otherroof.jobs.locks import service_is_at_work, service_lock
from otherroof.schedule import goes_by
from otherroof.schedule.goes_by import service_view
from otherroof.settings import Settings, require_settings
from otherroof.settings.differences import what_differs
from otherroof.settings.files import STEADY_S, SettingsFiles
from otherroof.settings.last_good import NAME, keep_settings, last_taken_up
from support.household import JOB, write_household
from support.ledgers import ledger_of

NOW = datetime(2031, 4, 5, 1, 30, tzinfo=UTC)
BELL = '[channel.bell]\nkind = "command"\ncommand = ["/bin/true"]\n'


@pytest.fixture
def where(tmp_path: Path) -> Path:
    return Path(write_household(tmp_path / "settings"))


def in_place(where: Path, text: str) -> None:
    """As an editor does that keeps size and time of what it replaces."""
    path = where / "jobs" / "photos.toml"
    old, spare = path.stat(), where / "jobs" / ".photos.toml.new"
    spare.write_text(text)
    os.utime(spare, ns=(old.st_atime_ns, old.st_mtime_ns))
    spare.rename(path)


CHANGES: dict[str, Callable[[Path], object]] = {
    "main file": lambda where: (where / "otherroof.toml").write_text("[home]\n"),
    "a new job": lambda where: (where / "jobs" / "papers.toml").write_text("x"),
    "a job gone": lambda where: (where / "jobs" / "photos.toml").unlink(),
    "a job of another name": lambda where: (where / "jobs" / "photos.toml").rename(where / "jobs" / "pics.toml"),
    "the same size and time": lambda where: in_place(where, (where / "jobs" / "photos.toml").read_text()),
    "other rights": lambda where: (where / "otherroof.toml").chmod(0o600),
    "no folder of jobs": lambda where: (where / "jobs").rename(where / "away"),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_change_is_read_once_it_has_been_still_for_a_moment(where: Path, change: str) -> None:
    clock = SteppedClock(NOW)
    files = SettingsFiles(str(where), clock)
    assert files.due_in_s() is None
    CHANGES[change](where)
    assert files.due_in_s() == STEADY_S
    clock.sleep(STEADY_S - 1)
    assert files.due_in_s() == 1
    clock.sleep(1)
    assert files.due_in_s() == 0
    files.note_read()
    assert files.due_in_s() is None


def test_what_goes_on_changing_is_not_read_half_way(where: Path) -> None:
    clock = SteppedClock(NOW)
    files = SettingsFiles(str(where), clock)
    for number in range(5):
        (where / "jobs" / f"job{number}.toml").write_text("x")
        assert files.due_in_s() == STEADY_S
        clock.sleep(STEADY_S - 1)
    clock.sleep(1)
    assert files.due_in_s() == 0


def test_what_is_not_read_does_not_count(where: Path) -> None:
    files = SettingsFiles(str(where), SteppedClock(NOW))
    (where / "keys" / "more").write_text("x")
    (where / "notes.txt").write_text("x")
    assert files.due_in_s() is None


def test_what_changes_while_it_is_read_is_read_once_more(where: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settings = require_settings(str(where))
    clock = SteppedClock(NOW)
    files = _KeptFiles(SettingsFiles(str(where), clock), str(where), settings.state)

    def slow(folder: str) -> tuple[Settings, list[object]]:
        (where / "jobs" / "papers.toml").write_text("x")
        return settings, []

    monkeypatch.setattr("otherroof.settings.read_settings", slow)
    Path(settings.state).mkdir()
    files.read()
    assert files.due_in_s() is not None


def changed(settings: Settings, **more: object) -> Settings:
    return settings.model_copy(update=more)


def test_what_differs_is_told_by_table(tmp_path: Path) -> None:
    old = require_settings(write_household(tmp_path, jobs={"photos": "", "papers": ""}, more=BELL))
    assert what_differs(old, old) == []
    photos = changed(old.jobs["photos"], at="45 1 * * *")
    new = changed(
        old,
        home=changed(old.home, name="elm"),
        jobs={"photos": photos, "music": photos},
        far={"heron": changed(old.far["heron"], port=2222)},
        told=changed(old.told, channel={}, digest=changed(old.told.digest, at="0 8 * * 1")),
    )
    assert what_differs(old, new) == [
        "home",
        "far box heron",
        "job music (new)",
        "job papers (gone)",
        "job photos",
        "channel bell (gone)",
        "digest",
    ]
    assert what_differs(old, changed(old, where="/elsewhere"))
    assert what_differs(old, changed(old, unread=("songs",)))


@contextmanager
def at_work(settings: Settings) -> Iterator[None]:
    """A service, as far as its lock and its record of the settings go."""
    os.makedirs(settings.state, exist_ok=True)
    with service_lock(settings, SystemClock()):
        keep_settings(settings)
        yield


class Asked:
    """Verbs on a settings folder."""

    def __init__(self, where: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.where = str(where)
        self.ledger = ledger_of(self, str(where / "state" / "ledger.sqlite"))
        self._capsys = capsys

    def __call__(self, *words: str) -> str:
        with pytest.raises(SystemExit):
            main([*words, "--config", self.where])
        said = self._capsys.readouterr()
        assert "otherroof:" not in said.err
        return said.out


@pytest.fixture
def asked(where: Path, capsys: pytest.CaptureFixture[str]) -> Asked:
    return Asked(where, capsys)


@pytest.mark.parametrize("verb", ["check", "status", "alert-test"])
def test_whoever_changed_the_files_is_told_that_the_service_does_not_know_yet(
    where: Path, asked: Asked, verb: str
) -> None:
    with at_work(require_settings(str(where))):
        with (where / "otherroof.toml").open("a") as file:
            file.write(BELL)
        said = asked(verb)
        assert "does not use these settings yet (channel bell (new)); it takes them up by itself" in said
        told = json.loads(asked(verb, "--json"))["service"]
        assert told == {"at_work": True, "differs": ["channel bell (new)"]}
        keep_settings(require_settings(str(where)))
        assert "other settings" not in asked(verb)
    assert "the running service" not in asked(verb)


def test_check_says_that_the_service_goes_by_the_files(where: Path, asked: Asked) -> None:
    with at_work(require_settings(str(where))):
        assert asked("check").splitlines()[-1] == "the running service uses these settings"


@pytest.mark.parametrize(("name", "text"), [("jobs/photos.toml", "folder = 3\n"), ("otherroof.toml", "nonsense")])
def test_check_says_what_the_service_does_meanwhile_about_mistakes(
    where: Path, asked: Asked, name: str, text: str
) -> None:
    with at_work(require_settings(str(where))):
        (where / name).write_text(text)
        last = asked("check").splitlines()[-1]
    assert last == "the running service uses the settings from before until these have no mistakes"


def test_a_lock_that_cannot_be_looked_at_does_not_keep_the_settings_from_being_checked(
    where: Path, asked: Asked
) -> None:
    (where / "state" / "serve.lock").symlink_to("nowhere")
    assert "cannot tell whether a running service uses these settings: " in asked("check").splitlines()[-1]


def test_a_service_that_should_have_noticed_long_ago_is_not_waited_for(
    where: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with at_work(require_settings(str(where))):
        (where / "jobs" / "papers.toml").write_text(JOB.format(folder=where, far="heron"))
        new, clock = require_settings(str(where)), SteppedClock(SystemClock().now())
        clock.step(goes_by.SOON_S + 1)
        assert "systemctl restart otherroof" in service_view(new, clock).line


def test_nothing_is_said_of_what_cannot_be_known(where: Path) -> None:
    settings = require_settings(str(where))
    assert service_view(settings, SystemClock()).line == ""
    with at_work(settings):
        (Path(settings.state) / NAME).write_text("of another version")
        assert service_view(settings, SystemClock()).line == ""


def test_asking_for_the_service_makes_nothing_and_does_not_keep_it_from_starting(where: Path) -> None:
    settings = require_settings(str(where))
    assert not service_is_at_work(settings.state)
    assert not Path(settings.state).exists()
    with at_work(settings):
        assert service_is_at_work(settings.state)
    assert not service_is_at_work(settings.state)
    with open(Path(settings.state) / "serve.lock") as file:
        fcntl.flock(file, fcntl.LOCK_SH)  # one who asks, at the very moment
        os.set_inheritable(file.fileno(), False)

        class Impatient(SystemClock):
            def sleep(self, seconds: float) -> None:
                fcntl.flock(file, fcntl.LOCK_UN)

        with service_lock(settings, Impatient()):
            assert service_is_at_work(settings.state)


def test_what_the_service_keeps_is_not_waited_for(where: Path) -> None:
    settings = require_settings(str(where))
    os.makedirs(settings.state)
    os.mkfifo(Path(settings.state) / NAME)
    assert last_taken_up(str(where), settings.state) is None
