"""Job files and examples that people copy must be right: they parse, the invented household stands, scripts are sh."""

from __future__ import annotations

import ipaddress
import os
import re
import shutil
import sqlite3
import subprocess
import tomllib
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from pydantic import BaseModel
from scipy import stats

from otherroof.cli.parser.verbs import VERBS
from otherroof.copying.home.leave_out import leave_out_rule
from otherroof.ledger import Ledger
from otherroof.settings import alerting, check_machine, read_parts, tunnel, versions
from otherroof.settings import models as models_of_settings
from otherroof.settings.fields import is_documentation
from support.example_digest import NOW, live, made

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = ROOT / "examples"
JOBS = sorted((ROOT / "jobs").glob("*.toml"))
EVERY_FILE = sorted(path for top in ("jobs", "examples") for path in (ROOT / top).rglob("*") if path.is_file())


def test_there_are_the_jobs_that_a_household_starts_with() -> None:
    assert {path.stem for path in JOBS} >= {"documents", "photos", "server-settings", "database"}


@pytest.mark.parametrize("path", JOBS, ids=lambda path: path.stem)
def test_ready_job_fits_into_a_household_as_it_is(path: Path, tmp_path: Path) -> None:
    shutil.copy(EXAMPLES / "otherroof.toml", tmp_path)
    (tmp_path / "jobs").mkdir()
    shutil.copy(path, tmp_path / "jobs")
    parts = read_parts(str(tmp_path))
    assert [one.line() for one in parts.mistakes] == []
    assert list(parts.jobs) == [path.stem]


def test_invented_household_has_no_mistake_but_what_must_be_invented() -> None:
    parts = read_parts(str(EXAMPLES))
    assert [one.line() for one in parts.mistakes] == []
    assert len(parts.jobs) >= 3
    expected = re.compile(r"is an address for documentation|is not there|is not a folder on this machine|cannot be run")
    found = check_machine(parts)
    assert [one.line() for one in found if not expected.search(one.wrong)] == []
    assert any("documentation" in one.wrong for one in found), "the far box's address must be for documentation only"


NO_SETTING = {"where", "unread", "jobs", "told"}  # what the reader puts together


def models() -> list[type[BaseModel]]:
    """Every model of the settings."""
    parts = (models_of_settings, tunnel, alerting, versions)
    classes = [one for part in parts for one in vars(part).values() if isinstance(one, type)]
    return [one for one in dict.fromkeys(classes) if issubclass(one, BaseModel) and one.model_fields]


def left_as_it_is(line: str) -> dict[str, Any] | None:
    """The setting in a line such as `# probe_hours = 6    # …`, which tells what holds without it."""
    if not re.match(r"# [a-z_]+ *= ", line):
        return None
    return tomllib.loads(line.removeprefix("# "))


def test_examples_explain_every_setting_there_is() -> None:
    text = "".join(path.read_text() for path in EVERY_FILE if path.suffix == ".toml")
    wanted = {name for model in models() for name in model.model_fields} - NO_SETTING
    assert len(wanted) > 70
    written = r"^[# ]*(\[\w+\.(\w+\.)?)?\[?{}\b"
    assert sorted(name for name in wanted if not re.search(written.format(name), text, re.MULTILINE)) == []


def test_examples_tell_the_truth_about_what_holds_where_nothing_is_said() -> None:
    told = 0
    for path in (EXAMPLES / "otherroof.toml", EXAMPLES / "jobs" / "photos.toml"):
        for line in path.read_text().splitlines():
            for name, value in (left_as_it_is(line) or {}).items():
                defaults = [model.model_fields[name].default for model in models() if name in model.model_fields]
                held = tuple(value) if isinstance(value, list) else value
                assert held in defaults, line
                told += 1
    assert told > 25


def test_what_holds_in_the_example_tunnel_stands_together_before_what_else_there_could_be() -> None:
    lines = (EXAMPLES / "otherroof.toml").read_text().splitlines()
    begin = lines.index("[far.heron.tunnel]")
    table = lines[begin + 1 : next(at for at in range(begin + 1, len(lines)) if not lines[at])]
    written = [at for at, line in enumerate(table) if re.match(r"[a-z_]+ *=", line)]
    other = next(at for at, line in enumerate(table) if line == "#")
    assert any(table[at].startswith("let_in") for at in written)
    assert max(written) < other


def test_example_patterns_leave_something_out_and_not_all() -> None:
    for path in [*JOBS, *sorted((EXAMPLES / "jobs").glob("*.toml"))]:
        patterns = tomllib.loads(path.read_text()).get("leave_out", [])
        left_out = leave_out_rule(patterns)
        assert (left_out is None) == (not patterns), path
        assert left_out is None or not left_out(b"an ordinary file", False), path


@pytest.mark.parametrize("path", EVERY_FILE, ids=lambda path: path.name)
def test_nothing_points_at_a_real_address(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for found in re.findall(r"\b\d{1,3}(?:\.\d{1,3}){3}\b", text):
        assert is_documentation(found) or ipaddress.ip_address(found).is_loopback, found
    for host in re.findall(r"[\w-]+(?:\.[\w-]+)*\.(?:net|org|com|io|eu|de|uk|ca)\b", text):
        assert host.endswith(("example.net", "example.org", "example.com")), host


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("*.sh")), ids=lambda path: path.name)
def test_scripts_are_plain_shell(path: Path) -> None:
    subprocess.run(["sh", "-n", str(path)], check=True, timeout=10)
    if shell := shutil.which("dash"):
        subprocess.run([shell, "-n", str(path)], check=True, timeout=10)
    text = path.read_text()
    assert text.startswith("#!/bin/sh\n")
    assert "\nset -eu\n" in text


