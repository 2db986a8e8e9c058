"""A printed recovery sheet that tells what is no longer so: an alert of the mild kind, with its all-clear."""

from __future__ import annotations

import json
import re
from datetime import datetime
from pathlib import Path

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.ledger import Ledger
from otherroof.settings import Settings, require_settings
from otherroof.watch.alert_steps import alert_steps
from otherroof.watch.facts import Facts
from otherroof.watch.look import look
from otherroof.watch.rules import RULES, findings
from otherroof.watch.sheet.printed import NAME, OldSheet, note_printed, old_sheet, parts_told
from otherroof.watch.sheet.rule import sheet
from support.sheets import wg_key, write_tunnelled_household
from support.watching import DAY, HOUR, MAIL, NOW, ZONE, NotingChannel, look_at


class House:
    """A household whose files can be edited, and its settings as they are now."""

    def __init__(self, where: Path) -> None:
        self.where = where
        write_tunnelled_household(where, more=MAIL, jobs={"photos": "", "letters": ""})

    @property
    def settings(self) -> Settings:
        return require_settings(str(self.where))

    def edit(self, file: str, old: str, new: str) -> None:
        path = self.where / file
        text, count = re.subn(old, new, path.read_text(), count=1)
        assert count == 1
        path.write_text(text)

    def printed(self, at: datetime = NOW, *, with_keys: bool = True) -> None:
        (self.where / "state").mkdir(exist_ok=True)
        note_printed(self.settings, at, with_keys=with_keys)

    @property
    def changed(self) -> tuple[str, ...]:
        old = old_sheet(self.settings)
        return old.changed if old is not None else ()


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(tmp_path)


def test_none_was_printed_so_nothing_is_said(house: House) -> None:
    assert old_sheet(house.settings) is None


def test_nothing_changed_so_nothing_is_said(house: House) -> None:
    house.printed()
    house.printed(with_keys=False)
    assert house.changed == ()


@pytest.mark.parametrize(
    ("file", "old", "new", "part"),
    [
        ("otherroof.toml", r'address = "10.77.0.2"', 'address = "10.77.0.3"', "far box heron"),
        ("otherroof.toml", r'base = "/srv/otherroof"', 'base = "/copies"', "far box heron"),
        ("otherroof.toml", r'own_name = "larch.example.net"', 'own_name = "fir.example.net"', "far box heron"),
        ("otherroof.toml", r'far_key = "[^"]*"', 'far_key = "{key}"', "far box heron"),
        ("otherroof.toml", r'host_key = "ssh-ed25519 [^"]*"', 'host_key = "{host_key}"', "far box heron"),
        ("otherroof.toml", r'name = "larch"', 'name = "fir"', "home"),
        ("otherroof.toml", r"\[mail\]", '[sheet]\nask = ["Kim"]\n[mail]', "whom to ask"),
        ("jobs/photos.toml", r'folder = "[^"]*"', 'folder = "/srv/elsewhere"', "job photos"),
        ("keys/listing.key", r"^..", "ff", "keys"),
        ("keys/heron-shared.key", r"^.+", "{key}", "keys"),
        ("keys/heron-tunnel.key", r"^.+", "{key}", "keys"),
    ],
)
def test_what_changed_is_named(house: House, file: str, old: str, new: str, part: str) -> None:
    (house.where / "keys/listing.key").write_text("00" * 32 + "\n")
    house.printed()
    another = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIHbss9FeIV8D7SvlHjFg2uzc0jlUPp0mPyfdxgHFKkms"
    house.edit(file, old, new.replace("{key}", wg_key()).replace("{host_key}", another))
    assert house.changed == (part,)


def test_a_new_far_box_and_a_job_that_went_are_named(house: House) -> None:
    house.printed()
    table = (house.where / "otherroof.toml").read_text()
    box = table[table.index("[far.heron]") : table.index("[far.heron.tunnel]")].replace("heron]", "wren]")
    house.edit("otherroof.toml", r"\[mail\]", f"{box}\n[mail]")
    (house.where / "jobs" / "letters.toml").unlink()
    # The new box has the same login key, which stands on the new sheet once more.
    assert set(house.changed) - {"keys"} == {"far box wren", "job letters"}


def test_what_is_of_no_matter_to_whoever_goes_by_it_makes_no_sheet_old(house: House) -> None:
    house.printed()
    house.edit("otherroof.toml", r'base = "', 'limit_mbit = 3\nsilent_days = 9\nbase = "')
    house.edit("otherroof.toml", r'kind = "wireguard"', 'kind = "wireguard"\nlinger_s = 5')
    house.edit("jobs/photos.toml", r"at = ", 'window = "01:00-05:00"\nat = ')
    assert house.changed == ()


