"""The settings that were last whole: what a mistake falls back on, and what is never taken for them."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from otherroof.base.errors import WrongSettings
from otherroof.cli.common import settings_in_use
from otherroof.settings import Settings, read_settings, require_settings
from otherroof.settings.last_good import NAME, NOT_TRUSTED, keep_settings, settings_in_force
from support.household import write_household

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
BROKEN = {"job": ("jobs/photos.toml", 'folder = "/srv/photos"\n'), "main": ("otherroof.toml", "nothing of TOML")}


@pytest.fixture
def where(tmp_path: Path) -> str:
    return write_household(tmp_path / "settings", jobs={"photos": 'window = "22:00-06:30"\n', "papers": ""})


def kept_in(settings: Settings) -> Path:
    return Path(settings.state) / NAME


@pytest.mark.parametrize("which", BROKEN)
def test_a_mistake_falls_back_on_what_was_last_whole(where: str, which: str) -> None:
    whole = require_settings(where)
    Path(whole.state).mkdir()
    keep_settings(whole)
    name, text = BROKEN[which]
    (Path(where) / name).write_text(text)
    found, mistakes = settings_in_force(where)
    assert found == whole
    assert [name in one.file for one in mistakes] == [True] * len(mistakes) != []


@pytest.mark.parametrize("which", BROKEN)
def test_what_was_never_taken_up_is_not_made_up(where: str, which: str) -> None:
    name, text = BROKEN[which]
    (Path(where) / name).write_text(text)
    found, mistakes = settings_in_force(where)
    assert found == read_settings(where)[0]
    assert (found is None) == (which == "main")
    assert mistakes


def test_settings_without_a_mistake_are_what_the_files_say(where: str) -> None:
    old = require_settings(where)
    Path(old.state).mkdir()
    keep_settings(old)
    job = Path(where) / "jobs" / "papers.toml"
    job.write_text(job.read_text().replace("30 1", "45 1"))
    found, mistakes = settings_in_force(where)
    assert found is not None
    assert (found.jobs["papers"].at, mistakes) == ("45 1 * * *", [])


@pytest.mark.parametrize("text", ["", "{}", "nothing of JSON", "\xff"])
def test_a_file_of_another_version_or_half_of_one_is_not_used(where: str, text: str) -> None:
    whole = require_settings(where)
    Path(whole.state).mkdir()
    kept_in(whole).write_bytes(text.encode("latin-1"))
    (Path(where) / "otherroof.toml").write_text("nothing of TOML")
    assert settings_in_force(where)[0] is None


def test_those_of_another_folder_are_not_used(where: str, tmp_path: Path) -> None:
    elsewhere = require_settings(write_household(tmp_path / "elsewhere"))
    Path(elsewhere.state).mkdir()
    keep_settings(elsewhere)
    (Path(where) / "otherroof.toml").write_text("nothing of TOML")
    assert settings_in_force(where, [elsewhere.state])[0] is None


def test_the_state_is_found_where_the_service_manager_says(where: str, tmp_path: Path) -> None:
    main = Path(where) / "otherroof.toml"
    main.write_text(main.read_text().replace("[home]", f'[home]\nstate = "{tmp_path}/state"', 1))
    whole = require_settings(where)
    Path(whole.state).mkdir()
    keep_settings(whole)
    main.write_text("nothing of TOML")
    assert settings_in_force(where)[0] is None
    assert settings_in_force(where, [whole.state])[0] == whole


def test_every_kind_of_setting_comes_back_and_only_its_owner_can_read_it(tmp_path: Path) -> None:
    settings, _ = read_settings(str(EXAMPLES))
    assert settings is not None
    settings = settings.model_copy(update={"home": settings.home.model_copy(update={"state": str(tmp_path)})})
    keep_settings(settings)
    assert Settings.model_validate_json(kept_in(settings).read_text()) == settings
    assert stat.S_IMODE(kept_in(settings).stat().st_mode) == 0o600
    before = kept_in(settings).stat().st_ino
    keep_settings(settings)
    assert kept_in(settings).stat().st_ino == before, "what is there already is not written again"


DUMP = 'before = ["/usr/local/bin/dump"]\n'
TUNNEL = '\n[far.heron.tunnel]\nkind = "command"\nup = ["/bin/a"]\ndown = ["/bin/b"]\ntest = ["/bin/c"]\n'
CHANNEL = '\n[channel.own]\nkind = "command"\ncommand = ["/usr/local/bin/tell"]\n'


@pytest.fixture
def with_commands(tmp_path: Path) -> Settings:
    """Settings with a command of every kind, which the service has taken up."""
    jobs = {"photos": DUMP, "papers": ""}
    whole = require_settings(write_household(tmp_path / "settings", more=TUNNEL + CHANNEL, jobs=jobs))
    Path(whole.state).mkdir()
    keep_settings(whole)
    return whole


def test_commands_are_used_if_the_files_have_them_too(with_commands: Settings) -> None:
    where = Path(with_commands.where)
    (where / "jobs" / "papers.toml").write_text("nothing of TOML")
    found, mistakes = settings_in_force(str(where))
    assert found == with_commands
    assert [Path(mistake.file).name for mistake in mistakes] == ["papers.toml"]


def test_commands_that_the_files_do_not_have_are_left_out_with_all_that_needs_them(with_commands: Settings) -> None:
    where = Path(with_commands.where)
    (where / "otherroof.toml").write_text("nothing of TOML")
    found, mistakes = settings_in_force(str(where))
    assert found is not None
    assert (dict(found.far), dict(found.jobs), dict(found.told.channel)) == ({}, {}, {})
    assert found.unread == ("papers", "photos")
    assert [mistake.key for mistake in mistakes] == ["", "far.heron.tunnel", "channel.own.command"]
    assert with_commands.model_copy(update={"far": {}, "jobs": {}, "told": found.told, "unread": found.unread}) == found


@pytest.mark.parametrize("written", ["", 'before = ["/usr/local/bin/other"]\n', "nothing of TOML"])
def test_a_job_whose_command_cannot_be_trusted_is_not_copied(with_commands: Settings, written: str) -> None:
    where = Path(with_commands.where)
    (where / "jobs" / "papers.toml").write_text("nothing of TOML")
    photos = where / "jobs" / "photos.toml"
    photos.write_text(photos.read_text().replace(DUMP, written))
    found, mistakes = settings_in_force(str(where))
    assert found is not None
    assert (list(found.jobs), found.unread) == (["papers"], ("photos",))
    assert [mistake.key for mistake in mistakes if mistake.wrong == NOT_TRUSTED] == ["before"]
    assert found.far == with_commands.far


def test_a_drill_does_without_a_check_that_the_files_do_not_have_and_the_copy_goes_on(tmp_path: Path) -> None:
    also = '[drill]\nalso = ["/usr/local/bin/look"]\n'
    whole = require_settings(write_household(tmp_path / "settings", jobs={"photos": also, "papers": ""}))
    Path(whole.state).mkdir()
    keep_settings(whole)
    where = Path(whole.where)
    (where / "jobs" / "papers.toml").write_text("nothing of TOML")
    found, _ = settings_in_force(str(where))
    assert found == whole, "the files have it too"
    photos = where / "jobs" / "photos.toml"
    photos.write_text(photos.read_text().replace("bin/look", "bin/other"))
    found, mistakes = settings_in_force(str(where))
    assert found is not None
    assert found.jobs["photos"].drill.also is None
    assert (set(found.jobs), found.unread) == ({"photos", "papers"}, ())
    assert [mistake.key for mistake in mistakes if mistake.wrong == NOT_TRUSTED] == ["drill.also"]


def test_a_link_in_place_of_what_was_kept_is_not_followed(where: str, tmp_path: Path) -> None:
    whole = require_settings(where)
    Path(whole.state).mkdir()
    keep_settings(whole)
    kept_in(whole).rename(tmp_path / "elsewhere.json")
    kept_in(whole).symlink_to(tmp_path / "elsewhere.json")
    (Path(where) / "otherroof.toml").write_text("nothing of TOML")
    assert settings_in_force(where)[0] is None


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file to another account")
def test_what_another_account_could_have_written_is_not_believed(where: str) -> None:
    """So nobody goes by what the service's account left there, but that account itself."""
    whole = require_settings(where)
    Path(whole.state).mkdir()
    keep_settings(whole)
    (Path(where) / "otherroof.toml").write_text("nothing of TOML")
    assert settings_in_force(where)[0] == whole
    os.chown(kept_in(whole), 64123, 64123)
    assert settings_in_force(where)[0] is None


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file to another account")
def test_a_verb_of_roots_goes_by_the_files_if_the_service_is_another_account(where: str) -> None:
    whole = require_settings(where)
    Path(whole.state).mkdir()
    keep_settings(whole)
    (Path(where) / "jobs" / "photos.toml").write_text("nothing of TOML")
    assert settings_in_use(where)[0] == whole, "the service's own account sees what the service goes by"
    os.chown(kept_in(whole), 64123, 64123)
    found, mistakes = settings_in_use(where)
    assert (list(found.jobs), found.unread, len(mistakes)) == (["papers"], ("photos",), 1)
    (Path(where) / "otherroof.toml").write_text("nothing of TOML")
    with pytest.raises(WrongSettings, match="is not TOML"):
        settings_in_use(where)
