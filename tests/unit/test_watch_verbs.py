"""The verbs digest, page, quiet and alert-test: what they print, what they write, and their exit codes."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest

from otherroof.base.clock import SystemClock
from otherroof.cli.main import main
from otherroof.ledger.runs import Hold
from otherroof.settings import require_settings
from otherroof.watch.look import look
from support.household import write_household
from support.ledgers import ledger_of
from support.watching import Night, write_run

BELL = '[channel.bell]\nkind = "command"\ncommand = ["/bin/true"]\ncarries = ["alerts", "digest"]\n'


class House:
    """A household whose last copy is an hour old, asked by the command line."""

    def __init__(self, where: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.where = write_household(where, more=BELL)
        self.ledger = ledger_of(self, str(where / "state" / "ledger.sqlite"))
        self.capsys = capsys
        self.now = SystemClock().now()
        self.ledger.answers.note("heron", self.now)
        write_run(self.ledger, self.now - timedelta(hours=1), Night())

    def ask(self, *words: str) -> tuple[int, str]:
        with pytest.raises(SystemExit) as ended:
            main([*words, "--config", self.where])
        captured = self.capsys.readouterr()
        return int(ended.value.code or 0), captured.out + captured.err

    def hold(self) -> None:
        self.ledger.holds.note(Hold("photos", "r", self.now, "most files are gone", 9, 0, 10, None))
        look(require_settings(self.where), self.ledger, SystemClock())
        self.capsys.readouterr()


@pytest.fixture
def house(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> House:
    return House(tmp_path, capsys)


def test_digest_leaves_with_zero_only_when_all_is_safe(house: House) -> None:
    code, said = house.ask("digest")
    assert code == 0
    assert said.startswith("Safe: the one copy is recent (1 h old).")
    house.hold()
    code, said = house.ask("digest")
    assert code == 1
    assert "otherroof release photos" in " ".join(said.split())


def test_digest_writes_html_and_json(house: House, tmp_path: Path) -> None:
    file = tmp_path / "digest.html"
    assert house.ask("digest", "--html", str(file))[0] == 0
    assert file.read_text().startswith("<!DOCTYPE html>")
    code, said = house.ask("digest", "--json")
    assert code == 0
    assert json.loads(said)["verdict"] == "safe"
    code, said = house.ask("digest", "--html", str(tmp_path / "none" / "x.html"))
    assert code == 1
    assert "the digest cannot be written" in said
    assert said.count("\n") == 1


def test_digest_send_tells_each_channel_and_fails_where_one_does(house: House) -> None:
    code, said = house.ask("digest", "--send")
    assert code == 0
    assert "bell: [larch] All well" in said
    assert "digest" in house.ledger.marks.by_name()
    bell = Path(house.where) / "otherroof.toml"
    bell.write_text(bell.read_text().replace("/bin/true", "/bin/false"))
    code, said = house.ask("digest", "--send")
    assert code == 1
    assert "ended with code 1" in said


def test_page_is_written_into_a_new_folder(house: House, tmp_path: Path) -> None:
    code, said = house.ask("page", "--out", str(tmp_path / "web" / "copies"))
    assert code == 0
    assert "index.html: Safe" in said
    assert [one.name for one in (tmp_path / "web" / "copies").iterdir()] == ["index.html"]
    (tmp_path / "file").write_text("")
    code, said = house.ask("page", "--out", str(tmp_path / "file"))
    assert code == 1
    assert "name a folder" in said


def test_quiet_lists_acknowledges_and_takes_back(house: House) -> None:
    assert house.ask("quiet") == (0, "there is no alert now\n")
    house.hold()
    assert house.ask("quiet")[1].startswith("held:photos: job photos is held since")
    code, said = house.ask("quiet", "held:photos", "--days", "3")
    assert code == 0
    assert "; quiet until" in said
    (row,) = json.loads(house.ask("quiet", "--json")[1])["alerts"]
    assert row["quiet_until"] > row["told"]
    assert "quiet until" not in house.ask("quiet", "held:photos", "--days", "0")[1]


@pytest.mark.parametrize("words", [("quiet", "held:music"), ("quiet", "--days", "-1"), ("alert-test", "pigeon")])
def test_what_does_not_exist_is_wrong_use(house: House, words: tuple[str, ...]) -> None:
    house.hold()
    code, said = house.ask(*words)
    assert code == 2
    assert said.count("\n") == 1


def test_a_mistake_in_one_job_file_stops_no_verb_that_looks_or_lets_go(house: House, tmp_path: Path) -> None:
    house.hold()
    (tmp_path / "jobs" / "music.toml").write_text('folder = "/srv/music"\n')
    code, said = house.ask("digest")
    assert code == 1
    assert "music is not copied, because of a mistake in the settings" in " ".join(said.split())
    assert "music" in house.ask("page", "--out", str(tmp_path / "out"))[1]
    assert "quiet until" in house.ask("quiet", "held:photos")[1]
    assert house.ask("alert-test", "bell")[0] == 0
    assert "released" in house.ask("release", "photos")[1]
    assert "photos" in house.ask("ledger", "photos")[1]
    code, said = house.ask("release", "music")
    assert code == 2
    assert "music: the file of this job has a mistake; `otherroof check`" in said


def test_the_history_of_a_job_that_has_left_the_settings_can_still_be_asked(house: House, tmp_path: Path) -> None:
    (tmp_path / "jobs" / "photos.toml").unlink()
    assert "done" in house.ask("ledger", "photos")[1]
    assert house.ask("ledger", "music")[0] == 2


def test_alert_test_tries_one_or_all_and_says_what_is_wrong(house: House) -> None:
    code, said = house.ask("alert-test")
    assert code == 0
    assert "bell: handed over; now look whether it arrived" in said
    assert "journal: handed over" in said
    settings = Path(house.where) / "otherroof.toml"
    settings.write_text(settings.read_text().replace("/bin/true", "/bin/false"))
    code, said = house.ask("alert-test", "bell", "--json")
    assert code == 1
    (row,) = json.loads(said)["channels"]
    assert row["taken"] is False
    assert "/bin/false: ended with code 1" in row["problem"]


def test_a_test_that_arrives_lets_what_waited_go_out_at_once(house: House) -> None:
    settings = Path(house.where) / "otherroof.toml"
    settings.write_text(settings.read_text().replace("/bin/true", "/bin/false"))
    house.hold()
    assert [one.channel for one in house.ledger.posts.waiting()] == ["bell"]
    settings.write_text(settings.read_text().replace("/bin/false", "/bin/true"))
    house.ask("alert-test", "bell")
    assert house.ledger.posts.channel_states()["bell"].failing_since is None
    look(require_settings(house.where), house.ledger, SystemClock())
    assert house.ledger.posts.waiting() == []
