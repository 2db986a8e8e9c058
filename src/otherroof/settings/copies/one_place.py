"""Finds copies of one folder that would lie at one and the same place, because one far box has two names.

Two runs would write there side by side, and what is called two copies would be one. Pure; it must not know files.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

from otherroof.settings.copies.names import stem_of
from otherroof.settings.copies.roofs import has_same_address, has_same_key
from otherroof.settings.models import FarBox, Job


def at_one_place(jobs: Mapping[str, Job], far: Mapping[str, FarBox]) -> dict[str, str]:
    """The jobs that would write where another job writes already, and that one, which comes before them in `jobs`."""
    known = [(name, far[job.far]) for name, job in jobs.items() if name != stem_of(name) and job.far in far]
    found: dict[str, str] = {}
    for (first, one), (second, other) in combinations(known, 2):
        if stem_of(first) == stem_of(second) and _is_one_place(one, other):
            found.setdefault(second, first)
    return found


def _is_one_place(one: FarBox, other: FarBox) -> bool:
    same_folder = (one.account, one.base.rstrip("/")) == (other.account, other.base.rstrip("/"))
    # Behind one address there may be two machines, at a port each.
    return same_folder and (has_same_key(one, other) or (has_same_address(one, other) and one.port == other.port))
