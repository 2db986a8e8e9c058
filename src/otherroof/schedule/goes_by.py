"""Which settings the running service goes by, for those who have changed the files and look whether it knows.

It asks the service's lock and what the service keeps of the settings it took up; it must not ask the service itself,
which may hang.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from otherroof.base.clock import Clock
from otherroof.base.text.words import list_text
from otherroof.jobs.locks import service_is_at_work
from otherroof.settings import Settings
from otherroof.settings.differences import what_differs
from otherroof.settings.files import newest_change
from otherroof.settings.last_good import last_taken_up

# The service looks at the files twice a minute, and waits until they have been still for a moment.
SOON_S = 120.0


@dataclass(frozen=True, slots=True)
class ServiceView:
    """Whether a service is `at_work` on the state folder, and what it goes by: `differs` are the tables that are not as
    in the files, None if that cannot be told. `waits_s`: how long ago the files changed; `mistakes`: whether they have
    any, with which no service takes them up. `trouble`: why nothing could be found out."""

    at_work: bool
    differs: tuple[str, ...] | None = None
    waits_s: float = 0.0
    mistakes: bool = False
    trouble: str = ""

    @property
    def line(self) -> str:
        """What a person should know, empty if there is nothing to say."""
        if self.trouble:
            return f"cannot tell whether a running service uses these settings: {self.trouble}"
        if not self.at_work:
            return ""
        if self.mistakes:
            return "the running service uses the settings from before until these have no mistakes"
        if self.differs is None:
            return ""
        if not self.differs:
            return "the running service uses these settings"
        what = f"the running service does not use these settings yet ({list_text(list(self.differs), 6)})"
        if self.waits_s < SOON_S:
            return f"{what}; it takes them up by itself within a minute or two"
        return f"{what}, though they have stood for longer than it needs; `sudo systemctl restart otherroof`"

    def as_json(self) -> dict[str, Any]:
        """For `--json`."""
        return {"at_work": self.at_work, "differs": None if self.differs is None else list(self.differs)}


def service_view(settings: Settings, clock: Clock, *, mistakes: bool = False) -> ServiceView:
    """How the service on the state folder of `settings`, which are those of the files, stands to them. Raises
    HomeTrouble if its lock cannot be looked at."""
    if mistakes:
        return view_of_mistakes(settings.state)
    if not service_is_at_work(settings.state):
        return ServiceView(at_work=False)
    kept = last_taken_up(settings.where, settings.state)
    if kept is None:
        return ServiceView(at_work=True)
    waits_s = max(0.0, clock.now().timestamp() - newest_change(settings.where))
    return ServiceView(True, tuple(what_differs(kept, settings)), waits_s)


def view_of_mistakes(state: str) -> ServiceView:
    """How the service on the `state` folder stands to files with mistakes. Raises what `service_view` raises."""
    return ServiceView(service_is_at_work(state), mistakes=True)


def unknown_view(problem: Exception) -> ServiceView:
    """What remains to be said if the service's lock could not be looked at."""
    return ServiceView(at_work=False, trouble=str(problem))