def test_a_sheet_without_keys_is_not_made_old_by_keys(house: House) -> None:
    house.printed(with_keys=False)
    house.edit("keys/heron-shared.key", r"^.+", wg_key())
    assert house.changed == ()


def test_a_key_that_cannot_be_read_just_now_tells_nothing(house: House) -> None:
    house.printed()
    (house.where / "keys/heron").unlink()
    assert house.changed == ()


def test_a_sheet_with_keys_takes_the_place_of_all_before(house: House) -> None:
    house.printed(with_keys=False)
    house.edit("otherroof.toml", r'name = "larch"', 'name = "fir"')
    assert house.changed == ("home",)
    house.printed()
    assert house.changed == ()
    house.edit("otherroof.toml", r'name = "fir"', 'name = "yew"')
    house.printed(with_keys=False)
    found = old_sheet(house.settings)
    assert found is not None
    assert found.with_keys, "the one with keys still says the old name"
    house.edit("otherroof.toml", r'base = "/srv/otherroof"', 'base = "/copies"')
    found = old_sheet(house.settings)
    assert found is not None
    assert (found.with_keys, found.changed) == (True, ("far box heron", "home")), "both are old, and it tells more"


def test_what_is_remembered_holds_no_key_and_no_address(house: House) -> None:
    house.printed()
    text = (house.where / "state" / NAME).read_text()
    for path in (house.where / "keys").iterdir():
        assert not any(line in text for line in path.read_text().splitlines())
        assert path.read_bytes().hex() not in text
    assert "10.77" not in text
    assert len(set(parts_told(house.settings, with_keys=True).values())) == 6


@pytest.mark.parametrize(
    "spoilt",
    [
        "",
        "{",
        "[]",
        '{"keys": {"printed": "x", "parts": {}}}',
        '{"keys": {"parts": 3}}',
        '{"keys": {"printed": 5, "parts": {}}}',
        pytest.param("[" * 60_000, id="boxes in boxes"),
    ],
)
def test_a_spoilt_memory_is_none(house: House, spoilt: str) -> None:
    house.printed()
    (house.where / "state" / NAME).write_text(spoilt)
    assert old_sheet(house.settings) is None
    house.printed()
    assert json.loads((house.where / "state" / NAME).read_text())["keys"]


def test_a_job_whose_file_has_a_mistake_is_not_gone(house: House) -> None:
    house.printed()
    settings = house.settings
    lacking = settings.model_copy(update={"jobs": {"photos": settings.jobs["photos"]}, "unread": ("letters",)})
    assert old_sheet(lacking) is None


def test_the_rule_says_what_changed_and_how_to_make_a_new_one() -> None:
    old = OldSheet(NOW - 30 * DAY, True, ("far box heron", "keys"))
    (found,) = sheet(Facts(NOW, ZONE, look_at(), old_sheet=old))
    assert found.key == "sheet"
    assert found.headline == (
        "the recovery sheet with keys of 4 February 2031 is older than what it tells: "
        "far box heron and keys changed since"
    )
    assert "`otherroof sheet --with-keys --html FILE`" in found.help
    assert RULES[-1] is sheet, "of all alerts the mildest"


def test_what_changes_later_is_told_at_once() -> None:
    at_first = Facts(NOW, ZONE, look_at(), old_sheet=OldSheet(NOW, True, ("keys",)))
    (told,) = alert_steps(findings(at_first), [], NOW, 7 * DAY)
    later = Facts(NOW + HOUR, ZONE, look_at(), old_sheet=OldSheet(NOW, True, ("home", "keys")))
    (step,) = alert_steps(findings(later), [told.after], NOW + HOUR, 7 * DAY)
    assert step.kind == "again"


def test_it_is_told_once_and_its_end_once_a_new_sheet_is_printed(house: House) -> None:
    clock, channel = SteppedClock(NOW), NotingChannel()

    def subjects() -> list[str]:
        with Ledger(house.settings.ledger) as ledger:
            look(house.settings, ledger, clock, channels={"family": channel, "journal": NotingChannel()})
        clock.step(600)
        return [message.subject for message in channel.taken if "sheet" in message.subject]

    house.printed()
    assert subjects() == []
    house.edit("otherroof.toml", r'address = "10.77.0.2"', 'address = "10.77.0.3"')
    first = subjects()
    assert len(first) == 1
    assert "is older than what it tells: far box heron changed since" in first[0]
    assert subjects() == first
    house.printed(clock.now())
    ended = subjects()
    assert len(ended) == 2
    assert ended[1].startswith("[larch] all clear: the recovery sheet tells what is so again (after ")
