"""The page and the digest's HTML in headless Chromium: nothing sticks out, nothing is fetched, all can be read."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.ledger import Ledger
from otherroof.ledger.runs import Hold
from otherroof.settings import require_settings
from otherroof.watch import digest, page
from otherroof.watch.gather import WatchInputs
from support.browser import ask, measure, measure_each, require_chromium
from support.household import write_household
from support.long_history import write_history
from support.screens import HOUSEHOLDS, lived

pytestmark = [pytest.mark.lab, pytest.mark.together]

# Pixels: a phone, and a desk; for a mail, the widest that its readers give it.
WIDTHS = (380, 1280)
MAIL_WIDTHS = (380, 760)
NOW = datetime(2031, 3, 6, 12, 0, tzinfo=UTC)
LONG = "afolderwithanamethatisverylongandhasnoplaceinitwherealinecouldbebrokenbyitself0123456789"


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """The page and the digest of a household with a late job, a held one and names that are hard to break."""
    require_chromium()
    where = tmp_path_factory.mktemp("household")
    jobs = {"photos": 'also_kept = ["USB disk in the cupboard"]\n', "a-job-whose-name-is-just-forty-letters-x": ""}
    settings = require_settings(write_household(where, jobs=jobs))
    (where / "family" / LONG / "inside").mkdir(parents=True)
    with Ledger(str(where / "state" / "ledger.sqlite")) as ledger:
        write_history(ledger, list(jobs), NOW, 120)
        ledger.file.db.execute(
            "UPDATE run SET outcome='failed', reason='no answer' WHERE started > '2031-03-01' AND job='photos'"
        )
        ledger.holds.note(Hold("photos", "r", NOW, f"most of {LONG} is gone", 9, 0, 10, None))
        extra = WatchInputs()
        page.write(settings, ledger, SteppedClock(NOW), str(where / "out"), extra)
        made = digest.make(settings, ledger, SteppedClock(NOW), extra)
    assert made.verdict == "unsafe"
    yield {"page": (where / "out" / "index.html").read_text(), "digest": digest.as_html(made)}


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", WIDTHS)
def test_the_page_fits_fetches_nothing_and_can_be_read(shown: dict[str, str], width: int, dark: bool) -> None:
    found = measure_each(shown["page"], WIDTHS, dark)[width]
    assert found.width == width
    assert found.scroll == width
    assert found.out == []
    assert found.asked == []
    # WCAG 2.1, success criterion 1.4.3: at least 4.5 to 1.
    assert found.low == []
    assert found.paper < 0.1 if dark else found.paper > 0.8
    assert found.charts == 5
    assert found.text > 2000


@pytest.mark.parametrize("width", MAIL_WIDTHS)
def test_the_digest_s_html_fits_fetches_nothing_and_can_be_read(shown: dict[str, str], width: int) -> None:
    found = measure_each(shown["digest"], MAIL_WIDTHS)[width]
    assert (found.width, found.scroll, found.out, found.asked, found.low) == (width, width, [], [], [])
    assert found.text > 2000


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", HOUSEHOLDS)
def test_each_verdict_fits_and_can_be_read(name: str, width: int, dark: bool, tmp_path: Path) -> None:
    require_chromium()
    with lived(name) as (settings, ledger, clock):
        page.write(settings, ledger, clock, str(tmp_path), WatchInputs())
    found = measure_each((tmp_path / "index.html").read_text(), WIDTHS, dark)[width]
    assert (found.scroll, found.out, found.low, found.asked) == (width, [], [], [])
    assert found.text > 1500


def test_the_measuring_itself_sees_what_is_wrong() -> None:
    require_chromium()
    found = measure(
        '<body style="background:#fff"><p style="width:900px;color:#999">wide and pale</p>'
        '<img src="http://outside.example/x.png"><script src="https://cdn.example/y.js"></script>',
        380,
    )
    assert found.scroll > 900
    assert found.out == ["P: wide and pale"]
    assert sorted(found.asked) == ["cdn.example:443", "http://outside.example/x.png"]
    assert len(found.low) == 1


def test_the_page_would_fetch_nothing_even_if_something_slipped_in(shown: dict[str, str]) -> None:
    outside = "http://outside.example/x"
    slipped = shown["page"].replace(
        "<main>",
        f'<main><img src="{outside}.png"><script src="{outside}.js"></script><iframe src="{outside}.html"></iframe>'
        f'<link rel="stylesheet" href="{outside}.css"><video src="{outside}.mp4"></video>',
    )
    assert measure(slipped, 380).asked == []


LOOK = "[style('.old').visibility, style('.verdict').backgroundColor, style('.verdict').color, style('svg .bar').fill]"


def _page_of(name: str, tmp_path: Path) -> str:
    require_chromium()
    with lived(name) as (settings, ledger, clock):
        page.write(settings, ledger, clock, str(tmp_path), WatchInputs())
    return (tmp_path / page.PAGE).read_text()


def _old(shown: str, until: str = "2020-01-01T00:00:00Z") -> str:
    return re.sub(r'data-fresh-until="[^"]*"', f'data-fresh-until="{until}"', shown)


def test_a_page_older_than_a_day_is_pale_as_soon_as_it_is_opened_and_says_so(tmp_path: Path) -> None:
    shown = _page_of("well", tmp_path)
    fresh, old = ask(shown, LOOK), ask(_old(shown), LOOK)
    assert (fresh[0], old[0]) == ("hidden", "visible")
    # No colour is left of what it said: the verdict, the bars.
    assert [a for a, b in zip(fresh[1:], old[1:], strict=True) if a == b] == []
    pale = measure(_old(shown), 380)
    assert (pale.low, pale.out, pale.scroll) == ([], [], 380)
    assert ask(_old(shown), "page.body.innerText").startswith("This page is more than a day old")


def test_a_page_that_stays_open_grows_pale_without_any_script(tmp_path: Path) -> None:
    shown = re.sub(r"<script>.*?</script>", "", _page_of("well", tmp_path))
    assert "<script" not in shown
    assert ask(shown, LOOK)[0] == "hidden"
    assert shown.count("var(--left, 86400s)") == 2
    assert ask(shown.replace("86400s", "0.05s"), LOOK)[0] == "visible"


def test_no_script_runs_but_the_one_that_knows_the_age(tmp_path: Path) -> None:
    shown = _page_of("well", tmp_path)
    slipped = shown.replace("</body>", "<script>document.body.dataset.slipped = 'yes'</script></body>")
    assert ask(slipped, "page.body.dataset.slipped || 'none'") == "none"
    assert ask(slipped, "page.documentElement.style.getPropertyValue('--left') !== ''") is True
    # One letter more, and it is another script.
    changed = _old(shown).replace("<script>const age", "<script> const age")
    assert ask(changed, LOOK)[0] == "hidden"


@pytest.mark.parametrize("width", WIDTHS)
def test_all_figures_can_be_read_without_pointing_at_a_shape(width: int, tmp_path: Path) -> None:
    shown = _page_of("trouble", tmp_path).replace("<details>", "<details open>")
    found = measure_each(shown, WIDTHS)[width]
    assert (found.out, found.low, found.scroll) == ([], [], width)
    titles = set(re.findall(r"<title>(\w{3} \d+ \w{3}): ([^<,]+)", shown.replace("\N{NO-BREAK SPACE}", " ")))
    text = ask(shown, "page.body.innerText").replace("\N{NO-BREAK SPACE}", " ")
    nights = [(day, said) for day, said in titles if said.endswith("B")]
    assert len(nights) > 60
    assert [one for one in nights if not re.search(rf"{one[0]}\s+{one[1]}", text)] == []
