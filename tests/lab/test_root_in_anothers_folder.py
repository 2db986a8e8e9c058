"""Root runs verbs on a state folder of another account, which is in a stranger's hands: nothing outside changes.

`OTHERROOF_SEED` chooses other moments; every failure names the seed.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.settings import require_settings
from otherroof.settings.last_good import NAME as KEPT
from support.fresh_start import OTHERROOF
from support.intruder import ACCOUNT, NAMES, Standing, at_work_in, outside_of_reach, standing
from support.killable import Killable
from support.lab import toml_text
from support.lab.need import require_programs
from support.loaded import LoadedVerbs
from support.main_job import JOB, OneJob, one_job
from support.pairing import ANSWERS

pytestmark = [pytest.mark.lab, pytest.mark.together]

SEED = int(os.environ.get("OTHERROOF_SEED", "20310405"))
UNIT = {2, 12, 13}  # CAP_DAC_READ_SEARCH, CAP_NET_ADMIN, CAP_NET_RAW: what the unit grants
# SQLite waits about ten seconds for each file that is not what it should be, and a verb opens several.
LONGEST_S = 240.0
ROUNDS = 5
# `{out}` is a folder that root names for what comes out.
VERBS = {
    "run": ["run"],
    "dry run": ["run", "--dry"],
    "reread": ["run", "--reread"],
    "restore": ["restore", JOB, "--into", "{out}/restored"],
    "versions": ["versions", JOB],
    "probe": ["probe"],
    "status": ["status"],
    "check": ["check"],
    "ledger": ["ledger", "--json"],
    "release": ["release", JOB],
    "quiet": ["quiet"],
    "digest": ["digest", "--html", "{out}/digest.html"],
    "page": ["page", "--out", "{out}/page"],
    "alert-test": ["alert-test"],
}


LOADED = LoadedVerbs()


@pytest.fixture(scope="module", autouse=True)
def loaded() -> Iterator[None]:
    with LOADED:
        yield


@pytest.fixture
def where() -> Iterator[Path]:
    """A folder that every account can pass through, unlike pytest's own."""
    require_programs(root=True)
    folder = Path(tempfile.mkdtemp(prefix="otherroof-test-"))
    folder.chmod(0o755)
    try:
        yield folder
    finally:
        shutil.rmtree(folder)


@pytest.fixture
def job(where: Path) -> Iterator[OneJob]:
    """A household whose state and keys belong to an account of their own, after a first run."""
    with one_job(where) as made:
        made.put("letter", "dear all")
        made.put("deep/er/secret", "for root alone", mode=0o600)
        for folder in (made.state, Path(made.config, "keys")):
            folder.mkdir(exist_ok=True)
            give(folder)
        yield made


def give(folder: Path) -> None:
    for path in (folder, *folder.rglob("*")):
        os.chown(path, ACCOUNT, ACCOUNT, follow_symlinks=False)


def call(job: OneJob, *words: str, code: int | None = 0, **more: str) -> subprocess.CompletedProcess[str]:
    return call_it(*words, "--config", job.config, code=code, **more)


def call_it(
    *words: str, code: int | None = 0, within_s: float = LONGEST_S, **more: str
) -> subprocess.CompletedProcess[str]:
    """A verb by root, with `more` in its environment."""
    done = LOADED.run(words, timeout=within_s, env=os.environ | more)
    return went_well(done, code)


def call_from_nothing(job: OneJob, *words: str, **more: str) -> subprocess.CompletedProcess[str]:
    """The same in an interpreter that has loaded nothing while it was root."""
    argv, environment = [OTHERROOF, *words, "--config", job.config], os.environ | more
    done = subprocess.run(argv, capture_output=True, text=True, timeout=LONGEST_S, check=False, env=environment)
    return went_well(done, 0)


def went_well(done: subprocess.CompletedProcess[str], code: int | None) -> subprocess.CompletedProcess[str]:
    assert code is None or done.returncode == code, (done.stdout, done.stderr)
    assert "Traceback" not in done.stderr, done.stderr
    return done


def words_of(name: str, out: Path) -> list[str]:
    return [word.format(out=out) for word in VERBS[name]]


