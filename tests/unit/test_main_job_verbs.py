"""The verbs of the main job as a person or a script meets them: exit codes, one-line errors, JSON of a fixed shape."""

from __future__ import annotations

import csv
import gzip
import io
import json
import os
import re
import shutil
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from otherroof.base.clock import SystemClock, from_stamp
from otherroof.base.errors import (
    EXIT_DAMAGED,
    EXIT_HELD,
    EXIT_INTERRUPTED,
    EXIT_LOOK,
    EXIT_UNREACHED,
    EXIT_WELL,
    EXIT_WRONG_USE,
)
from otherroof.base.local_time import day_text, moment_text
from otherroof.cli.main import main
from otherroof.jobs import stop_sign
from otherroof.jobs.locks import job_lock
from otherroof.ledger import Ledger
from support.main_job import FAR, JOB, OneJob
from support.verbs import Verb, two_files_and_a_link, verb_of

RUN_ID = re.compile(r"\d{4}-\d\d-\d\dT\d{6}Z-[0-9a-f]{4}")
RUN_KEYS = {"job", "run", "outcome", "files", "bytes", "seconds", "problems", "reason"}
FILE_KEYS = {"seen", "new", "changed", "moved", "removed", "problems"}
BYTE_KEYS = {"seen", "new", "sent", "wire_up", "wire_down"}
SECOND_KEYS = {"scan", "send", "commit", "total"}


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with two_files_and_a_link(tmp_path) as made:
        yield made


@pytest.fixture
def verb(job: OneJob, capsys: pytest.CaptureFixture[str]) -> Verb:
    return verb_of(job, capsys)


def checked(run: dict[str, Any], more: frozenset[str] = frozenset()) -> dict[str, Any]:
    """One run's report, with exactly the keys that are promised and numbers where there should be."""
    assert set(run) == RUN_KEYS | more
    for name, keys, kind in (("files", FILE_KEYS, int), ("bytes", BYTE_KEYS, int), ("seconds", SECOND_KEYS, float)):
        assert set(run[name]) == keys
        assert all(isinstance(value, kind) and value >= 0 for value in run[name].values())
    assert all(set(problem) == {"path", "why"} for problem in run["problems"])
    assert RUN_ID.fullmatch(run["run"])
    return run


# -- run --


def test_run_tells_what_it_did_in_one_json_object(verb: Verb) -> None:
    told = verb("run", JOB, "--json")
    assert (told.code, set(told.json)) == (EXIT_WELL, {"runs"})
    (run,) = told.json["runs"]
    checked(run)
    assert (run["job"], run["outcome"], run["problems"]) == (JOB, "done", [])
    assert run["files"] == {"seen": 3, "new": 3, "changed": 0, "moved": 0, "removed": 0, "problems": 0}
    assert (run["bytes"]["seen"], run["bytes"]["new"], run["bytes"]["sent"]) == (14, 14, 14)
    assert run["bytes"]["wire_up"] > 14
    assert run["bytes"]["wire_down"] > 0
    times = run["seconds"]
    assert times["scan"] + times["send"] + times["commit"] <= times["total"] + 0.01


def test_dry_run_tells_the_same_and_touches_nothing(job: OneJob, verb: Verb) -> None:
    verb("run")
    job.put("a", b"second")
    job.put("new", b"new")
    job.path("b/c").rename(job.path("moved"))
    job.path("link").unlink()
    job.path("b").rmdir()
    job.path("b").write_bytes(b"a file now")
    before = {path: path.stat().st_mtime_ns for path in Path(job.door.base_path).rglob("*")}
    dry = checked(verb("run", "--dry", "--json").json["runs"][0])
    assert {path: path.stat().st_mtime_ns for path in Path(job.door.base_path).rglob("*")} == before
    assert len(job.rows()) == 1
    assert (dry["outcome"], dry["bytes"]["sent"], dry["seconds"]["send"]) == ("done", 0, 0)
    real = checked(verb("run", "--json").json["runs"][0])
    assert dry["files"] == real["files"] == {
        "seen": 4, "new": 2, "changed": 1, "moved": 1, "removed": 1, "problems": 0
    }  # fmt: skip
    assert (dry["bytes"]["seen"], dry["bytes"]["new"]) == (real["bytes"]["seen"], real["bytes"]["new"])
    assert real["bytes"]["sent"] == real["bytes"]["new"] == 19


