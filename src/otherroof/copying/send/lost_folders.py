"""What the far copy has lost with a folder in whose place something else stands: all of it is to be brought anew.

Pure: the catalogue and the plan in, differences out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from otherroof.copying.compare.catalogue import Catalogue
from otherroof.copying.compare.change import PLANNED, PlannedChange
from otherroof.copying.compare.compare import Difference
from otherroof.far_copy.numbers import join_path


def outermost(paths: list[bytes]) -> list[bytes]:
    """Those of the paths that do not lie below another one of them, in order."""
    found: list[bytes] = []
    # In the order of their parts, so that what lies below a path comes directly after it.
    for path in sorted(paths, key=lambda path: path.split(b"/")):
        if not found or not path.startswith(found[-1] + b"/"):
            found.append(path)
    return found


def lost_with_folders(
    catalogue: Catalogue, folders: list[bytes], planned: Callable[[bytes], PlannedChange | None]
) -> Iterator[Difference]:
    """A difference for each of these folders and for all that the catalogue has below them.

    Unless the plan has changed it meanwhile: what is not wanted any more is left to the plan.
    """
    tops = tuple(folder + b"/" for folder in folders)
    for block in catalogue.blocks():
        for name, numbers, _ in block.items() if _may_hold(block.folder + b"/", tops) else ():
            path = join_path(block.folder, name)
            if not (path + b"/").startswith(tops):
                continue
            change = planned(path)
            if change is None:
                yield Difference(path, numbers, None, None)
            elif change.state == PLANNED and change.numbers is not None:
                yield Difference(path, change.numbers, None, None, change.device)


def _may_hold(folder: bytes, tops: tuple[bytes, ...]) -> bool:
    """Whether one of the folders lies in this one, or above it."""
    return folder.startswith(tops) or folder == b"/" or any(top.startswith(folder) for top in tops)