def outside_now(job: OneJob, outside: Path) -> tuple[Standing, str]:
    """All that no verb has business to change: but for state and keys, and what root itself asked for."""
    settings = Path(job.config)
    return standing(outside, job.folder, settings / "jobs"), (settings / "otherroof.toml").read_text()


# -- at random moments --


@pytest.mark.slow
@pytest.mark.lasts(60)
def test_whatever_the_account_does_meanwhile_nothing_outside_changes(job: OneJob, where: Path) -> None:
    outside = outside_of_reach(where)
    call(job, "run")
    before = outside_now(job, outside)
    told, out, sound = where / "told", where / "out", where / "sound"
    shutil.copytree(job.state, sound)
    with Killable(told) as verbs:
        for number, name in enumerate([name for name in VERBS for _ in range(ROUNDS)]):
            out.mkdir()
            shutil.rmtree(job.state)  # what earlier deeds spoilt for good would keep this verb from coming far
            shutil.copytree(sound, job.state)
            give(job.state)
            with at_work_in(job.state, outside, SEED + number):
                code = ended(verbs, [*words_of(name, out), "--config", job.config])
            assert outside_now(job, outside) == before, (name, SEED + number)
            assert code >= 0, (name, SEED + number)
            assert {path.lstat().st_uid for path in job.state.rglob("*")} <= {ACCOUNT}, (name, SEED + number)
            shutil.rmtree(out)


# -- planted beforehand --


PLANTED = [
    *((name, how) for name in ("run", "restore") for how in ("link", "link to nothing", "further name", "pipe")),
    *((name, "link") for name in ("status", "page")),
]


@pytest.fixture(scope="module")
def killable(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Killable, Path]]:
    """Verbs that can be killed, and the file that has what they say."""
    told = tmp_path_factory.mktemp("killable") / "told"
    with Killable(told) as verbs:
        yield verbs, told


@pytest.mark.slow
@pytest.mark.lasts(20)
@pytest.mark.together("planted")
@pytest.mark.parametrize(("name", "how"), PLANTED)
def test_what_is_planted_under_a_name_that_root_opens_leads_nowhere(
    killable: tuple[Killable, Path], job: OneJob, where: Path, name: str, how: str
) -> None:
    outside, out = outside_of_reach(where), where / "out"
    verbs, told = killable
    call(job, "run")
    before = outside_now(job, outside)
    said = told.stat().st_size if told.exists() else 0
    for planted in (name for name in NAMES if "." in name):
        path = job.state / planted
        path.parent.mkdir(exist_ok=True)
        aside = path.rename(where / "aside") if path.exists() else None
        give(job.state)
        plant(path, outside, how)
        out.mkdir()
        code = ended(verbs, [*words_of(name, out), "--config", job.config])
        assert outside_now(job, outside) == before, planted
        assert code >= 0, f"{planted}: it hangs"
        shutil.rmtree(out)
        for left in (*job.state.rglob("*damaged*"), path):
            left.unlink(missing_ok=True)
        if aside is not None:
            aside.rename(path)
    new = told.read_bytes()[said:].decode(errors="replace")
    assert "Traceback" not in new, new


def ended(verbs: Killable, words: list[str]) -> int:
    """How the verb ended: below 0 if it had to be killed after a while."""
    pid = verbs.start(words)
    late = threading.Timer(LONGEST_S, verbs.kill, (pid,))
    late.start()
    return verbs.end_after(late)[0]


def plant(path: Path, outside: Path, how: str) -> None:
    if how == "further name":  # as on a machine that lets accounts link to what is not theirs
        os.link(outside / "empty", path)
        return
    if how == "pipe":
        os.mkfifo(path)
    else:
        path.symlink_to(outside / ("empty" if how == "link" else "new"))
    os.chown(path, ACCOUNT, ACCOUNT, follow_symlinks=False)


# -- what root is there, and what it still can --

REPORT = """#!/bin/sh
cat /proc/self/status > {folder}/status
echo "$HOME:$USER:$TMPDIR" > {folder}/environment
cat /proc/$PPID/status > {folder}/parent
cat /proc/$PPID/mem > {folder}/memory 2> {folder}/refused
exit 0
"""


