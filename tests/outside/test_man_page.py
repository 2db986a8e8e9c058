"""The man page as programs see it that print man pages: groff(1) with the macros of man(7), man(1), and mandoc(1)."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from otherroof.cli.parser import roff
from otherroof.cli.parser.manual import man_page
from otherroof.cli.parser.verbs import EXIT_CODES, SHORT, VERBS
from otherroof.system.install_help import MAN_PAGE
from support.lab.need import require_programs
from support.outside import outside

SECTIONS = [
    "NAME",
    "SYNOPSIS",
    "DESCRIPTION",
    "OPTIONS",
    "VERBS",
    "EXIT STATUS",
    "JSON",
    "ENVIRONMENT",
    "FILES",
    "SEE ALSO",
]
WIDTH = 78


def printed(*argv: str) -> tuple[str, str]:
    """What a program prints of a page, without the typewriter's bold and underlining, and what it complains of."""
    env = {"PATH": "/usr/bin:/bin", "LC_ALL": "C.UTF-8", "MANWIDTH": str(WIDTH), "MANROFFOPT": "", "PAGER": "cat"}
    done = subprocess.run(argv, capture_output=True, text=True, timeout=60, check=True, env=env)
    return re.sub(r".\x08|\x1b\[[0-9;]*m", "", done.stdout), done.stderr


@pytest.fixture
def page(tmp_path: Path) -> Path:
    path = tmp_path / MAN_PAGE.lstrip("/")
    path.parent.mkdir(parents=True)
    path.write_text(man_page())
    return path


@outside("man-db", "man(1) --warnings", "the man page is printed whole", value="recomputed")
def test_man_finds_nothing_wrong_and_prints_all_of_it(page: Path) -> None:
    require_programs("man", "groff")
    told, complaints = printed("man", "--warnings", "-l", str(page))
    assert complaints == ""
    assert re.findall(r"^[A-Z][A-Z ]+$", told, re.MULTILINE) == SECTIONS
    flowing = " ".join(told.split())
    for verb in VERBS:
        assert re.search(rf"^   {verb} \[OPTIONS\]", told, re.MULTILINE), verb
        assert SHORT[verb] in flowing
    for code, meaning in EXIT_CODES.items():
        assert f" {code} {meaning} " in flowing
    for word in ("--if-there", "--config DIR", "-h, --help", "/etc/otherroof/otherroof.toml", "sshd_config(5)"):
        assert word in flowing
    assert max(map(len, told.splitlines())) <= WIDTH + 1


@outside("man-db", "man(1) --where, lexgrog(1)", "the man page is found by its name", value="recomputed")
def test_man_knows_it_by_its_name(page: Path) -> None:
    require_programs("man", "lexgrog")
    told = printed("man", "--manpath", str(page.parents[1]), "--where", "otherroof")[0]
    assert told.strip() == str(page)
    told = printed("lexgrog", str(page))[0]
    assert "otherroof - keeps a second copy of a household's folders under another roof" in told


@outside("groff", "groff(1) -ww with man(7)", "the man page has no slip", value="recomputed")
def test_groff_finds_nothing_wrong(page: Path) -> None:
    require_programs("groff")
    assert printed("groff", "-man", "-ww", "-Tutf8", str(page))[1] == ""


@outside("mandoc", "mandoc(1) -Tlint", "the man page has no slip", value="recomputed")
def test_mandoc_finds_nothing_wrong(page: Path) -> None:
    require_programs("mandoc")
    done = subprocess.run(
        ["mandoc", "-Tlint", "-Wwarning", str(page)], capture_output=True, text=True, timeout=60, check=False
    )
    lines = [line for line in (done.stdout + done.stderr).splitlines() if "missing date" not in line]
    assert lines == []


SPOILT = [
    r"a \fBbackslash\n", ".SH at the beginning", "'br too", "a `quoted' ~ ^ word", "--an-option", 'and "that"', "ä – €"
]  # fmt: skip


@outside("groff", "groff_man(7), text that looks like requests", "no text is taken for a request", value="recomputed")
@pytest.mark.parametrize("text", SPOILT)
def test_no_text_is_taken_for_roff(text: str, tmp_path: Path) -> None:
    require_programs("groff")
    lines = [
        *roff.title("trial", 1, 'version "1"', "Trial"), *roff.heading(f"x {text}"), *roff.subheading(text),
        *roff.paragraphs([text, text]), *roff.terms([(text, text), (text, "")]),
    ]  # fmt: skip
    path = tmp_path / "trial.1"
    path.write_text("\n".join(lines) + "\n")
    told, complaints = printed("groff", "-k", "-man", "-ww", "-Tutf8", str(path))
    assert complaints == ""
    assert told.count(text) == 6
    assert text.upper() in told
