"""What a sheet carries: settings and keys come back as they were, also from paper that was printed years ago."""

from __future__ import annotations

import base64
import hashlib
import random
import tomllib
import zlib
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.rsa import generate_private_key
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from hypothesis import given
from hypothesis import strategies as st

from otherroof.base.errors import HomeTrouble, WrongSettings, WrongUse
from otherroof.pairing.keys import login_public
from otherroof.pairing.sheet import take
from otherroof.pairing.sheet.carried import _WORDS as carried_words
from otherroof.pairing.sheet.carried import Carried, count_of_groups, pack, unpack
from otherroof.pairing.sheet.collect import NOT_IN_MAIN, NOT_OF_A_FAR_BOX, NOT_OF_A_JOB, collect
from otherroof.pairing.sheet.letters import TypedGroups, as_content, as_groups
from otherroof.pairing.sheet.take import commands_in, files_of, toml_text
from otherroof.settings import require_settings
from otherroof.settings.alerting import AlertingSettings
from otherroof.settings.models import FarBox, Job
from support.household import host_key, login_key, secret
from support.quick import examples
from support.sheets import KEYS, wg_key, write_tunnelled_household

EXAMPLES = Path(__file__).parents[2] / "examples"
# Printed with format 1. Whatever changes in this program, paper stays as it is.
PRINTED = Path(__file__).parents[1] / "support" / "printed_sheet.txt"


def from_sheet(groups: list[str]) -> Carried:
    return unpack(as_content(groups))


def round_trip(carried: Carried) -> Carried:
    return from_sheet(as_groups(pack(carried)))


TEXTS = st.text(max_size=20)
VALUES: Any = st.recursive(
    TEXTS | st.integers(-(2**40), 2**40) | st.booleans() | st.floats(allow_nan=False, allow_infinity=False),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXTS, inner, max_size=3),
    max_leaves=8,
)
TABLES = st.dictionaries(TEXTS, VALUES, max_size=4)


@given(TABLES, st.dictionaries(TEXTS, TABLES, max_size=3), st.dictionaries(TEXTS, TEXTS, max_size=3))
@examples(80)
def test_whatever_stands_in_the_settings_comes_back(main: Any, jobs: Any, keys: Any) -> None:
    assert round_trip(Carried(main, jobs, keys)) == Carried(main, jobs, keys)


@given(st.binary(min_size=32, max_size=32), st.integers(0, 4))
@examples(40)
def test_keys_stand_apart_in_32_bytes_each(key: bytes, kind: int) -> None:
    wg = base64.b64encode(key).decode()
    texts = (wg, wg + "\n", key.hex() + "\n", host_key(), wg.rstrip("="))
    bare = len(pack(Carried({"key": ""}, {}, {})))
    carried = Carried({"key": texts[kind]}, {}, {})
    assert round_trip(carried) == carried
    if kind < 4:
        assert len(pack(carried)) <= bare + 32 + 3


def test_a_login_key_comes_back_as_the_same_key_and_one_of_another_kind_as_its_text() -> None:
    text = login_key()
    back = round_trip(Carried({}, {}, {"keys/heron": text})).keys["keys/heron"]
    assert login_public(back) == login_public(text)
    assert round_trip(Carried({}, {}, {"keys/heron": back})).keys == {"keys/heron": back}, "the same each time"
    rsa = generate_private_key(65537, 1024).private_bytes(Encoding.PEM, PrivateFormat.OpenSSH, NoEncryption()).decode()
    assert round_trip(Carried({}, {}, {"keys/heron": rsa})).keys == {"keys/heron": rsa}


def test_what_no_sheet_has_letters_for_is_refused_in_words_and_all_else_has_them() -> None:
    dice = random.Random(5)
    written, refused = 0, 0
    for size in range(4000, 5200, 30):
        carried = Carried({"a": dice.randbytes(size).hex()}, {}, {})
        try:
            written += bool(as_groups(pack(carried)))
        except WrongUse as problem:
            refused += "too long for a sheet" in str(problem)
    assert written > 5
    assert written + refused == 40


def test_a_text_that_looks_like_a_mark_is_a_text() -> None:
    carried = Carried({"a": "\x7fw", "b": "\x7f", "c": "\x7f\x7fo"}, {}, {})
    assert round_trip(carried) == carried


