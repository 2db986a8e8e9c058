"""How far two clocks are apart, told from the time that a far disk gives to a file that was just written.

Pure: seconds in, seconds out. Unix time throughout.
"""

from __future__ import annotations

from dataclasses import dataclass

AGREE_S = 5.0


@dataclass(frozen=True, slots=True)
class ClockOffset:
    """The far clock is `ahead_s` ahead of ours (behind, if negative), give or take `margin_s`."""

    ahead_s: float
    margin_s: float

    @property
    def agrees(self) -> bool:
        """Whether the clocks may be within five seconds of each other, as far as can be told."""
        return abs(self.ahead_s) - self.margin_s <= AGREE_S


def clock_offset(mtime: int, sent: float, answered: float) -> ClockOffset:
    """The far clock's offset from the whole-second time of a file that was written between `sent` and `answered`.

    SFTP version 3 carries whole seconds (draft-ietf-secsh-filexfer-02 §5), cut off, so the far clock stood somewhere
    in that second, and ours somewhere between the two moments.
    """
    return ClockOffset(mtime + 0.5 - (sent + answered) / 2, 0.5 + max(0.0, answered - sent) / 2)
