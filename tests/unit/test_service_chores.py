"""The service's real chores: what they are told reaches what people read."""

from __future__ import annotations

from pathlib import Path

from otherroof.base.clock import SystemClock
from otherroof.ledger import Ledger
from otherroof.schedule.chores import ChoreInputs, service_chores
from otherroof.settings import require_settings
from support.household import write_household

# Mail that waits: nobody answers on that port, so that its text stays in the ledger.
CHANNELS = """
[mail]
server = "127.0.0.1"
port = 9
secure = "none"
sender = "larch@example.net"
answer_s = 2
[channel.family]
kind = "mail"
to = ["kim@example.net"]
[channel.log]
kind = "journal"
carries = ["alerts"]
"""


def test_broken_settings_stand_in_the_digest_under_what_needs_a_hand(tmp_path: Path) -> None:
    settings = require_settings(write_household(tmp_path, more=CHANNELS))
    (chore,) = [made for made in service_chores(SystemClock())(settings) if made.name == "digest"]
    chore.do(ChoreInputs(settings, ("jobs/music.toml: at: '25 1 * * *' has a minute that is none",)))
    with Ledger(settings.ledger) as ledger:
        (post,) = ledger.posts.waiting()
    said = " ".join(post.text.split())
    needs = said[said.index("WHAT NEEDS A HAND") :]
    assert "the settings have 1 mistake; jobs/music.toml: at: " in needs
    assert "`otherroof check` names every mistake" in needs
