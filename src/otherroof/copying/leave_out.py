"""What a job leaves out, by ignore-pattern rules of the kind that version control uses (gitignore(5)).

The patterns are the library's affair; here they only get paths of any bytes to look at.
"""

from __future__ import annotations

import os
from collections.abc import Sequence

from pathspec import GitIgnoreSpec

from otherroof.copying.scan import LeftOut


def left_out_by(patterns: Sequence[str]) -> LeftOut | None:
    """A function that says whether a path is left out; None where nothing is, which is quicker."""
    if not patterns:
        return None
    match = GitIgnoreSpec.from_lines(patterns).match_file

    def left_out(path: bytes, is_folder: bool) -> bool:
        text = os.fsdecode(path)
        return match(text + "/" if is_folder else text)

    return left_out
