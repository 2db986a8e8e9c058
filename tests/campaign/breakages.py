"""Mistakes put into the product on purpose, one at a time: a campaign that does not notice them is worth nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any


def _replace(owner: object, name: str, deed: Callable[..., Any]) -> None:
    """Put `deed` in place of what has this name. Raises AttributeError if nothing has it any more."""
    getattr(owner, name)
    setattr(owner, name, deed)


def _nothing_aside() -> None:
    """What is replaced or goes is removed, not moved aside: older versions lose it."""
    from otherroof.far import requests
    from otherroof.layouts.open import aside, steps, writer

    def removed(_offers: object, path: bytes, to: bytes) -> Iterator[Any]:
        standing = yield from steps.stat_path(path)
        if standing is not None and not steps.is_folder(standing):
            yield requests.Remove(path)
        return standing is not None

    _replace(aside, "move_aside", removed)
    _replace(writer, "move_aside", removed)


def _nothing_settled() -> None:
    """What a cut run left unfinished counts as done."""
    from otherroof.copying.compare import catalogue_repair
    from otherroof.copying.compare.change import Rows
    from otherroof.copying.send import send

    def settled(plan: Any, *_: object) -> None:
        for change in plan.pages(Rows.UNFINISHED):
            plan.done(change)
        plan.commit()

    _replace(catalogue_repair, "settle_unfinished", settled)
    _replace(send, "settle_unfinished", settled)


def _guard_off() -> None:
    """No run is ever held."""
    from otherroof.copying.compare import find_changes

    _replace(find_changes, "reason_to_hold", lambda *_: "")


def _times_believed() -> None:
    """A file of the same size and time is the same file, whatever else has changed."""
    from otherroof.copying.compare import doubts

    def same(self: Any, change: Any) -> bool:
        self._plan.settle_doubt(change, change.old_digest, same=True)
        return False

    _replace(doubts.DoubtSettler, "_has_changed", same)


def _damage_believed() -> None:
    """Damaged files of home's own are taken for good."""
    from otherroof.copying.compare import catalogue, plan_file

    _replace(catalogue.Catalogue, "prove", lambda *_: None)
    _replace(plan_file.PlanFile, "prove", lambda *_: None)


BREAKAGES: dict[str, Callable[[], None]] = {
    "nothing aside": _nothing_aside,
    "nothing settled": _nothing_settled,
    "guard off": _guard_off,
    "times believed": _times_believed,
    "damage believed": _damage_believed,
}


def break_product(name: str) -> None:
    """Put the mistake of this name into the product, in this process; none for an empty name."""
    if name:
        BREAKAGES[name]()
