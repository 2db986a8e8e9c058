"""`otherroof quiet`: somebody knows of an alert already; it is not told again for some days."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from otherroof.base.clock import SystemClock
from otherroof.base.errors import WrongUse
from otherroof.base.local_time import moment_text
from otherroof.base.text.words import list_text
from otherroof.cli.common import SETTINGS_FOLDER, ConfigOption, JsonOption, ledger_of, print_json, say, settings_in_use

if TYPE_CHECKING:
    from otherroof.ledger.alerts import Alert
    from otherroof.settings import Settings

MOST_DAYS = 3650


def verb(
    alert: Annotated[
        str, typer.Argument(metavar="ALERT", help="Its name; without one, all there are now are listed.")
    ] = "",
    days: Annotated[float, typer.Option("--days", metavar="N", help="For how long; 0: tell it again.")] = 7.0,
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
) -> None:
    """Say that you know of an alert: it is not told for N days.

    If it gets worse it is told all the same, and so is its end.
    """
    if not 0 <= days <= MOST_DAYS:
        raise WrongUse(f"--days {days:g} is not from 0 to {MOST_DAYS}")
    (settings, _), now = settings_in_use(config), SystemClock().now()
    with ledger_of(settings) as ledger:
        if alert and not ledger.alerts.quiet(alert, now + timedelta(days=days) if days else None):
            names = [raised.key for raised in ledger.alerts.standing()]
            raise WrongUse(f"no alert {alert!r} stands", advice=f"standing: {list_text(names, 20) or 'none'}")
        standing = [raised for raised in ledger.alerts.standing() if alert in ("", raised.key)]
    if as_json:
        print_json({"alerts": [raised.as_json() for raised in standing]})
        return
    for raised in standing:
        say(_line(raised, settings))
    if not standing:
        say("there is no alert now")


def _line(alert: Alert, settings: Settings) -> str:
    quiet = f"; quiet until {moment_text(alert.quiet_until, settings.zone)}" if alert.quiet_until else ""
    return f"{alert.key}: {alert.headline}{quiet}"