def test_dry_run_of_a_first_copy_makes_nothing_at_the_far_end(job: OneJob, verb: Verb) -> None:
    told = verb("run", "--dry")
    assert told.code == EXIT_WELL
    assert "would be done" in told.out
    assert "3 new" in told.out
    assert list(Path(job.door.base_path).iterdir()) == []


def test_job_that_is_named_twice_is_run_once(job: OneJob, verb: Verb) -> None:
    verb("run", JOB, JOB)
    assert len(job.rows()) == 1


def test_second_run_of_one_job_says_so_and_harms_nothing(job: OneJob, verb: Verb) -> None:
    verb("run")
    with job_lock(job.settings, JOB, SystemClock()):
        told = verb("run", "--json")
        assert told.code == EXIT_LOOK
        (run,) = told.json["runs"]
        today = day_text(SystemClock().now(), job.settings.zone)
        assert "a run of this job is under way" in run["reason"]
        assert re.search(rf"process {os.getpid()}, since \w+ {today}, ", run["reason"])
        assert "is under way" in verb("run").err
    assert len(job.rows()) == 1
    assert verb("run").code == EXIT_WELL
    assert job.restore()[0].files == 3


def test_held_run_names_the_verb_that_releases_it_and_that_verb_does(job: OneJob, verb: Verb) -> None:
    verb("run")
    for path in job.folder.iterdir():
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    told = verb("run")
    assert told.code == EXIT_HELD
    assert f"otherroof release {JOB}" in told.err
    assert verb("run", "--json").json["runs"][0]["outcome"] == "held"
    status = verb("status")
    assert status.code == EXIT_LOOK
    assert f"otherroof release {JOB}" in status.out
    assert verb("release", JOB).code == EXIT_WELL
    assert verb("run").code == EXIT_WELL
    assert "no run is held" in verb("release", JOB).out