def status_of(path: Path) -> dict[str, list[str]]:
    lines = (line.split(":", 1) for line in path.read_text().splitlines())
    return {name: value.split() for name, value in lines}


def capabilities(text: str) -> set[int]:
    return {number for number in range(64) if int(text, 16) >> number & 1}


def test_a_run_by_root_has_the_units_rights_and_no_more(job: OneJob, where: Path) -> None:
    folder, program = where / "reports", where / "report"
    folder.mkdir()
    os.chown(folder, ACCOUNT, ACCOUNT)
    program.write_text(REPORT.format(folder=folder))
    program.chmod(0o755)
    job.job_more = {"before": [str(program)]}
    job.write_settings()
    os.chown(Path(job.config, "keys", "heron"), 0, 0)  # put back by hand, as on a new machine
    call_from_nothing(job, "run", JOB, TMPDIR="/root")
    assert (folder / "environment").read_text() == f"/:{ACCOUNT}:\n"
    assert (job.latest / "deep/er/secret").read_text() == "for root alone", "it reads what root reads"
    for who in ("status", "parent"):
        found = status_of(folder / who)
        assert found["Uid"] == found["Gid"] == [str(ACCOUNT)] * 4, who
        assert found["Groups"] == [str(ACCOUNT)], who
        assert found["NoNewPrivs"] == ["1"], who
        for kind in ("CapPrm", "CapEff", "CapInh", "CapAmb"):
            assert capabilities(found[kind][0]) == UNIT, (who, kind)
    assert "Permission denied" in (folder / "refused").read_text(), "others of the account do not take it over"


@pytest.mark.parametrize("words", [["versions", JOB], ["restore", JOB, "--into", "{where}/back"], ["probe"]])
def test_no_program_that_a_verb_starts_is_roots(job: OneJob, where: Path, words: list[str]) -> None:
    """Not even where root lends its rights to what starts it."""
    folder, program = where / "reports", where / "report"
    folder.mkdir()
    os.chown(folder, ACCOUNT, ACCOUNT)
    program.write_text(REPORT.format(folder=folder))
    program.chmod(0o755)
    call(job, "run", JOB)
    argv = [str(program)]
    job.far_more = {"tunnel": {"kind": "command", "up": argv, "down": argv, "test": argv}}
    job.write_settings()
    call(job, *(word.format(where=where) for word in words), code=None)
    found = status_of(folder / "status")
    assert found["Uid"] == found["Gid"] == [str(ACCOUNT)] * 4
    assert capabilities(found["CapPrm"][0]) == capabilities(found["CapEff"][0]) == UNIT
    assert "Permission denied" in (folder / "refused").read_text()


def test_what_is_made_belongs_to_the_account_and_the_rest_stays_roots(job: OneJob) -> None:
    call_from_nothing(job, "run", JOB)
    call_from_nothing(job, "versions", JOB)
    made = [path for top in (job.state, Path(job.config, "keys")) for path in top.rglob("*")]
    assert len(made) > 8
    assert {path.lstat().st_uid for path in made} == {ACCOUNT}
    assert Path(job.config, "otherroof.toml").stat().st_uid == 0


def test_root_gets_files_back_with_their_owners_wherever_it_says(job: OneJob, where: Path) -> None:
    os.chown(job.folder / "letter", 64200, 64201)
    (job.folder / "letter").chmod(0o4751)
    os.setxattr(job.folder / "letter", "user.note", b"kept")
    (job.folder / "large").write_bytes(os.urandom(3 * 1024 * 1024))
    (job.folder / "way").symlink_to("letter")
    os.chown(job.folder / "way", 64202, 64202, follow_symlinks=False)
    os.chown(job.folder / "deep", 64203, 64203)
    call(job, "run", JOB)
    above = where / "only-root"
    above.mkdir(mode=0o700)
    call_from_nothing(job, "restore", JOB, "--into", str(above / "back" / "home"))
    unlike = ("deep", "deep/er", "deep/er/secret", "letter", "large", "way")
    back = above / "back" / "home"
    for name in unlike:
        was, found = (job.folder / name).lstat(), (back / name).lstat()
        assert (found.st_uid, found.st_gid, found.st_mode) == (was.st_uid, was.st_gid, was.st_mode), name
    assert os.getxattr(back / "letter", "user.note") == b"kept"
    assert (above / "back").stat().st_uid == 0
    assert {path.lstat().st_uid for path in job.state.rglob("*")} == {ACCOUNT}


