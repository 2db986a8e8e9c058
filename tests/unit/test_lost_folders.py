"""What is brought anew if the far copy has lost a folder with all that lay in it."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

from otherroof.copying.compare.change import DONE, PLANNED
from otherroof.copying.send.lost_folders import lost_with_folders
from otherroof.far_copy.numbers import Numbers

NUMBERS: Numbers = (1, 10, 5, 7, 0o100644)
OTHER: Numbers = (1, 11, 5, 7, 0o100644)


@dataclass
class Block:
    """A folder of the catalogue, with the names in it."""

    folder: bytes
    names: tuple[bytes, ...]

    def items(self) -> list[tuple[bytes, Numbers, bytes]]:
        return [(name, NUMBERS, b"") for name in self.names]


CATALOGUE: Any = SimpleNamespace(
    blocks=lambda: [Block(b"", (b"album", b"album two", b"z")), Block(b"album", (b"a", b"b", b"c"))]
)


def lost(plan: dict[bytes, Any]) -> dict[bytes, Numbers | None]:
    return {found.path: found.found for found in lost_with_folders(CATALOGUE, [b"album"], plan.get)}


def test_a_folder_at_the_top_comes_anew_with_all_that_is_in_it() -> None:
    assert lost({}) == dict.fromkeys((b"album", b"album/a", b"album/b", b"album/c"), NUMBERS)


def test_what_the_plan_has_for_it_goes_before_and_what_was_done_is_left() -> None:
    def change(state: int, numbers: Numbers | None) -> Any:
        return SimpleNamespace(state=state, numbers=numbers, device=3)

    plan = {
        b"album/a": change(PLANNED, OTHER),
        b"album/b": change(PLANNED, None),  # it went
        b"album/c": change(DONE, OTHER),  # after the folder stood again
    }
    assert lost(plan) == {b"album": NUMBERS, b"album/a": OTHER}