def test_paper_that_was_printed_with_format_1_can_be_read_for_ever() -> None:
    typed = TypedGroups()
    assert [slip for line in PRINTED.read_text().splitlines() for slip in typed.take(line)] == []
    carried = from_sheet([typed.fit[number] for number in sorted(typed.fit)])
    assert carried.main["home"] == {"name": "larch", "zone": "America/St_Johns"}
    assert carried.main["far"]["heron"]["tunnel"]["far_key"] == "BwcHBwcHBwcHBwcHBwcHBwcHBwcHBwcHBwcHBwcHBwc="
    assert carried.main["far"]["heron"]["host_key"] == host_key()
    assert carried.jobs == {"photos": {"folder": "/srv/family/photos", "far": "heron", "at": "30 1 * * *",
                                       "leave_out": ["*.tmp", ".thumbnails/"]}}  # fmt: skip
    assert carried.keys["keys/listing.key"] == "05" * 32 + "\n"
    assert carried.keys["keys/heron-tunnel.key"] == "BgYGBgYGBgYGBgYGBgYGBgYGBgYGBgYGBgYGBgYGBgY=\n"
    assert login_public(carried.keys["keys/heron"]).startswith("ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAI")


def test_the_words_of_format_1_are_those_of_the_first_sheet_that_was_printed() -> None:
    """A single one changed, and some sheet out there cannot be read: another dictionary is another format."""
    frozen = "11bd2ae9b83e0fc5650eb5b4d0601c67f7b627f72b7130d14084e0bd64689aed"
    assert hashlib.sha256(carried_words).hexdigest() == frozen


def test_groups_that_fit_one_by_one_but_come_from_two_sheets_are_refused() -> None:
    chance = random.Random(2)
    one, other = (as_groups(pack(Carried({"home": wg_key()}, {}, {"k": chance.randbytes(40).hex()}))) for _ in range(2))
    assert len(one) == len(other)
    for place in range(1, len(one)):
        if one[place] != other[place]:
            mixed = [*one[:place], other[place], *one[place + 1 :]]
            with pytest.raises(WrongUse, match="together they are not what was printed"):
                from_sheet(mixed)
    with pytest.raises(WrongUse, match="together"):
        from_sheet(one[:-1])


def test_a_sheet_of_another_format_is_told_apart_from_a_slip() -> None:
    with pytest.raises(WrongUse, match="format 2; 1 is read here; install a newer Otherroof"):
        count_of_groups(b"\x02\x00\x01\x00\x00")


def test_the_household_that_is_printed_is_the_one_that_comes_back(tmp_path: Path) -> None:
    more = '[mail]\nserver = "mail.example.net"\nsender = "a@example.net"\n[versions]\nat_least = 3\n'
    job = 'leave_out = ["*.tmp"]\nwindow = "01:00-06:30"\nbefore = ["/bin/true"]\n[guard]\nchanged_percent = 10\n'
    settings = require_settings(write_tunnelled_household(tmp_path, more=more, jobs={"photos": job, "letters": ""}))
    carried = collect(settings)
    assert set(carried.main) == {"home", "far"}
    assert set(carried.keys) == set(KEYS)
    assert set(carried.jobs["photos"]) == {"folder", "far", "at", "leave_out", "before", "guard"}
    back = round_trip(carried)
    assert (back.main, back.jobs) == (carried.main, carried.jobs)
    assert {path: text for path, text in back.keys.items() if path != "keys/heron"} == {
        path: (tmp_path / path).read_text() for path in KEYS if path != "keys/heron"
    }
    assert commands_in(back) == ["/bin/true"]
    files = files_of(back)
    assert list(files)[-1] == "otherroof.toml"
    new = tmp_path / "new"
    for path, text in files.items():
        secret(new / path, text)
    taken = require_settings(str(new))
    assert taken.far == settings.far
    assert {name: (job.folder, job.leave_out, job.before, job.guard) for name, job in taken.jobs.items()} == {
        name: (job.folder, job.leave_out, job.before, job.guard) for name, job in settings.jobs.items()
    }


