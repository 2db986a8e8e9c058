"""Of one job's file with several far boxes comes a job for each; what is wrong in it is named with its line."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.settings import Job, read_parts, read_settings, require_settings
from otherroof.settings.copies.names import copies_of, copy_name, former_name, stem_of
from otherroof.settings.copies.tables import line_of
from otherroof.settings.last_good import keep_settings, last_taken_up
from support.household import host_key
from support.lab.household import toml_text

BOX = """
[far.{}]
address = "10.77.0.{}"
account = "copykeeper"
login_key = "keys/far"
host_key = "{}"
base = "/srv/{}"
"""
TWO = 'folder = "/srv/family/photos"\nfar = ["heron", "wren"]\nat = "30 1 * * *"\n'


def settings_folder(where: Path, photos: str) -> str:
    main = '[home]\nname = "larch"\nzone = "America/St_Johns"\n[versions]\nat_least = 4\n'
    main += "".join(
        BOX.format(box, place, host_key(place), box) for place, box in enumerate(("heron", "wren", "swan"), 2)
    )
    (where / "jobs").mkdir(parents=True)
    (where / "otherroof.toml").write_text(main)
    (where / "jobs" / "photos.toml").write_text(photos)
    return str(where)


def jobs_of(where: Path, photos: str) -> dict[str, Job]:
    return dict(require_settings(settings_folder(where, photos)).jobs)


def test_one_job_for_each_far_box_comes_out_of_one_file(tmp_path: Path) -> None:
    jobs = jobs_of(tmp_path, TWO)
    assert {name: job.far for name, job in jobs.items()} == {"photos@heron": "heron", "photos@wren": "wren"}
    assert jobs["photos@heron"].model_copy(update={"far": "wren"}) == jobs["photos@wren"]
    assert jobs["photos@wren"].versions.at_least == 4, "the main file's table holds for each"


@pytest.mark.parametrize("on", ["", "[on.heron]\ntries = 2\n"])
def test_a_list_of_one_is_what_its_name_alone_is(tmp_path: Path, on: str) -> None:
    one = 'folder = "/srv/family/photos"\nfar = {}\nat = "30 1 * * *"\n' + on
    jobs = jobs_of(tmp_path / "a", one.format('"heron"'))
    assert jobs == jobs_of(tmp_path / "b", one.format('["heron"]'))
    assert [(name, job.far, job.tries) for name, job in jobs.items()] == [("photos", "heron", 2 if on else 4)]


def test_a_box_has_values_of_its_own_and_the_others_from_the_job(tmp_path: Path) -> None:
    own = """
