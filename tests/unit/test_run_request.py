"""What the settings and the ledger say of a job arrives at its run."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import pytest

from otherroof.copying.compare.guard import GuardLimits, Release
from otherroof.copying.run import RunRequest
from otherroof.jobs.run import RunOptions, _request

NOW = datetime(2031, 3, 9, 2, 30, tzinfo=UTC)
GUARD = SimpleNamespace(removed_percent=11, changed_percent=22, from_files=33)


def request(hold: object = None, options: RunOptions | None = None, **more: object) -> RunRequest:
    chosen = SimpleNamespace(**{"folder": "/srv/photos", "guard": GUARD, "leave_out": (), "other_disks": False} | more)
    ledger = SimpleNamespace(holds=SimpleNamespace(of=lambda _: hold), damages=SimpleNamespace(of=lambda _: []))
    settings = SimpleNamespace(state="/var/lib/state")
    job: Any = SimpleNamespace(name="photos", job=chosen, ledger=ledger, settings=settings)
    return _request(job, options or RunOptions())


def test_what_is_left_out_is_what_the_settings_say() -> None:
    assert request(leave_out=("*.tmp", "/cache")).rules.leave_out == ("*.tmp", "/cache")
    assert request().rules.leave_out == ()


@pytest.mark.parametrize("copied", [True, False])
def test_other_disks_are_copied_if_the_settings_say_so(copied: bool) -> None:
    assert request(other_disks=copied).rules.other_disks is copied


def test_the_guard_has_the_limits_of_the_job() -> None:
    assert request().rules.limits == GuardLimits(11, 22, 33)


@pytest.mark.parametrize("dry", [True, False])
@pytest.mark.parametrize("reread", [True, False])
def test_a_run_reads_all_or_only_looks_if_it_was_asked_to(dry: bool, reread: bool) -> None:
    made = request(options=RunOptions(dry=dry, reread=reread))
    assert (made.dry, made.rules.reread) == (dry, reread)


def test_only_what_a_person_released_is_let_through() -> None:
    held = SimpleNamespace(removed=9, changed=8, of_files=70, released=None)
    assert request(held).rules.release is None
    held.released = NOW
    assert request(held).rules.release == Release(9, 8, 70)