def test_a_restore_does_not_follow_the_accounts_link_to_roots_folders(job: OneJob, where: Path) -> None:
    outside = outside_of_reach(where)
    call(job, "run", JOB)
    before = outside_now(job, outside)
    (job.state / "back").symlink_to(outside / "folder")
    give(job.state)
    told = call(job, "restore", JOB, "--if-there", "replace", "--into", str(job.state / "back"), code=1)
    assert "is another account's link, which root does not follow" in told.stderr
    told = call(job, "page", "--out", str(job.state / "back"), code=1)
    assert "is another account's link, which root does not follow" in told.stderr
    told = call(job, "digest", "--html", str(job.state / "back" / "text"), code=1)
    assert "is another account's link, which root does not follow" in told.stderr
    assert outside_now(job, outside) == before


@pytest.mark.parametrize("name", VERBS)
def test_a_state_folder_that_is_swapped_for_one_of_roots_is_refused(job: OneJob, where: Path, name: str) -> None:
    """It lies in a folder of the account's, which can put a link there that leads to where only root writes."""
    outside, theirs, out = outside_of_reach(where), where / "theirs", where / "out"
    theirs.mkdir()
    out.mkdir()
    (theirs / "state").symlink_to(outside / "folder")
    for path in (theirs, theirs / "state"):
        os.chown(path, ACCOUNT, ACCOUNT, follow_symlinks=False)
    main = Path(job.config, "otherroof.toml")
    main.write_text(main.read_text().replace('state = "state"', f'state = "{theirs}/state"'))
    before = outside_now(job, outside)
    told = call(job, *words_of(name, out), code=2)
    assert f"is root's, but below {theirs} account {ACCOUNT} can put another in its place" in told.stderr + told.stdout
    assert outside_now(job, outside) == before


def test_check_looks_as_the_service_will(job: OneJob, where: Path) -> None:
    program = where / "dump"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o700)
    job.job_more = {"before": [str(program)]}
    job.write_settings()
    assert f"{program} cannot be run" in call(job, "check", code=2).stdout
    program.chmod(0o755)
    call(job, "check")


def test_reports_still_go_where_root_says(job: OneJob, where: Path) -> None:
    call(job, "run", JOB)
    above = where / "only-root"
    above.mkdir(mode=0o700)
    call(job, "page", "--out", str(above / "page"), code=None)
    call(job, "digest", "--html", str(above / "digest.html"), code=None)
    for made in (above / "page", above / "page" / "index.html", above / "digest.html"):
        assert made.stat().st_uid == 0, made
    assert oct((above / "digest.html").stat().st_mode & 0o777) == "0o644"


def test_new_keys_belong_to_the_account_and_planted_ones_lead_nowhere(job: OneJob, where: Path) -> None:
    outside, answers = outside_of_reach(where), where / "answers.toml"
    answers.write_text(toml_text(ANSWERS))
    keys = Path(job.config, "keys")
    before = outside_now(job, outside)
    call(job, "pair", "wren", "--answers", str(answers))
    made = [path for path in keys.iterdir() if path.name.startswith("wren")]
    assert len(made) == 3
    assert {(path.stat().st_uid, path.stat().st_mode & 0o777) for path in made} == {(ACCOUNT, 0o600)}
    for name in (path.name for path in made):
        aside = (keys / name).rename(where / name)
        for how in ("link", "link to nothing", "pipe"):
            plant(keys / name, outside, how)
            call(job, "pair", "wren", "--answers", str(answers), code=2)
            (keys / name).unlink()
        aside.rename(keys / name)
    assert outside_now(job, outside)[0] == before[0]


# A quarter of the files, and less in them: whose they are is what counts here.
SMALL = """
import builtins
from otherroof.rehearsal import household
household.DATABASE_BYTES = 4_000_000
whole = household.HouseholdMaker.file
def shorter(maker, name, content, *mode):
    whole(maker, name, content if name == household.DATABASE else content[:20_000], *mode)
household.HouseholdMaker.file = shorter
household.range = lambda *ends: builtins.range(ends[0] // 4) if len(ends) == 1 else builtins.range(*ends)
"""


