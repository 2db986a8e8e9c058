"""What three households see is kept as text: a change of it has to be looked at before it counts."""

from __future__ import annotations

import re

import pytest

from support import deed_screens
from support.one_way import broken_words, departures, text_of
from support.screens import HOUSEHOLDS, SCREENS, lived, made, pages


@pytest.fixture(scope="module")
def shown() -> dict[str, str]:
    return made()


@pytest.mark.parametrize("what", ["status", "ledger", "mails", "page", "digest"])
@pytest.mark.parametrize("name", HOUSEHOLDS)
def test_screens_are_as_they_were_last_looked_at(shown: dict[str, str], name: str, what: str) -> None:
    file = f"{name}-{what}.txt"
    assert shown[file] == (SCREENS / file).read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def done() -> dict[str, str]:
    return deed_screens.made()


@pytest.mark.parametrize("what", deed_screens.ASKED)
def test_what_verbs_say_is_as_it_was_last_looked_at(done: dict[str, str], what: str) -> None:
    assert done[f"deed-{what}.txt"] == (SCREENS / f"deed-{what}.txt").read_text(encoding="utf-8")


def test_what_verbs_say_is_written_in_the_one_way_and_breaks_between_words(done: dict[str, str]) -> None:
    # The sheet is for paper, which is wider.
    wide = ("deed-sheet.txt",)
    found = {file: departures(text, 0 if file in wide else deed_screens.COLUMNS) for file, text in done.items()}
    assert {file: departed for file, departed in found.items() if departed} == {}


def test_no_screen_is_kept_that_nobody_sees(shown: dict[str, str], done: dict[str, str]) -> None:
    assert {path.name for path in SCREENS.iterdir()} == {*shown, *done}


@pytest.mark.parametrize("name", HOUSEHOLDS)
def test_status_fits_a_terminal_of_80_columns_and_24_lines(shown: dict[str, str], name: str) -> None:
    lines = shown[f"{name}-status.txt"].splitlines()
    assert len(lines) < 24
    assert max(len(line) for line in lines) <= 80


def test_every_screen_mail_and_page_is_written_in_the_one_way(shown: dict[str, str]) -> None:
    assert len(shown) == 5 * len(HOUSEHOLDS)
    found = {file: departures(text) for file, text in shown.items()}
    assert {file: departed for file, departed in found.items() if departed} == {}


@pytest.mark.parametrize("name", HOUSEHOLDS)
def test_mail_in_html_is_written_in_the_one_way(name: str) -> None:
    with lived(name) as household:
        assert departures(text_of(pages(*household)[1])) == []


def test_mail_and_page_leave_commands_and_units_whole() -> None:
    with lived("trouble") as household:
        for made in pages(*household):
            assert "7\N{NO-BREAK SPACE}h\N{NO-BREAK SPACE}30\N{NO-BREAK SPACE}min" in made
            # A blank that breaks no line would be copied along, and no shell knows it.
            assert re.search(r"inline-block[^>]*><code[^>]*>otherroof release photos</code>\.</span>", made)


def test_lines_break_between_words_however_narrow_the_terminal(shown: dict[str, str]) -> None:
    narrow, wide = made(60), made(1000)
    # The ledger's table leaves columns out, and status the least urgent lines, rather than break a word.
    flowing = [file for file in shown if file.endswith("status.txt") and "trouble" not in file]
    assert {file: broken_words(shown[file], wide[file]) for file in flowing} == {file: [] for file in flowing}
    for columns, screens in ((60, narrow), (80, shown)):
        tables = [text for file, text in screens.items() if file.endswith(("status.txt", "ledger.txt"))]
        assert [departures(text, columns) for text in tables] == [[]] * len(tables)


WRONG_ON_PURPOSE = {
    "1 files": "one of them is no plural",
    "12 file and more": "more than one is a plural",
    "0 run": "more than one is a plural",
    "412507 in all": "thousands have commas",
    "(14%)": "a percent sign",
    "some mistake(s)": "no plural in brackets",
    "about 2\nd ago": "a number and its unit",
    "7 h\n  30 min old": "a time stands on one line",
    "5 GB": "a size has three figures",
    "1.5 kB": "a size has three figures",
    "6.0 Mbit/s": "a rate has two decimals",
    "run 2031-03-05T140000Z-7f3a": "names of runs are in UTC",
    "on the 3rd": "a day of a month",
}


@pytest.mark.parametrize("text", WRONG_ON_PURPOSE)
def test_what_departs_from_the_one_way_is_found(text: str) -> None:
    (found,) = departures(text)
    assert found.startswith(WRONG_ON_PURPOSE[text])


@pytest.mark.parametrize(
    "text",
    [
        "1 file, 2 files and 1,060 folders; 1 thing needs a hand, 2 things need one",
        "3 March 2031, 04:10; 2031-03-06 00:30; 7 h 30 min, 1 d 3 h; 0 B, 900 kB, 1.00 TB (50 %); 5.79 Mbit/s",
        "192.0.2.2:22: no answer within 60 s; 1 of 3 jobs is without any copy",
        "run 2031-03-05T140000Z-7f3a, a name in UTC",
    ],
)
def test_what_is_written_in_the_one_way_passes(text: str) -> None:
    assert departures(text) == []


def test_a_word_that_is_broken_is_found() -> None:
    assert broken_words("the disk of her\non is full", "the disk of heron is full") != []
    assert broken_words("the disk of\nheron is full", "the disk of heron is full") == []