def test_what_a_far_box_has_of_its_own_is_carried_and_its_commands_are_named(tmp_path: Path) -> None:
    own = '[on.swan]\nbefore = ["/bin/echo", "swan"]\nlimit_mbit = 3\n[on.heron]\nwindow = "01:00-06:30"\n'
    config = write_tunnelled_household(tmp_path, jobs={"photos": own})
    main, job = tmp_path / "otherroof.toml", tmp_path / "jobs" / "photos.toml"
    table = tomllib.loads(main.read_text())
    swan = {**table["far"]["heron"], "address": "10.77.9.2", "base": "/srv/swan", "tunnel": {"kind": "none"}}
    main.write_text(main.read_text() + toml_text({"far": {"swan": swan}}))
    job.write_text(job.read_text().replace('far = "heron"', 'far = ["heron", "swan"]'))
    back = round_trip(collect(require_settings(config)))
    assert back.jobs["photos"]["on"] == {"swan": {"before": ["/bin/echo", "swan"]}}, "what only a service needs is left"
    assert commands_in(back) == ["/bin/echo swan"]


def test_the_example_household_takes_no_more_than_a_hundred_groups_to_type(tmp_path: Path) -> None:
    main = tomllib.loads((EXAMPLES / "otherroof.toml").read_text())
    jobs = {path.stem: tomllib.loads(path.read_text()) for path in sorted((EXAMPLES / "jobs").glob("*.toml"))}
    far = main["far"]["heron"]
    far["tunnel"] |= {"shared_key_file": "keys/heron-shared.key", "far_key": wg_key()}
    kept = {key: value for key, value in main.items() if key not in NOT_IN_MAIN}
    kept["far"] = {"heron": {key: value for key, value in far.items() if key not in NOT_OF_A_FAR_BOX}}
    short = {name: {key: job[key] for key in job if key not in NOT_OF_A_JOB} for name, job in jobs.items()}
    keys = {"keys/listing.key": random.Random(1).randbytes(32).hex() + "\n", "keys/heron": login_key()}
    keys |= {"keys/tunnel.key": wg_key() + "\n", "keys/heron-shared.key": wg_key() + "\n"}
    assert len(as_groups(pack(Carried(kept, short, keys)))) <= 100


def test_keys_that_lie_elsewhere_will_lie_inside_the_settings_folder(tmp_path: Path) -> None:
    config = tmp_path / "settings"
    write_tunnelled_household(config)
    elsewhere = secret(tmp_path / "elsewhere" / "heron", login_key())
    main = config / "otherroof.toml"
    main.write_text(main.read_text().replace('"keys/heron"', f'"{elsewhere}"').replace(
        '"keys/heron-shared.key"', '"../elsewhere/heron-shared.key"'))  # fmt: skip
    shared = secret(tmp_path / "elsewhere" / "heron-shared.key", wg_key() + "\n").read_text()
    carried = collect(require_settings(str(config)))
    assert set(carried.keys) == set(KEYS)
    assert carried.main["far"]["heron"]["login_key"] == "keys/heron"
    assert carried.keys["keys/heron-shared.key"] == shared


def test_two_keys_of_one_name_do_not_take_each_others_place(tmp_path: Path) -> None:
    config = tmp_path / "settings"
    write_tunnelled_household(config)
    main = config / "otherroof.toml"
    texts = {}
    for key, named in (("login_key", "keys/heron"), ("shared_key_file", "keys/heron-shared.key")):
        path = tmp_path / key / "secret"
        texts[key] = secret(path, (config / named).read_text()).read_text()
        main.write_text(main.read_text().replace(f'"{named}"', f'"{path}"'))
    carried = collect(require_settings(str(config)))
    box = carried.main["far"]["heron"]
    places = {"login_key": box["login_key"], "shared_key_file": box["tunnel"]["shared_key_file"]}
    assert {key: carried.keys[place] for key, place in places.items()} == texts


def test_keys_are_in_no_text_that_shows_what_a_sheet_carries() -> None:
    assert "deep" not in repr(Carried({"home": {}}, {}, {"keys/heron": "deep secret"}))