@pytest.mark.slow
@pytest.mark.lasts(20)
def test_a_rehearsal_in_anothers_folder_is_that_accounts(where: Path) -> None:
    require_programs(root=True)
    own = where / "own"
    own.mkdir()
    os.chown(own, ACCOUNT, ACCOUNT)
    with LoadedVerbs(first=SMALL) as verbs:
        went_well(verbs.run(["rehearse", "--keep", str(own / "play")], timeout=300.0), 0)
    assert {path.lstat().st_uid for path in own.rglob("*")} == {ACCOUNT}


@pytest.mark.slow
@pytest.mark.lasts(20)
def test_an_install_while_the_account_changes_its_state_changes_nothing_outside(where: Path) -> None:
    require_programs("systemd-sysusers", "systemd-tmpfiles", "systemctl", root=True)
    outside, root = outside_of_reach(where), where / "machine"
    (root / "etc").mkdir(parents=True)
    ours = f"otherroof:x:{ACCOUNT}:{ACCOUNT}:::/usr/sbin/nologin\n"
    for name, line in (("passwd", "root:x:0:0:root:/root:/bin/sh\n" + ours), ("group", f"otherroof:x:{ACCOUNT}:\n")):
        (root / "etc" / name).write_text(line)
    for name in ("shadow", "gshadow"):
        (root / "etc" / name).write_text("otherroof:!:::::::\n" if name == "shadow" else "otherroof:!::\n")
    call_it("install", "--root", str(root), "--apply")
    state, before = root / "var/lib/otherroof", standing(outside, root / "etc")
    assert state.stat().st_uid == ACCOUNT
    for number in range(ROUNDS):
        (state / "strays").mkdir(exist_ok=True)  # something to put right
        os.chown(state / "strays", 0, 0)
        with at_work_in(state, outside, SEED + number):
            call_it("install", "--root", str(root), "--apply", code=None)
        assert standing(outside, root / "etc") == before, SEED + number


# -- settings that were last whole --


def poisoned(job: OneJob, where: Path, marker: Path) -> None:
    """The files have a mistake, and what is kept for the service runs a command wherever it can."""
    program = where / "evil"
    program.write_text(f'#!/bin/sh\necho "$0 $(id -u)" >> {marker}\n')
    program.chmod(0o755)
    kept = json.loads(require_settings(job.config).model_dump_json())
    words = [str(program)]
    kept["jobs"][JOB]["before"] = words
    kept["far"]["heron"]["tunnel"] = {"kind": "command", "up": words, "down": words, "test": words}
    kept["told"]["channel"] = {"evil": {"kind": "command", "command": words, "carries": ["alerts", "digest"]}}
    (job.state / KEPT).write_text(json.dumps(kept))
    give(job.state)
    main = Path(job.config, "otherroof.toml")
    main.write_text(main.read_text() + "\nsomething = \n")


def test_no_command_of_settings_that_were_last_whole_is_run_by_root(job: OneJob, where: Path) -> None:
    call(job, "run", JOB)
    marker, out = where / "marker", where / "out"
    marker.touch(mode=0o666)
    marker.chmod(0o666)
    out.mkdir()
    poisoned(job, where, marker)
    for name in VERBS:
        told = call(job, *words_of(name, out), code=2)
        assert "otherroof.toml" in told.stderr + told.stdout, name
    assert marker.read_text() == ""


def test_a_service_started_by_root_goes_on_with_them_but_for_their_commands(job: OneJob, where: Path) -> None:
    call(job, "run", JOB)
    state = job.state
    marker = where / "marker"
    marker.touch()
    marker.chmod(0o666)
    poisoned(job, where, marker)
    process = subprocess.Popen(
        [OTHERROOF, "serve", "--config", job.config], stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True
    )
    try:
        time.sleep(6.0)
        assert process.poll() is None
    finally:
        process.terminate()
        _, said = process.communicate(timeout=30)
    assert said.count("the settings cannot be read whole now, so its command is not run") == 3, said
    assert marker.read_text() == ""
    assert {path.lstat().st_uid for path in state.rglob("*")} == {ACCOUNT}
