"""Makes of one job's file a table for each of its far boxes: `far = ["heron", "wren"]`, with what stands in `[on.wren]`
in place of the job's own values.

Knows TOML's tables and lines, and nothing of what the values mean: that is for the models.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

from otherroof.settings.mistake_words import NOT_TOML

ON = "on"
FOR_ALL_BOXES = frozenset({"folder", "far"})  # what is the same folder stands once
# Tables in which a box may say one line and leave the others; any other value it says whole.
_OF_LINES = frozenset({"guard", "versions", "drill"})


def boxes_of(raw: Mapping[str, Any]) -> list[str] | None:
    """The far boxes that `far` names, in order; None if it is neither a name nor a list of different names."""
    far = raw.get("far")
    if isinstance(far, str):
        return [far]
    if not isinstance(far, list) or not far or not all(isinstance(box, str) for box in far):
        return None
    return list(far) if len(set(far)) == len(far) else None


def own_tables(raw: Mapping[str, Any]) -> Mapping[str, Any]:
    """What stands below `on`, by far box; empty if nothing does, or no table."""
    found = raw.get(ON, {})
    return found if isinstance(found, Mapping) else {}


def table_for(raw: Mapping[str, Any], box: str) -> dict[str, Any]:
    """The job's table as it is for `box`."""
    table = {key: value for key, value in raw.items() if key != ON} | {"far": box}
    own = own_tables(raw).get(box, {})
    for key, value in own.items() if isinstance(own, Mapping) else ():
        both = key in _OF_LINES and isinstance(value, Mapping) and isinstance(table.get(key), Mapping)
        table[key] = {**table[key], **value} if both else value
    return table


def slips_in_own(raw: Mapping[str, Any], boxes: Collection[str]) -> Iterator[tuple[tuple[str, ...], str, str]]:
    """What is wrong with the tables below `on`, whatever their values mean: the key, what is wrong, what would be
    right. `boxes` are those that the job goes to."""
    if not isinstance(raw.get(ON, {}), Mapping):
        yield (ON,), "a table for a far box is wanted", f"such as [{ON}.{min(boxes)}]"
    for box, own in own_tables(raw).items():
        if box not in boxes:
            near = difflib.get_close_matches(box, boxes, n=1, cutoff=0.6)
            right = f"perhaps {near[0]!r} is meant" if near else f"far names {', '.join(boxes)}"
            yield (ON, box), f"{box!r} is not in far", right
        if not isinstance(own, Mapping):
            yield (ON, box), "a table is wanted", f"such as [{ON}.{box}]"
            continue
        for key in sorted(FOR_ALL_BOXES & own.keys()):
            yield (ON, box, key), "is the same for all far boxes of a job", "write it once, above"


def own_steps(raw: Mapping[str, Any], box: str, steps: Sequence[str]) -> tuple[str, ...]:
    """Where the key at `steps` of the table for `box` stands below `on`; empty if it is the job's own."""
    own: Any = own_tables(raw).get(box)
    found = own
    for step in steps[: 2 if steps[0] in _OF_LINES else 1]:
        if not isinstance(found, Mapping) or step not in found:
            return ()
        found = found[step]
    return (ON, box, *steps)


def line_of(text: str, steps: Sequence[str]) -> int:
    """The number of the line in which the key at `steps` is written in a TOML `text`; 0 if it is in none."""
    # Asked of the reader itself: it is in the first lines that can be read and have the key, and in no fewer.
    lines, begins = text.splitlines(keepends=True), 1
    for count in range(1, len(lines) + 1):
        try:
            found: Any = tomllib.loads("".join(lines[:count]))
        except NOT_TOML:
            continue  # in the middle of a value that goes over several lines
        for step in steps:
            found = found.get(step) if isinstance(found, Mapping) else None
        if found is not None:
            return begins
        begins = count + 1
    return 0
