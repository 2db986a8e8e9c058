"""Tells the household straight away, past the ledger, that the service itself cannot work.

Alerts are kept in the ledger. If that cannot be used, because its disk is full or the file is damaged, no alert
would ever go out; so when the watch has not been able to look for some hours, the channels are spoken to directly. It
decides nothing else and remembers nothing over a restart.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping

from otherroof.base.clock import Clock
from otherroof.base.errors import HomeTrouble, OtherroofError
from otherroof.ledger import Ledger
from otherroof.settings import Settings
from otherroof.system.notification import Notifier
from otherroof.watch.channels import Channel, Message
from otherroof.watch.channels.build import channels_of

# Time enough for a short trouble to pass, such as a full disk that is being cleared; and once a day after that.
BLIND_AFTER_S = 2 * 3600.0
AGAIN_S = 24 * 3600.0
TRY_AGAIN_S = 30.0

log = logging.getLogger(__name__)


class LastResort:
    """When to tell the channels directly: if the watch has not looked for BLIND_AFTER_S seconds, then every AGAIN_S.

    `trouble` is what the watch met last, `told` what the channels were told last.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        # As if all had been well until now: a new service has its two hours too. Steady time, which nobody can set.
        self._well_at = clock.monotonic()
        self._told_at: float | None = None
        self.trouble = "looking at how the copies stand did not come to an end"
        self.told = ""
        self.is_over = False

    def due_in_s(self) -> float:
        """Seconds until the channels are to be told, if the watch does not look before; not above 0: now."""
        due = self._well_at + BLIND_AFTER_S
        if self._told_at is not None:
            due = max(due, self._told_at + AGAIN_S)
        return due - self._clock.monotonic()

    def well(self) -> None:
        """Note that the watch has looked. If the channels had been told of trouble, it `is_over` now."""
        self._well_at = self._clock.monotonic()
        self.is_over = self._told_at is not None

    def note_told(self, trouble: str) -> None:
        """Note that the channels were told of `trouble`."""
        self._told_at, self.told, self.is_over = self._clock.monotonic(), trouble, False

    def note_all_clear(self) -> None:
        """Note that the channels were told that it is over."""
        self._told_at, self.is_over = None, False


def tell_channels(
    settings: Settings, clock: Clock, trouble: str, *, over: bool, channels: Mapping[str, Channel] | None = None
) -> None:
    """Hand it to every channel that carries alerts, once; one that does not take it is logged.

    `channels` stands in for those that the settings describe.
    """
    message = _message(settings.home.name, clock, trouble, over=over)
    for name, channel in (channels_of(settings) if channels is None else channels).items():
        if "alerts" not in settings.told.channels[name].carries:
            continue
        try:
            channel.deliver(message)
        except OtherroofError as problem:
            log.warning("channel %s did not take %r: %s", name, message.subject, problem)


def open_ledger_patiently(settings: Settings, clock: Clock, notifier: Notifier) -> Ledger:
    """The ledger, waited for as long as it takes: a service that gave up would be silent about it."""
    last_resort, last_trouble = LastResort(clock), ""
    while True:
        try:
            ledger = Ledger(settings.ledger)
        except HomeTrouble as problem:
            if not last_trouble:
                notifier.ready()  # or the manager would end it before anybody hears of it
            if str(problem) != last_trouble:
                log.error("cannot begin: %s", problem)  # noqa: TRY400 (a line for people, not a trace)
            last_trouble = str(problem)
            notifier.status(f"in trouble: {last_trouble}")
            notifier.alive()
            if last_resort.due_in_s() <= 0:
                tell_channels(settings, clock, last_trouble, over=False)
                last_resort.note_told(last_trouble)
            # Never longer than the watchdog waits for the next sign of life.
            clock.sleep(min(TRY_AGAIN_S, notifier.alive_every_s or TRY_AGAIN_S))
        else:
            last_resort.well()
            if last_resort.is_over:
                tell_channels(settings, clock, last_trouble, over=True)
            return ledger


def _message(home: str, clock: Clock, trouble: str, *, over: bool) -> Message:
    now = clock.now()
    kind = "all clear" if over else "alert"
    if over:
        subject = f"[{home}] all clear: the service does its work again"
        text = f"All clear: the service on {home} does its work again, and what was owed is caught up with.\n"
    else:
        subject = f"[{home}] the service cannot do its work: {trouble}"
        text = (
            f"The service on {home} cannot do its work, and no other alert can reach you until it can:\n{trouble}.\n\n"
            f"What to do: on {home}, `df -h` shows whether a disk is full and `journalctl -u otherroof` what the "
            "service met. It goes on by itself once the reason is gone. Until then nothing is copied; what was copied "
            "is as it was.\n"
        )
    return Message(
        id=f"{home}.service.{now:%Y%m%dT%H%M%SZ}",
        kind=kind,
        about="service",
        at=now,
        subject=subject,
        text=text,
        facts=json.dumps({"home": home, "kind": kind, "trouble": trouble}, ensure_ascii=False),
    )