def test_first_run_names_what_is_missing_on_an_old_machine(tmp_path: Path) -> None:
    old = tmp_path / "python3"
    old.write_text('#!/bin/sh\n[ "$1" = --version ] && { echo "Python 3.9.2"; exit 0; }\nexit 1\n')
    old.chmod(0o755)
    done = subprocess.run(
        ["sh", str(EXAMPLES / "first-run.sh")],
        env={"PATH": f"{tmp_path}:/usr/bin:/bin", "OTHERROOF_VENV": str(tmp_path / "venv")},
        capture_output=True,
        text=True,
        timeout=20,
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr == "first-run: Python 3.11 or later is needed, this is Python 3.9.2\n"
    assert not os.path.exists(tmp_path / "venv")


def test_the_example_of_a_digest_is_what_a_digest_looks_like() -> None:
    for name, text in made().items():
        assert (EXAMPLES / name).read_text(encoding="utf-8") == text, f"make it anew: {made.__module__}"


def sql(path: str, text: str, *values: object) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(path)) as db:
        return db.execute(text, values).fetchall()


def bytes_of(count: float) -> str:
    """Three figures in the largest unit that leaves at least one before the point, written apart from the product's."""
    for unit, power in (("GB", 9), ("MB", 6), ("kB", 3)):
        if count >= 10**power:
            return f"{float(f'{count / 10**power:.3g}'):#.3g}".rstrip(".") + f" {unit}"
    return f"{count} B"


def test_the_figures_in_the_example_of_a_digest_are_those_of_its_ledger(tmp_path: Path) -> None:
    """Worked out anew with plain SQL and scipy: the test above only says that nothing has changed."""
    path = str(tmp_path / "ledger.sqlite")
    with Ledger(path) as ledger:
        live(ledger)
    told = " ".join((EXAMPLES / "digest.txt").read_text(encoding="utf-8").split())
    week = (f"{NOW - timedelta(weeks=1):%Y-%m-%dT%H:%M:%SZ}", f"{NOW:%Y-%m-%dT%H:%M:%SZ}")
    for job in ("letters", "photos", "recipes-database", "server"):
        ((count, files, sent, wire, seconds, sending),) = sql(
            path, "SELECT count(*), sum(new + changed), sum(bytes_sent), sum(wire_up), avg(total_s), sum(send_s)"
            " FROM run"
            " WHERE job = ? AND outcome = 'done' AND started >= ? AND started < ?", job, *week)  # fmt: skip
        runs = f"{count} run{'s' if count > 1 else ''} ({count} done); {files} files and {bytes_of(sent)} sent"
        minutes, rest = divmod(round(seconds), 60)
        lasted = f"{minutes} min {rest} s" if minutes else f"{rest} s"
        rate = f"{wire * 8 / 1e6 / sending:.2f} Mbit/s while sending"
        assert f"{job}: " in told
        assert f"this week: {runs}; {lasted} a run; {rate}" in told
        ((seen, size),) = sql(path, "SELECT seen, bytes_seen FROM run WHERE job = ? AND outcome = 'done'"
                              " ORDER BY run DESC LIMIT 1", job)  # fmt: skip
        assert f"holds: {seen:,} files, {bytes_of(size)}" in told
    # What the first copies took is no growth: only what was read after the last of them was whole.
    first = "SELECT max(done) FROM (SELECT min(ended) AS done FROM run WHERE outcome = 'done' GROUP BY job)"
    daily = "SELECT max(at) AS last, free, total FROM space GROUP BY substr(at, 1, 10)"
    rows = sql(path, f"SELECT * FROM ({daily}) WHERE last > ({first}) ORDER BY last")
    points = [(datetime.fromisoformat(at).timestamp() / 86_400, total - free) for at, free, total in rows]
    line = stats.linregress([day for day, _ in points], [used for _, used in points])
    margin = stats.t.ppf(0.975, len(points) - 2) * line.stderr
    last = points[-1][0]
    left = rows[-1][2] - max(points[-1][1], line.intercept + line.slope * last)
    likely, soonest, latest = (left / slope for slope in (line.slope, line.slope + margin, line.slope - margin))
    # The range is as wide as that of the medians' line too.
    medians = stats.theilslopes([used for _, used in points], [day for day, _ in points], 0.95)
    left = rows[-1][2] - max(points[-1][1], medians.intercept + medians.slope * last)
    soonest, latest = min(soonest, left / medians.high_slope), max(latest, left / medians.low_slope)
    zone = ZoneInfo("America/St_Johns")
    day, first, until = (datetime.fromtimestamp((last + one) * 86_400, zone) for one in (likely, soonest, latest))
    assert first.year == until.year, "so the year is said once"
    assert f"full: about {day:%-d %B %Y} (between {first:%-d %B} and {until:%-d %B %Y})" in told
    assert f"space: {rows[-1][1] / 1e12:.2f} TB free of 2.00 TB ({100 * rows[-1][1] / 2e12:.0f} %)" in told


def test_every_command_that_anybody_is_told_to_use_exists() -> None:
    texts = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
    kinds = {".py", ".j2", ".service", ".toml", ".sh", ".txt"}
    for folder in ("src", "examples", "jobs"):
        texts += [one for one in (ROOT / folder).rglob("*") if one.suffix in kinds]
    told = {
        (verb, str(path.relative_to(ROOT)))
        for path in texts
        for verb in re.findall(r"(?:`|^|[a-z]: )(?:sudo )?otherroof ([a-z][a-z-]+)", path.read_text(), re.MULTILINE)
        if (verb, path.name) != ("reply", "reply.py")  # the first line of what the far box prints
    }
    assert {verb for verb, _ in told} > {"probe", "release", "run", "quiet", "check"}
    assert [one for one in sorted(told) if one[0] not in VERBS] == []