def test_problem_is_listed_and_the_exit_code_asks_for_a_look(
    job: OneJob, verb: Verb, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.open

    def refusing(path: str | bytes, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        if path == b"a\n\x1b[31m":
            raise PermissionError(13, "Permission denied", path)
        return real(path, flags, mode, dir_fd=dir_fd)

    job.put(b"a\n\x1b[31m", b"x")
    monkeypatch.setattr(os, "open", refusing)
    told = verb("run")
    assert told.code == EXIT_LOOK
    assert r"not copied: a\n\x1b[31m: cannot be read: Permission denied" in told.out
    run = checked(verb("ledger", "--json").json["runs"][0], frozenset({"far", "started", "ended"}))
    assert run["outcome"] == "done with problems"
    assert run["problems"] == [{"path": r"a\n\x1b[31m", "why": "cannot be read: Permission denied"}]


def test_run_that_was_asked_to_stop_is_cut_and_leaves_as_interrupted(
    verb: Verb, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = stop_sign.StopSign.asked
    monkeypatch.setattr(stop_sign.StopSign, "asked", lambda sign: sign.ask("stopped by SIGINT") or real(sign))
    told = verb("run", "--json")
    assert told.json["runs"] == []
    assert told.code == EXIT_INTERRUPTED


def test_far_box_that_is_off_is_told_with_its_own_exit_code(job: OneJob, verb: Verb) -> None:
    job.door.box.kill()  # type: ignore[attr-defined]
    told = verb("run")
    assert told.code == EXIT_UNREACHED
    assert "nothing listens there" in told.err
    assert verb("restore", JOB, "--into", str(job.where / "back")).code == EXIT_UNREACHED
    assert verb("versions", JOB).code == EXIT_UNREACHED


def test_other_host_key_stops_everything_and_says_what_it_could_mean(job: OneJob, verb: Verb) -> None:
    """Invariant 5: the host key is pinned, never learnt silently."""
    verb("run")
    job.door.box.restart(new_host_key=True)  # type: ignore[attr-defined]
    told = verb("run")
    assert told.code == EXIT_UNREACHED
    assert "which is not the pinned one" in told.err
    assert "somebody stands in between" in told.err
    assert verb("restore", JOB, "--into", str(job.where / "back")).code == EXIT_UNREACHED
    assert not (job.where / "back").exists()


def test_status_tells_of_another_host_key_from_the_run_that_met_it_until_a_run_finds_it_right(
    job: OneJob, verb: Verb
) -> None:
    """Invariant 5. No probe is made in between: the run's own word counts, and so does that of the next one."""
    assert verb("run").code == EXIT_WELL
    assert "other key" not in verb("status").out
    time.sleep(1.1)  # the ledger keeps whole seconds
    job.door.box.restart(new_host_key=True)  # type: ignore[attr-defined]
    assert verb("run").code == EXIT_UNREACHED
    told = verb("status")
    assert told.code == EXIT_LOOK
    assert "other key" in told.out
    assert "which is not the pinned one" in told.out
    job.write_settings()  # a person has compared the keys and pinned the new one
    assert verb("run").code == EXIT_WELL
    told = verb("status")
    assert ("other key" in told.out, "pinned" in told.out) == (False, False)


def test_a_login_key_that_others_can_read_is_wrong_settings(job: OneJob, verb: Verb) -> None:
    Path(job.settings.path(job.settings.far[FAR].login_key)).chmod(0o644)
    told = verb("run")
    assert told.code == EXIT_WRONG_USE
    assert "can be read by others" in told.err
    assert verb("probe").code == EXIT_WRONG_USE


# -- before the copy --


@pytest.mark.parametrize(
    ("argv", "word"),
    [
        (["/bin/sh", "-c", "echo no disk >&2; exit 3"], "ended with 3 (no disk)"),
        (["/does/not/exist"], "cannot be run: No such file or directory"),
        (["/bin/sleep", "30"], "did not end within 0.2 s"),
    ],
)
def test_command_before_the_copy_that_fails_ends_the_run(job: OneJob, verb: Verb, argv: list[str], word: str) -> None:
    job.job_more = {"before": argv, "before_s": 0.2 if "sleep" in argv[0] else 60}
    job.write_settings()
    told = verb("run")
    assert told.code == EXIT_LOOK
    assert word in told.err
    assert list(Path(job.door.base_path).iterdir()) == []


def test_command_before_the_copy_runs_first_and_not_on_a_dry_run(job: OneJob, verb: Verb) -> None:
    job.job_more = {"before": ["/bin/sh", "-c", f"date > {job.folder}/dump"]}
    job.write_settings()
    assert verb("run", "--dry").code == EXIT_WELL
    assert not job.path("dump").exists()
    assert verb("run").code == EXIT_WELL
    assert (job.latest / "dump").exists()


# -- history and versions --


def test_ledger_in_json_has_the_run_keys_and_when_and_where(job: OneJob, verb: Verb) -> None:
    verb("run")
    job.put("a", b"second a")
    told = [verb("run", "--json").json["runs"][0], None]
    second, first = verb("ledger", "--json").json["runs"]
    for run in (second, first):
        checked(run, frozenset({"far", "started", "ended"}))
        assert run["far"] == "heron"
        assert from_stamp(run["started"]) <= from_stamp(run["ended"])
    assert {key: second[key] for key in ("run", "outcome", "files", "bytes")} == {
        key: told[0][key] for key in ("run", "outcome", "files", "bytes")
    }


def test_ledger_by_job_and_since(job: OneJob, verb: Verb) -> None:
    verb("run")
    assert len(verb("ledger", JOB, "--since", "2020-01-01", "--json").json["runs"]) == 1
    assert verb("ledger", "--since", "2999-01-01", "--json").json == {"runs": [], "tunnels": []}
    assert verb("ledger", "--since", "2999-01-01T00:00:00Z", "--json").json == {"runs": [], "tunnels": []}
    rows = list(csv.DictReader(io.StringIO(verb("ledger", "--csv").out)))
    assert [(row["job"], row["outcome"], row["seen"]) for row in rows] == [(JOB, "done", "3")]
    assert JOB in verb("ledger").out


def test_versions_in_json_are_newest_first(job: OneJob, verb: Verb) -> None:
    verb("run", "--dry")  # makes the listing key, without which nothing can be proved
    none = verb("versions", JOB, "--json")
    assert (none.code, none.err) == (EXIT_WELL, "")
    assert none.json == {"job": JOB, "versions": []}
    runs = []
    for number in range(3):
        job.put("a", b"%d" % number)
        runs.append(verb("run", "--json").json["runs"][0]["run"])
    told = verb("versions", JOB, "--json").json
    assert set(told) == {"job", "versions"}
    assert [set(one) for one in told["versions"]] == [{"run", "taken", "files", "bytes"}] * 3
    assert [one["run"] for one in told["versions"]] == runs[::-1]
    assert [(one["files"], one["bytes"]) for one in told["versions"]] == [(3, 8)] * 3
    for one in told["versions"]:
        with gzip.open(job.listing(one["run"])) as file:
            assert one["taken"] == json.loads(file.readline())["taken"]
    assert runs[0] in verb("versions", JOB).out


def test_versions_with_a_broken_listing_say_so(job: OneJob, verb: Verb) -> None:
    run = verb("run", "--json").json["runs"][0]["run"]
    job.listing(run).write_bytes(b"")
    told = verb("versions", JOB)
    assert told.code == EXIT_DAMAGED
    assert "the listing" in told.out


def test_status_shows_job_and_box(verb: Verb) -> None:
    before = verb("status", "--json")
    assert before.code == EXIT_LOOK
    assert before.json["jobs"][0]["newest_good"] is None
    verb("run")
    told = verb("status", "--json")
    assert (told.code, told.json["heard"]) == (EXIT_LOOK, False), "there is a copy, and nobody would hear of trouble"
    (one,) = told.json["jobs"]
    assert (one["files"], one["bytes"], one["last"], one["needs"]) == (3, 14, "done", "")
    (box,) = told.json["far"]
    assert (box["far"], box["silent_s"] < 100) == ("heron", True)
    assert "alerts go to this machine's journal only" in verb("status").out


# -- restore --


def test_restore_brings_back_what_was_asked_for(job: OneJob, verb: Verb) -> None:
    first = verb("run", "--json").json["runs"][0]["run"]
    job.put("a", b"second a")
    verb("run")
    into = job.where / "back"
    told = verb("restore", JOB, "--into", str(into), "--as-of", first, "--json")
    assert told.code == EXIT_WELL
    assert set(told.json) == {
        "job", "run", "taken", "files", "kept", "bytes", "wire_down", "seconds", "damaged", "elsewhere", "problems"
    }  # fmt: skip
    assert (told.json["run"], told.json["files"], told.json["bytes"]) == (first, 3, 14)
    assert (into / "a").read_bytes() == b"first a"
    told = verb("restore", JOB, "a", "--into", str(into), "--if-there", "replace")
    assert (told.code, (into / "a").read_bytes()) == (EXIT_WELL, b"second a")
    assert "every digest checked" in told.out


def test_damaged_file_is_named_with_its_own_exit_code_and_the_rest_comes(job: OneJob, verb: Verb) -> None:
    verb("run")
    (job.latest / "a").write_bytes(b"First a")
    into = job.where / "back"
    told = verb("restore", JOB, "--into", str(into))
    assert told.code == EXIT_DAMAGED
    assert "damaged at the far box: a: its content is not what the listing says" in told.err
    assert (into / "b/c").read_bytes() == b"first c"
    told = verb("restore", JOB, "--into", str(job.where / "again"), "--json")
    assert told.json["damaged"] == [{"path": "a", "why": "its content is not what the listing says"}]


def test_a_run_by_hand_says_that_it_goes_beyond_the_months_allowance(job: OneJob, verb: Verb) -> None:
    assert "allowance" not in verb("run").err
    job.far_more = {"month_gb": 1e-7}
    job.write_settings()
    job.put("a", b"another a")
    told = verb("run")
    assert told.code == EXIT_WELL
    assert "this month's allowance of far box heron is used up; a run by hand goes beyond it" in told.err
    assert "allowance" not in verb("run", "--dry").err


def test_damage_is_counted_until_the_file_comes_back_whole(job: OneJob, verb: Verb) -> None:
    def counted() -> list[str]:
        with Ledger(job.settings.ledger) as ledger:
            return [one.path for one in ledger.damages.of(JOB)]

    verb("run")
    for name in ("a", "b/c"):
        (job.latest / name).write_bytes(b"not what it was")
    verb("restore", JOB, "--into", str(job.where / "spoilt"))
    assert counted() == ["a", "b/c"]
    for name, content in (("a", b"first a"), ("b/c", b"first c")):
        (job.latest / name).write_bytes(content)
    verb("restore", JOB, "b", "--into", str(job.where / "part"))
    assert counted() == ["a"], "what was not asked for was not read"
    job.put("back/a", b"first a")
    verb("restore", JOB, "--into", str(job.path("back")), "--if-there", "keep")
    assert counted() == ["a"], "what was here already was not read"
    assert verb("restore", JOB, "--into", str(job.where / "whole")).code == EXIT_WELL
    assert counted() == []


def test_tampered_listing_has_the_exit_code_of_damage(job: OneJob, verb: Verb) -> None:
    run = verb("run", "--json").json["runs"][0]["run"]
    data = bytearray(job.listing(run).read_bytes())
    data[len(data) // 2] ^= 1
    job.listing(run).write_bytes(data)
    told = verb("restore", JOB, "--into", str(job.where / "back"))
    assert told.code == EXIT_DAMAGED
    assert run in told.one_line()
    assert "otherroof versions" in told.one_line()


# -- what cannot be --

WRONG: dict[str, list[str]] = {
    "no such job": ["run", "photos"],
    "no such job to restore": ["restore", "photos", "--into", "x"],
    "no such job in the ledger": ["ledger", "photos"],
    "no such job's versions": ["versions", "photos"],
    "no such job to release": ["release", "photos"],
    "a time with a 13th month": ["restore", JOB, "--into", "x", "--as-of", "2031-13-05"],
    "a time that is none": ["restore", JOB, "--into", "x", "--as-of", "yesterday"],
    "a time before all versions": ["restore", JOB, "--into", "x", "--as-of", "1999-01-01"],
    "a time before the calendar": ["restore", JOB, "--into", "x", "--as-of", "0001-01-01T00:00:00+23:00"],
    "a time after the calendar": ["ledger", "--since", "9999-12-31T23:59:59-23:00"],
    "a day of no month": ["ledger", "--since", "2031-02-30"],
    "an hour of no day": ["ledger", "--since", "2031-02-03T25:00:00Z"],
    "a way to treat files that is none": ["restore", JOB, "--into", "x", "--if-there", "overwrite"],
    "restore into nowhere": ["restore", JOB],
    "an option that is none": ["run", "--fast"],
    "a verb that is none": ["copy"],
    "a path that no version holds": ["restore", JOB, "nowhere", "--into", "x"],
}


@pytest.mark.parametrize("argv", WRONG.values(), ids=WRONG.keys())
def test_wrong_use_is_one_line_with_its_exit_code(
    job: OneJob, verb: Verb, argv: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """No traceback, nothing done, and what to do instead."""
    job.done()
    monkeypatch.chdir(job.where)
    told = verb(*argv)
    assert told.code == EXIT_WRONG_USE
    assert "; " in told.one_line()


SETTINGS: dict[str, tuple[str, str, str, str]] = {
    "an unknown key": ("jobs/papers.toml", "at =", 'fra = "x"\nat =', "'far'"),
    "an unknown table": ("otherroof.toml", "[home]", "[hose]", "'home'"),
    "a text for a number": ("otherroof.toml", "connections = 1", 'connections = "many"', "connections"),
    "a number for a text": ("jobs/papers.toml", "at =", "leave_out = 7\nat =", "leave_out"),
    "an impossible time": ("jobs/papers.toml", "30 1 * * *", "61 25 * * *", "at"),
    "a schedule of four fields": ("jobs/papers.toml", "30 1 * * *", "30 1 * *", "at"),
    "a percentage over a hundred": ("jobs/papers.toml", "at =", "guard = {removed_percent = 120}\nat =", "removed"),
    "no TOML at all": ("otherroof.toml", "[home]", "[home", "TOML"),
    "a far box that is not described": ("jobs/papers.toml", '"heron"', '"herring"', "'heron'"),
}


@pytest.mark.parametrize(("name", "old", "new", "word"), SETTINGS.values(), ids=SETTINGS.keys())
def test_wrong_settings_are_one_line_with_file_and_key(
    job: OneJob, verb: Verb, name: str, old: str, new: str, word: str
) -> None:
    path = Path(job.config) / name
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    told = verb("run")
    assert told.code == EXIT_WRONG_USE
    assert name in told.one_line()
    assert word in told.one_line()
    told = verb("restore", JOB, "--into", "x")  # here a slip in another job would only be mentioned
    assert told.code == EXIT_WRONG_USE
    assert all(line.startswith("otherroof: ") for line in told.err.splitlines())
    assert name in told.err
    assert word in told.err


def test_login_key_that_others_can_read_is_refused(job: OneJob, verb: Verb) -> None:
    """Invariant 7."""
    key = Path(job.settings.path("keys/heron"))
    key.chmod(0o644)
    told = verb("run")
    assert told.code == EXIT_WRONG_USE
    assert str(key) in told.err
    assert list(Path(job.door.base_path).iterdir()) == []


def test_listing_key_that_others_can_read_is_refused(job: OneJob, verb: Verb) -> None:
    """Invariant 7."""
    verb("run")
    key = Path(job.settings.path(job.settings.home.listing_key))
    assert key.stat().st_mode & 0o777 == 0o600
    key.chmod(0o640)
    told = verb("restore", JOB, "--into", str(job.where / "x"))
    assert told.code == EXIT_WRONG_USE
    assert str(key) in told.one_line()


def test_secrets_stand_nowhere_but_in_their_files(job: OneJob, verb: Verb) -> None:
    """Invariant 7: neither in what is said, nor in state, ledger, listings or anything at the far end."""
    said = [verb("run", "--json"), verb("ledger", "--json"), verb("status", "--json")]
    listing_key = Path(job.settings.path(job.settings.home.listing_key)).read_text().strip()
    login_key = Path(job.settings.path("keys/heron")).read_text().splitlines()[2]
    secrets = (listing_key.encode(), bytes.fromhex(listing_key), login_key.encode())
    text = "".join(one.out + one.err for one in said).encode()
    for path in (*job.state.rglob("*"), *job.far.rglob("*")):
        text += path.read_bytes() if path.is_file() else b""
    assert not [secret for secret in secrets if secret in text]


def test_ledger_of_a_newer_otherroof_is_named_and_left_alone(job: OneJob, verb: Verb) -> None:
    verb("run")
    path = job.settings.ledger
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    for argv in (["run"], ["ledger"], ["status"]):
        told = verb(*argv)
        assert told.code == EXIT_LOOK
        assert path in told.one_line()
        assert "newer" in told.one_line()
    assert verb("restore", JOB, "--into", str(job.where / "back")).code == EXIT_WELL, "what is there can be had"


def test_state_folder_that_cannot_be_made_is_told(job: OneJob, verb: Verb) -> None:
    (Path(job.config) / "state").write_bytes(b"a file stands here")
    told = verb("run")
    assert told.code == EXIT_LOOK
    assert str(Path(job.config) / "state") in told.one_line()


def test_listing_key_that_is_gone_is_asked_back_and_not_made_of_something_else(job: OneJob, verb: Verb) -> None:
    verb("run")
    os.unlink(job.settings.path(job.settings.home.listing_key))
    told = verb("versions", JOB)
    assert told.code == EXIT_WRONG_USE
    assert "listing.key is not there; put back the file you kept" in told.err
    assert "ssh-keygen" not in told.err


def test_settings_file_in_place_of_its_folder_is_told(job: OneJob, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["run", "--config", f"{job.config}/otherroof.toml"])
    assert left.value.code == EXIT_WRONG_USE
    told = capsys.readouterr().err
    assert f"{job.config}/otherroof.toml: is not a folder; `--config` wants the settings folder" in told
    assert told.count("\n") == 1


def test_a_restore_says_which_version_it_took(job: OneJob, verb: Verb) -> None:
    verb("run")
    (version,) = verb("versions", JOB, "--json").json["versions"]
    taken = moment_text(from_stamp(version["taken"]), job.settings.zone)
    told = verb("restore", JOB, "--into", str(job.where / "back"))
    assert f"of the version of {taken} (run {version['run']}, UTC)" in told.out
    again = verb("restore", JOB, "--into", str(job.where / "again"), "--json").json
    assert (again["run"], again["taken"]) == (version["run"], version["taken"])


def test_a_dry_run_over_the_guards_limits_advises_no_release(job: OneJob, verb: Verb) -> None:
    verb("run")
    for path in list(job.folder.iterdir()):
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    told = verb("run", JOB, "--dry")
    assert told.code == EXIT_HELD
    assert "would be held" in told.err
    assert f"otherroof release {JOB}" not in told.err
    assert f"otherroof run {JOB}" in told.err
    assert f"otherroof release {JOB}" in verb("run", JOB).err


def test_a_slip_in_one_jobs_file_refuses_only_that_job(job: OneJob, verb: Verb) -> None:
    other = Path(job.config, "jobs", "music.toml")
    other.write_text('folder = "/srv/music"\nfar = "heron"\nat = "25 1 * *"\n')
    assert verb("run", JOB).code == EXIT_WELL
    told = verb("run", "music")
    assert told.code == EXIT_WRONG_USE
    assert "music.toml: at: " in told.err
    both = verb("run")
    assert both.code == EXIT_WRONG_USE
    assert "music.toml: at: " in both.err
    assert f"{JOB}: done" in both.out
    other.write_text(other.read_text().replace("25 1 * *", "25 1 * * *"))
    main_file = Path(job.config, "otherroof.toml")
    main_file.write_text(main_file.read_text() + "\n[homes]\n")
    assert verb("run", JOB).code == EXIT_WRONG_USE, "the main file is about every job"
