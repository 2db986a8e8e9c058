"""Whatever a file name, a library or another machine says, what is printed is one line and moves no cursor."""

from __future__ import annotations

import csv
import io
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.base.errors import LinkLost, OtherroofError, Refused
from otherroof.base.printable import LONGEST, escaped, one_line
from otherroof.cli.common import JSON_SCHEMA, print_json
from otherroof.copying.report import RunReport
from otherroof.ledger.runs import CSV_COLUMNS, RunRow
from support.simulated import utc

EVIL = "\x1b[2J\x1b]0;owned\x07 \x9b31m\u202e\r\nSubject: x\x7f"


@given(st.text(max_size=80), st.text(max_size=80), st.text(max_size=80))
def test_error_is_one_printable_line_whatever_it_quotes(what: str, where: str, advice: str) -> None:
    error = OtherroofError(what, where=where, advice=advice)
    assert str(error).isprintable()
    assert error.what.isprintable()
    assert error.advice.isprintable()
    assert error.where == where, "whoever goes there needs it as it is"


def test_error_that_is_longer_than_anybody_reads_is_cut() -> None:
    assert len(str(Refused("x" * 10**6, where="here"))) < LONGEST + 200
    assert "(1,000,000 characters)" in str(Refused("x" * 10**6))


def test_what_is_printable_stays_as_it_is() -> None:
    assert escaped("Übergröße – ½ 日本語 🏠") == "Übergröße – ½ 日本語 🏠"
    assert one_line("  a\n b\t c ") == "a b c"
    assert str(LinkLost("gone", where="heron")) == "heron: gone; what was sent is kept and used by the next run"


def row() -> RunRow:
    report = RunReport("papers", "2031-04-05T013000Z-7f3a", outcome="failed", reason=f"heron: it says {EVIL}")
    return RunRow("heron", utc(2031, 4, 5), utc(2031, 4, 5), report)


def test_csv_holds_nothing_that_a_terminal_acts_upon() -> None:
    """Also what an older version wrote down as it was said."""
    out = io.StringIO()
    csv.writer(out).writerow(row().as_csv())
    assert out.getvalue().rstrip("\r\n").isprintable()
    (cells,) = list(csv.reader(io.StringIO(out.getvalue())))
    assert "\\x1b[2J" in dict(zip(CSV_COLUMNS, cells, strict=True))["reason"]


def test_json_holds_nothing_that_a_terminal_acts_upon_and_says_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    value = {"reason": EVIL, "plain": ["ü – 日本語", 5], "half\ud800": "\udcff"}
    print_json(value)
    printed = capsys.readouterr().out
    assert all(line.isprintable() for line in printed.split("\n"))
    assert json.loads(printed) == {"schema": JSON_SCHEMA, **value}
    assert "ü – 日本語" in printed
