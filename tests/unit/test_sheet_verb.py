"""`otherroof sheet`: what it says and shows, and how it is taken in again: all of it or nothing, over no other file."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import stat
import sys
from pathlib import Path
from typing import Any

import pytest

from otherroof.base.clock import SystemClock
from otherroof.base.errors import EXIT_LOOK, HomeTrouble
from otherroof.cli.main import main
from otherroof.jobs.layouts import BY_HAND, KEEPERS
from otherroof.ledger import Ledger
from otherroof.ledger.drills import DrillFigures, DrillRow
from otherroof.pairing.sheet import take as taking
from otherroof.rehearsal.compare_trees import differences, read_tree
from otherroof.settings import require_settings
from support.fresh_start import fresh_argv
from support.main_job import JOB, OneJob, one_job
from support.readme_steps import README, ReadmeSteps
from support.sheets import KEYS, commands_of, letters_of, write_tunnelled_household
from support.terminal_talk import talk
from support.two_boxes import two_boxes
from support.verbs import Told
from support.watching import Night, write_run

SHEET_TABLE = '\n[sheet]\nask = ["Kim, 555 0100"]\ntool = "the stick"\n[sheet.stands]\nheron = "in the hallway"\n'


class Caller:
    """Calls the verb on a settings folder."""

    def __init__(self, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
        self._capsys, self._patch = capsys, monkeypatch

    def __call__(self, config: str | Path, *argv: str, given: str = "", terminal: bool = False) -> Told:
        typed = io.StringIO(given)
        self._patch.setattr(typed, "isatty", lambda: terminal)
        self._patch.setattr(sys, "stdin", typed)
        with pytest.raises(SystemExit) as left:
            main(["sheet", *argv, "--config", str(config)])
        out, err = self._capsys.readouterr()
        return Told(int(left.value.code or 0), out, err)


@pytest.fixture
def sheet(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Caller:
    return Caller(capsys, monkeypatch)


@pytest.fixture
def household(tmp_path: Path) -> Path:
    where = tmp_path / "old"
    write_tunnelled_household(where, more=SHEET_TABLE, jobs={"photos": "", "letters": ""})
    return where


def printed(sheet: Caller, config: Path) -> str:
    found = sheet(config, "--with-keys")
    assert found.code == 0, found.err
    return letters_of(found.out)


def files_in(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


# ---- what it says


def test_it_says_what_is_where_how_it_is_reached_whom_to_ask_and_how_it_comes_back(
    household: Path, sheet: Caller
) -> None:
    now = SystemClock().now()
    with Ledger(require_settings(str(household)).ledger) as ledger:
        write_run(ledger, now, Night(seen=41_000), "photos")
        number = ledger.drills.begin(DrillRow("photos", "heron", now, False))
        ledger.drills.end(
            number, DrillRow("photos", "heron", now, False, "r", now, "whole", "", DrillFigures(files=812))
        )
        newest = ledger.runs.rows()[0].report.run
    text = sheet(household).out
    for said in (
        'home "larch"',
        f"photos: {household}/family/photos",
        "copied to far box heron, where it lies in /srv/otherroof/photos",
        f"newest known: run {newest}, 41,000 files",
        "812 files came back",
        "no practice restore yet",
        "heron stands in the hallway",
        "SSH account copykeeper at 10.77.0.2, port 22",
        "it calls home at larch.example.net, UDP port 51820",
        "Kim, 555 0100",
        "READ-ME-FIRST.txt",
        "latest/     holds the newest copy as ordinary files",
        "(the stick)",
        "larch.example.net must lead to your router",
    ):
        assert said in " ".join(text.split()) or said in text, said
    assert "THE KEYS" not in text
    for path in KEYS:
        secret = (household / path).read_text()
        assert not any(line in text for line in secret.splitlines())


def test_the_same_as_json_without_a_key(household: Path, sheet: Caller) -> None:
    found = sheet(household, "--json").json
    assert [job["name"] for job in found["jobs"]] == ["letters", "photos"]
    assert found["commands"][-1] == f"sudo otherroof restore photos --into {household}/family/photos"
    refused = sheet(household, "--json", "--with-keys").json["error"]
    assert refused["what"].startswith("keys are never printed as JSON")


def test_a_folder_with_two_copies_comes_back_by_one_command_and_each_preparation_stands_once(
    tmp_path: Path, sheet: Caller
) -> None:
    with two_boxes(tmp_path) as home:
        text = sheet(home.config).out
    restores = [line.strip() for line in text.splitlines() if "otherroof restore" in line]
    assert restores == [f"sudo otherroof restore photos --into {home.folder}"]
    assert " ".join(text.split()).count("Let this machine stand where the old one stood") == 1
    assert [f"otherroof probe {box}" in text for box in ("heron", "wren")] == [True, True]


def test_its_commands_are_those_of_the_readme(household: Path, sheet: Caller) -> None:
    readme = ReadmeSteps(README.read_text(encoding="utf-8"))
    commands = commands_of(sheet(household, "--with-keys").out)
    assert commands[:5] == readme.commands("Install")[:5]
    assert commands[5:7] == ["sudo otherroof sheet --take", "sudo otherroof probe heron"]


def test_files_of_the_system_come_back_beside_it(tmp_path: Path, sheet: Caller) -> None:
    write_tunnelled_household(tmp_path)
    job = tmp_path / "jobs" / "photos.toml"
    job.write_text(re.sub('folder = ".*"', 'folder = "/etc"', job.read_text()))
    assert "sudo otherroof restore photos --into /srv/back/photos" in sheet(tmp_path).out


def test_a_home_without_a_job_yet_has_a_sheet_with_its_keys(tmp_path: Path, sheet: Caller) -> None:
    write_tunnelled_household(tmp_path, jobs={})
    shutil.rmtree(tmp_path / "jobs", ignore_errors=True)
    found = sheet(tmp_path, "--with-keys")
    assert found.code == 0, found.err
    assert letters_of(found.out)


def test_every_layout_says_how_its_files_are_got_out_by_hand() -> None:
    assert set(BY_HAND) == set(KEEPERS)


def test_keys_come_after_a_warning_and_in_a_file_for_their_owner_only(
    household: Path, sheet: Caller, tmp_path: Path
) -> None:
    found = sheet(household, "--with-keys", "--html", str(tmp_path / "s.html"))
    assert found.code == 0, found.err
    assert "CAUTION. Whoever has these letters or codes can log in to the far box" in found.err
    assert "Then delete the file" in found.out
    page = tmp_path / "s.html"
    assert stat.S_IMODE(page.stat().st_mode) == 0o600
    assert page.read_text().count("<svg") == 2
    assert sheet(household, "--html", str(tmp_path / "plain.html")).code == 0
    plain = (tmp_path / "plain.html").read_text()
    assert "<svg" not in plain
    assert "keys of this home" not in plain


def test_whoever_says_no_to_the_warning_is_shown_nothing(household: Path, sheet: Caller) -> None:
    found = sheet(household, "--with-keys", given="n\n", terminal=True)
    assert found.code == 2
    assert "Show them?" in found.err
    assert "nothing was made" in found.err
    assert letters_of(found.out) == ""
    assert letters_of(sheet(household, "--with-keys", given="y\n", terminal=True).out)


@pytest.mark.parametrize(("options", "told"), [((), True), (("--with-keys",), True), (("--json",), False)])
def test_what_was_printed_is_remembered_and_status_says_when_it_is_old(
    household: Path, sheet: Caller, capsys: pytest.CaptureFixture[str], options: tuple[str, ...], told: bool
) -> None:
    assert sheet(household, *options).code == 0
    main_file = household / "otherroof.toml"
    main_file.write_text(main_file.read_text().replace("larch.example.net", "fir.example.net"))
    with pytest.raises(SystemExit):
        main(["status", "--json", "--config", str(household)])
    untold = json.loads(capsys.readouterr().out)["untold"]
    assert [one["headline"].endswith("far box heron changed since") for one in untold if one["alert"] == "sheet"] == (
        [True] if told else []
    )


def test_a_missing_library_for_codes_is_one_line(
    household: Path, sheet: Caller, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "segno", None)
    found = sheet(household, "--with-keys", "--html", str(tmp_path / "s.html"))
    assert found.code == 1
    assert found.err.splitlines()[-1].startswith("otherroof: QR codes need the Python package segno")
    assert not (tmp_path / "s.html").exists()
    assert sheet(household, "--with-keys").code == 0, "letters need no library"


@pytest.mark.parametrize("wrong", [("--take", "--html", "x"), ("--text", "x"), ("--take", "--with-keys")])
def test_options_that_do_not_go_together_are_refused(household: Path, sheet: Caller, wrong: tuple[str, ...]) -> None:
    assert sheet(household, *wrong).code == 2


# ---- taken in again


def test_all_of_it_is_taken_in_with_mode_600_and_a_second_time_is_nothing_to_do(
    household: Path, sheet: Caller, tmp_path: Path
) -> None:
    letters, new = printed(sheet, household), tmp_path / "new"
    found = sheet(new, "--take", given=letters.lower())
    # No folder of the old home stands on this machine, which settings alone do not say.
    assert found.code == 0, found.err
    files = files_in(new)
    assert set(files) == {*KEYS, "otherroof.toml", "jobs/photos.toml", "jobs/letters.toml"}
    assert {stat.S_IMODE((new / path).stat().st_mode) for path in files} == {0o600}
    assert stat.S_IMODE(new.stat().st_mode) == 0o700
    assert require_settings(str(new)).far == require_settings(str(household)).far
    again = sheet(new, "--take", given=letters)
    assert again.code == 0
    assert "nothing to do" in again.out
    assert files_in(new) == files


def test_one_wrong_letter_is_named_and_nothing_is_written(household: Path, sheet: Caller, tmp_path: Path) -> None:
    letters, new = printed(sheet, household), tmp_path / "new"
    groups = re.findall(r"[A-Z2-7]{5}-[A-Z2-7]{5}", letters)
    for number in (1, 9, len(groups)):
        group = groups[number - 1]
        wrong = ("B" if group[3] == "A" else "A").join((group[:3], group[4:]))
        found = sheet(new, "--take", given=letters.replace(group, wrong))
        assert found.code == 2
        assert f"group {number} (" in found.one_line()
        assert "look at its 4th letter first" in found.err
        assert "nothing was written" in found.err
        assert not new.exists()


def test_what_is_missing_is_said(household: Path, sheet: Caller, tmp_path: Path) -> None:
    lines = printed(sheet, household).splitlines(keepends=True)
    new = tmp_path / "new"
    assert "6 groups from group 7 on are missing" in sheet(new, "--take", given="".join(lines[:1] + lines[2:])).err
    assert "group 1 is missing" in sheet(new, "--take", given="".join(lines[1:])).err
    assert "group 1 is missing" in sheet(new, "--take").err
    assert "cannot be read" in sheet(new, "--take", "--text", str(tmp_path / "none")).err
    assert not new.exists()


@pytest.mark.parametrize("there", ["otherroof.toml", "keys/heron", "jobs/photos.toml"])
def test_nothing_is_written_over_another_file(household: Path, sheet: Caller, tmp_path: Path, there: str) -> None:
    new = tmp_path / "new"
    (new / there).parent.mkdir(parents=True)
    (new / there).write_text("somebody's own\n")
    before = files_in(new)
    found = sheet(new, "--take", given=printed(sheet, household))
    assert found.code == 2
    assert f"{new / there}: stands there already" in found.one_line()
    assert files_in(new) == before


def test_a_link_in_the_way_is_not_followed(household: Path, sheet: Caller, tmp_path: Path) -> None:
    new = tmp_path / "new"
    new.mkdir()
    (new / "otherroof.toml").symlink_to(tmp_path / "elsewhere")
    assert sheet(new, "--take", given=printed(sheet, household)).code == 2
    assert not (tmp_path / "elsewhere").exists()
    assert not (new / "keys").exists()


def test_cut_at_any_step_it_goes_on_the_next_time_and_the_settings_come_last(
    household: Path, sheet: Caller, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    letters, create = printed(sheet, household), taking.create_file
    for step in range(7):
        new, left = tmp_path / f"new{step}", iter(range(step))

        def cut(path: str, *more: Any, left: Any = left, **named: Any) -> bool:
            if next(left, None) is None:
                raise HomeTrouble("no room", where=path)
            return create(path, *more, **named)

        monkeypatch.setattr(taking, "create_file", cut)
        assert sheet(new, "--take", given=letters).code == 1
        monkeypatch.setattr(taking, "create_file", create)
        assert len(files_in(new)) == step
        assert "otherroof.toml" not in files_in(new)
        assert sheet(new, "--take", given=letters).code == 0
        assert require_settings(str(new)).far == require_settings(str(household)).far


def slipped(sheet: Caller, household: Path) -> list[str]:
    """The lines of a sheet as somebody types them: the second one wrong at first, then right."""
    lines = [line.partition(" ")[2].lower() for line in printed(sheet, household).splitlines()]
    wrong = lines[1][:-1] + ("a" if lines[1][-1] != "a" else "b")
    return [lines[0], wrong, *lines[1:]]


def test_at_a_terminal_each_line_is_looked_at_and_asked_for_again(
    household: Path, sheet: Caller, tmp_path: Path
) -> None:
    new, lines = tmp_path / "new", slipped(sheet, household)
    found = sheet(new, "--take", given="".join(f"{line}\n" for line in lines), terminal=True)
    assert found.code == 0, found.err
    assert "group 12 (6th of line 7.): look at its 10th letter first; type the line again" in found.out
    assert found.out.count("   7. ") == 2
    assert require_settings(str(new)).far == require_settings(str(household)).far


def test_at_a_terminal_it_asks_for_what_was_left_out_and_leaves_at_its_end_with_nothing_written(
    household: Path, sheet: Caller, tmp_path: Path
) -> None:
    new, lines = tmp_path / "new", printed(sheet, household).splitlines(keepends=True)
    found = sheet(new, "--take", given="".join([lines[0], *lines[2:], lines[1]]), terminal=True)
    assert found.code == 0, found.err
    assert "   7. " in found.out
    found = sheet(tmp_path / "other", "--take", given="".join(lines[:3]), terminal=True)
    assert found.code == 2
    assert "from group 19 on are missing" in found.err
    assert not (tmp_path / "other").exists()


@pytest.mark.slow
def test_a_person_at_a_real_terminal_types_it_in(household: Path, sheet: Caller, tmp_path: Path) -> None:
    new, lines = tmp_path / "new", slipped(sheet, household)
    answers = [(" 1. ", lines[0]), (" 7. ", lines[1]), ("look at its 10th letter first; type the line again", lines[2])]
    answers += [(f" {6 * place + 1}. ", line) for place, line in enumerate(lines[3:], 2)]
    code, said = talk(fresh_argv("sheet", "--take", "--config", str(new)), answers)
    assert code == 0, said
    assert "written, for its owner only" in said


# ---- from nothing but the sheet


def test_a_machine_with_nothing_but_the_sheet_gets_every_file_back(
    tmp_path: Path, sheet: Caller, capsys: pytest.CaptureFixture[str]
) -> None:
    with one_job(tmp_path) as job:
        job.put("a/photo", os.urandom(5000))
        job.put("b/letter", b"dear all")
        job.path("link").symlink_to("a/photo")
        job.done()
        letters = printed(sheet, Path(job.config))
        new = tmp_path / "machine" / "settings"
        assert sheet(new, "--take", given=letters).code == 0
        back = tmp_path / "back"
        home = read_tree(str(job.folder))
        lose_home(job)
        with pytest.raises(SystemExit) as left:
            main(["restore", JOB, "--into", str(back), "--config", str(new), "--json"])
        assert left.value.code == 0, capsys.readouterr()
        assert json.loads(capsys.readouterr().out)["files"] == 3
        assert [one.line() for one in differences(home, read_tree(str(back)))] == []


def lose_home(job: OneJob) -> None:
    """Folder, state, settings and keys of the old home."""
    shutil.rmtree(job.folder)
    shutil.rmtree(job.state)
    shutil.rmtree(job.config)


def test_mistakes_of_what_was_taken_in_and_programs_that_it_runs_are_told(tmp_path: Path, sheet: Caller) -> None:
    old, new = tmp_path / "old", tmp_path / "new"
    write_tunnelled_household(old, more=SHEET_TABLE, jobs={"photos": 'before = ["/bin/sh", "-c", "true"]\n'})
    letters = printed(sheet, old)
    well = sheet(new, "--take", given=letters)
    assert well.code == 0, well.err
    assert "these settings have this program run, see that it is there: /bin/sh -c true" in " ".join(well.out.split())
    (new / "jobs" / "older.toml").write_text('far = "nobody"\n')
    told = sheet(new, "--take", given=letters)
    assert told.code == EXIT_LOOK
    assert "jobs/older.toml: " in told.err
