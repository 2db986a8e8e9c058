"""The recovery sheet as a printer gets it: one page of A4 or Letter, black on white, its codes readable."""

from __future__ import annotations

import json
import re
import subprocess
import tomllib
import zlib
from pathlib import Path

import pytest
import zxingcpp

from otherroof.base.clock import SystemClock
from otherroof.ledger import Ledger
from otherroof.ledger.drills import DrillFigures, DrillRow
from otherroof.pairing.sheet.letters import TypedGroups
from otherroof.settings import require_settings
from support.browser import measure, print_to_pdf, require_chromium, screenshot
from support.fresh_start import fresh_argv
from support.household import login_key, secret
from support.pictures import from_png
from support.sheets import wg_key
from support.verbs import Told
from support.watching import Night, write_run

pytestmark = [pytest.mark.lab, pytest.mark.together]

EXAMPLES = Path(__file__).parents[2] / "examples"
DRILL = DrillFigures(files=812, size=10**8, of_files=41_000, of_size=10**11, back_s=3e5, soonest_s=2e5, latest_s=4e5)


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The sheets of the example household, with copies and drills, without and with keys; and the letters."""
    require_chromium()
    where = tmp_path_factory.mktemp("example")
    main = (EXAMPLES / "otherroof.toml").read_text()
    shared = main.replace('# shared_key_file = ""', 'shared_key_file = "keys/shared.key"')
    (where / "otherroof.toml").write_text(shared.replace('"/var/lib/otherroof"', '"state"'))
    (where / "jobs").mkdir()
    for path in (EXAMPLES / "jobs").glob("*.toml"):
        (where / "jobs" / path.name).write_text(path.read_text())
    table = tomllib.loads(shared)["far"]["heron"]
    for path, text in ((table["login_key"], login_key()), (table["tunnel"]["key_file"], wg_key())):
        secret(where / path, text)
    secret(where / "keys/shared.key", wg_key())
    secret(where / "keys/listing.key", "5a" * 32)
    settings, now = require_settings(str(where)), SystemClock().now()
    with Ledger(settings.ledger) as ledger:
        for name in settings.jobs:
            write_run(ledger, now, Night(seen=41_000), name)
            number = ledger.drills.begin(DrillRow(name, "heron", now, False))
            ledger.drills.end(number, DrillRow(name, "heron", now, False, "run", now, "whole", "", DRILL))
    found = {}
    for name, options in (("plain", []), ("keys", ["--with-keys"])):
        page = where / f"{name}.html"
        told = called(*options, "--html", str(page), "--config", str(where))
        assert told.code == 0, told.err
        found[name] = page.read_text()
    return found


def called(*argv: str) -> Told:
    done = subprocess.run(
        fresh_argv("sheet", *argv), stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60,
        check=False,
    )  # fmt: skip
    return Told(done.returncode, done.stdout, done.stderr)


def pages_of(pdf: bytes) -> int:
    assert pdf.startswith(b"%PDF-")
    inside = b"".join(_inflated(one) for one in re.findall(rb"stream\r?\n(.*?)endstream", pdf, re.DOTALL))
    return len(re.findall(rb"/Type\s*/Page\b", pdf + inside))


def _inflated(stream: bytes) -> bytes:
    try:
        return zlib.decompress(stream)
    except zlib.error:
        return b""


@pytest.mark.parametrize("paper", ["A4", "letter"])
@pytest.mark.parametrize("which", ["plain", "keys"])
def test_four_jobs_with_or_without_keys_are_one_page(shown: dict[str, str], which: str, paper: str) -> None:
    assert pages_of(print_to_pdf(shown[which], paper)) == 1


def test_a_page_that_is_too_long_is_counted_as_two(shown: dict[str, str]) -> None:
    """What is held above can fail."""
    assert pages_of(print_to_pdf(shown["keys"].replace("<h1>", "<p style='height: 60mm'></p><h1>"), "A4")) == 2


@pytest.mark.parametrize("which", ["plain", "keys"])
def test_it_is_black_on_white_sticks_out_nowhere_and_fetches_nothing(shown: dict[str, str], which: str) -> None:
    found = measure(shown[which], 800, dark=True)  # paper has no dark mode
    assert (found.out, found.asked, found.low) == ([], [], [])
    assert found.least > 20
    assert found.paper > 0.99


def test_its_codes_are_read_off_the_page(shown: dict[str, str]) -> None:
    box_alone = shown["keys"].replace("</style>", "body > :not(.keys) { display: none; }</style>")
    picture = from_png(screenshot(box_alone, 760, 420, 2))
    typed = TypedGroups()
    found = zxingcpp.read_barcodes(picture)
    assert len(found) == 2
    assert [slip for one in found for slip in typed.take(one.text)] == []
    letters = re.search(r'<div class="letters">(.*?)</div>', shown["keys"], re.DOTALL)
    assert letters is not None
    by_hand = TypedGroups()
    lines = re.sub(r"<[^>]+>", "", letters[1]).splitlines()
    assert [slip for line in lines for slip in by_hand.take(line)] == []
    assert typed.fit == by_hand.fit
    assert len(typed.fit) > 80, json.dumps(lines)