leave_out = ["*.tmp"]
window = "22:00-06:00"
[guard]
removed_percent = 10
from_files = 7
[limits]
"07:00-22:00" = 1
[versions]
thin_wait_days = 9
[on.wren]
promise_hours = 200
at = "0 4 * * 6"
window = "01:00-05:00"
limit_mbit = 3
limits = {}
[on.wren.guard]
removed_percent = 90
[on.wren.versions]
at_least = 2
"""
    jobs = jobs_of(tmp_path, TWO + own)
    heron, wren = jobs["photos@heron"], jobs["photos@wren"]
    assert (heron.promise_hours, heron.window, heron.limits) == (48, "22:00-06:00", {"07:00-22:00": 1})
    assert (wren.promise_hours, wren.window, wren.limits) == (200, "01:00-05:00", {})
    assert (wren.at, wren.limit_mbit, wren.leave_out) == ("0 4 * * 6", 3, ("*.tmp",))
    assert (heron.guard.removed_percent, wren.guard.removed_percent, wren.guard.from_files) == (10, 90, 7)
    assert (heron.versions.at_least, heron.versions.thin_wait_days) == (4, 9)
    assert (wren.versions.at_least, wren.versions.thin_wait_days) == (2, 9)


def test_what_each_box_says_by_itself_need_not_stand_above(tmp_path: Path) -> None:
    each = '[on.heron]\nat = "30 1 * * *"\n[on.wren]\nat = "30 4 * * *"\n'
    jobs = jobs_of(tmp_path, 'folder = "/srv/family/photos"\nfar = ["heron", "wren"]\n' + each)
    assert {job.at for job in jobs.values()} == {"30 1 * * *", "30 4 * * *"}


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (
            "[on.wren]\nwindw = 5\n",
            ", line 5: on.wren.windw: is not a key that is known here; perhaps 'window' is meant",
        ),
        ("[on.wrn]\n", ", line 4: on.wrn: 'wrn' is not in far; perhaps 'wren' is meant"),
        ("[on.swan]\ntries = 2\n", ", line 4: on.swan: 'swan' is not in far; far names heron, wren"),
        (
            '[on.wren]\n\nfolder = "/srv/else"\n',
            ", line 6: on.wren.folder: is the same for all far boxes of a job; write it once, above",
        ),
        (
            "[on.wren]\ntries = 2\n[on.wren.guard]\nremoved_percent = 101\n",
            ", line 7: on.wren.guard.removed_percent: at most 100 is wanted (found 101)",
        ),
        (
            "on.wren = {\n  tries = 99 }\n".replace("\n  ", " "),
            ", line 4: on.wren.tries: at most 20 is wanted (found 99)",
        ),
        ("tries = 99\n", ": tries: at most 20 is wanted (found 99)"),
        ("on = 5\n", ", line 4: on: a table for a far box is wanted; such as [on.heron]"),
        ("[on]\nwren = 5\n", ", line 5: on.wren: a table is wanted; such as [on.wren]"),
        ('[on.wren]\nbefore = ["relative"]\n', ", line 5: on.wren.before: 'relative': the program must be"),
    ],
)
def test_a_mistake_about_one_box_is_one_line_with_file_and_line(tmp_path: Path, more: str, says: str) -> None:
    where = settings_folder(tmp_path, TWO + more)
    settings, mistakes = read_settings(where)
    assert [mistake.line()[: len(f"{where}/jobs/photos.toml{says}")] for mistake in mistakes] == [
        f"{where}/jobs/photos.toml{says}"
    ]
    assert settings is not None
    assert (dict(settings.jobs), settings.unread) == ({}, ("photos",))
    assert settings.is_unread("photos@wren")
    assert not settings.is_unread("papers@wren")


@pytest.mark.parametrize("far", ["[]", '["heron", "heron"]', '["heron", 5]'])
def test_a_list_that_names_no_different_boxes_is_refused(tmp_path: Path, far: str) -> None:
    where = settings_folder(tmp_path, TWO.replace('["heron", "wren"]', far))
    (mistake,) = read_parts(where).mistakes
    assert mistake.line() == (
        f'{where}/jobs/photos.toml: far: different far boxes by name are wanted; such as ["heron", "wren"]'
    )


def test_a_box_that_does_not_exist_leaves_the_other_copies_as_they_are(tmp_path: Path) -> None:
    settings, mistakes = read_settings(settings_folder(tmp_path, TWO.replace("wren", "wrn")))
    assert [mistake.line().partition("far: ")[2] for mistake in mistakes] == [
        "'wrn' is no far box in otherroof.toml; perhaps 'wren' is meant"
    ]
    assert settings is not None
    assert (list(settings.jobs), settings.unread) == (["photos@heron"], ())


@pytest.mark.parametrize(
    ("key", "other"),
    [("address", "10.77.0.9"), ("host_key", f"ssh-ed25519 {host_key().split()[1][:-4]}AAEE")],
    ids=["another address", "another key"],
)
def test_one_far_box_by_two_names_is_no_second_copy(tmp_path: Path, key: str, other: str) -> None:
    where = settings_folder(tmp_path, TWO)
    main = tmp_path / "otherroof.toml"
    raw = tomllib.loads(main.read_text())
    raw["far"]["wren"] = {**raw["far"]["heron"], "base": "/srv/heron/", key: other}
    main.write_text(toml_text(raw))
    settings, mistakes = read_settings(where)
    (line,) = [mistake.line() for mistake in mistakes]
    assert line.startswith(f"{where}/jobs/photos.toml: far: 'heron' and 'wren' are one far box")
    assert settings is not None
    assert list(settings.jobs) == ["photos@heron"], "never two runs side by side in one folder"
    for name, value in {"base": "/srv/wren", "account": "keeper"}.items():
        raw["far"]["wren"] = {**raw["far"]["wren"], "base": "/srv/heron", "account": "copykeeper", name: value}
        main.write_text(toml_text(raw))
        assert read_settings(where)[1] == [], "another folder of it, or another account's"


def test_an_unread_file_is_that_of_all_its_copies(tmp_path: Path) -> None:
    settings, _ = read_settings(settings_folder(tmp_path, "nothing of TOML"))
    assert settings is not None
    assert [settings.is_unread(job) for job in ("photos", "photos@heron", "photos2")] == [True, True, False]


def test_settings_with_copies_are_kept_for_the_next_start(tmp_path: Path) -> None:
    settings = require_settings(settings_folder(tmp_path, TWO))
    Path(settings.state).mkdir()
    keep_settings(settings)
    assert last_taken_up(settings.where, settings.state) == settings


def test_the_names_of_copies() -> None:
    assert stem_of(copy_name("photos", "wren")) == stem_of("photos") == "photos"
    assert copies_of("photos", ["photos2@wren", "photos@wren", "photos@heron"]) == ["photos@wren", "photos@heron"]
    assert (former_name("photos", "wren"), former_name("photos@wren", "wren")) == ("photos@wren", "photos")


@given(st.lists(st.sampled_from(["# a note", "", "tries = 3", 'x = """\n[on.wren]\n"""', "y = [\n1,\n]"]), max_size=6))
def test_the_line_of_a_key_is_that_in_which_it_is_written(above: list[str]) -> None:
    lines = list(dict.fromkeys(above))
    text = "\n".join([*lines, "[on.wren]", "# of its own", "window = 5", ""])
    assert tomllib.loads(text)["on"] == {"wren": {"window": 5}}
    written = text.split("\n")
    assert line_of(text, ["on", "wren", "window"]) == written.index("window = 5") + 1
    assert line_of(text, ["on", "wren"]) == len(written) - 3
    assert line_of(text, ["on", "heron"]) == 0