def sheet_of(text: bytes) -> bytes:
    """The content of a sheet without keys that fits in all its letters, whatever stands in it."""
    head = (1).to_bytes(1, "big") + (-(-(5 + len(text) + 4) // 5)).to_bytes(2, "big") + len(text).to_bytes(2, "big")
    whole = head + text
    whole += hashlib.blake2b(whole, digest_size=4, person=b"otherroof-sheet").digest()
    return whole + bytes(-len(whole) % 5)


def deflated(text: bytes) -> bytes:
    made = zlib.compressobj(9, zlib.DEFLATED, -15, 9, zdict=carried_words)
    return made.compress(text) + made.flush()


@pytest.mark.parametrize(
    "text",
    [
        b"\xff\xff nothing of deflate",
        deflated(b"nothing of JSON"),
        deflated(b"\xff"),
        deflated(b"5"),
        deflated(b"[1, 2, 3]"),
        deflated(b"[[], [], []]"),
        deflated(b'[{}, {"photos": 1}, {}]'),
        deflated(b'[{}, {}, {"k": "\x7f?"}]'),
        deflated(b'[{}, {}, {"k": "\x7fx"}]'),
        deflated(b"[" * 100_000),
    ],
)
def test_letters_that_fit_but_say_nothing_of_a_sheet_are_told_in_a_line(text: bytes) -> None:
    assert unpack(sheet_of(deflated(b'[{"a": 1}, {}, {}]'))).main == {"a": 1}
    with pytest.raises(WrongUse, match="not what was printed"):
        unpack(sheet_of(text))


def test_what_is_left_out_is_named_as_the_settings_name_it() -> None:
    assert set(FarBox.model_fields) >= NOT_OF_A_FAR_BOX
    assert set(Job.model_fields) >= NOT_OF_A_JOB
    assert NOT_IN_MAIN - {"versions"} == set(AlertingSettings.model_fields)
    # What a copy cannot be reached or would do harm without.
    assert not NOT_OF_A_JOB & {"folder", "far", "at", "layout", "leave_out", "before", "guard", "other_disks"}
    assert not NOT_OF_A_FAR_BOX & {"address", "port", "account", "login_key", "host_key", "base", "tunnel"}


def test_a_key_that_is_not_there_yet_or_that_others_can_read_makes_no_sheet(tmp_path: Path) -> None:
    settings = require_settings(write_tunnelled_household(tmp_path))
    (tmp_path / "keys" / "listing.key").chmod(0o644)
    with pytest.raises(WrongSettings, match="can be read by others"):
        collect(settings)
    (tmp_path / "keys" / "listing.key").unlink()
    with pytest.raises(WrongSettings, match="make a first copy"):
        collect(settings)


@pytest.mark.parametrize("path", ["/etc/cron.d/x", "../x", "keys/../../x", "jobs/x.toml", "otherroof.toml", "", "a//b"])
def test_a_sheet_cannot_have_files_put_where_it_likes(path: str) -> None:
    with pytest.raises(WrongUse, match="belongs in no settings folder"):
        files_of(Carried({"home": {}}, {}, {path: "x"}))
    with pytest.raises(WrongUse, match="belongs in no settings folder"):
        files_of(Carried({}, {"../x": {}}, {}))


def test_tables_are_written_as_toml_says() -> None:
    table = {"a": 'x"\\\n\x7f\u00e9', "b": [1, 2.5, True], "c d": {"e": {"7 days": "every run"}, "f": 1}, "g": {}}
    assert tomllib.loads(toml_text(table)) == table
    with pytest.raises(WrongUse, match="cannot be written as TOML"):
        toml_text({"a": [{"b": 1}]})


def test_a_file_that_another_program_writes_in_that_moment_is_told_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(take, "create_file", lambda *_, **__: False)
    with pytest.raises(HomeTrouble, match="another program wrote it just now"):
        take.put_in_place(str(tmp_path), {"otherroof.toml": "x"})


def test_every_program_that_the_settings_would_run_is_named_once() -> None:
    tunnel = {"up": ["/usr/local/sbin/roof", "up"], "down": ["/usr/local/sbin/roof", "down"], "test": ["/bin/ping"]}
    jobs = {"photos": {"before": ["/usr/local/bin/dump", "all"]}, "letters": {"before": ["/usr/local/bin/dump", "all"]}}
    found = commands_in(Carried({"far": {"heron": {"tunnel": tunnel}, "wren": {}}}, jobs, {}))
    assert found == ["/usr/local/bin/dump all", "/usr/local/sbin/roof up", "/usr/local/sbin/roof down", "/bin/ping"]
