"""Says when a far box that still sends something is as good as silent: a byte now and then must not hold a run up.

Three clocks, for the three ways to send and yet get nowhere: an answer that never becomes whole, one request that is
passed over while others are answered, and answers so slow that no work gets done. They run only while the channel waits
for the far box, not while home is busy. Keepalives and answers on other channels do not come this way, so they count
for nothing. Pure: seconds and bytes in, verdicts out.
"""

from __future__ import annotations

# Slower than any line that a copy could use. What moves at this rate, either way, extends the wait for its answer.
LEAST_RATE = 512  # bytes a second
PASSED_OVER = 3  # times the longest wait for an answer, that the oldest request may wait while others are answered
# OpenSSH answers in order, others nearly so. An answer counts as so many bytes at least: some carry none.
ANSWER_WORTH = 4096  # bytes
WORK = 1024 * 1024  # bytes of work that must get done …
WORK_TIME = 30  # … in so many times the longest wait for an answer


class ProgressDeadline:
    """The clocks of one channel. `answer_s` is the longest wait for an answer, in seconds."""

    def __init__(self, answer_s: float) -> None:
        self._answer_s = answer_s
        self._for_whole = 0.0  # seconds waited since the last whole answer
        self._moved = 0  # bytes since then, both ways
        self._oldest: int | None = None
        self._for_oldest = 0.0
        self._for_work = 0.0
        self._work = 0

    def begin(self) -> None:
        """Something is asked after nothing was waited for."""
        self._for_whole = 0.0
        self._moved = 0
        self._oldest = None
        self._for_oldest = 0.0

    def answered(self, worth: int) -> None:
        """A whole answer came, to a request that was worth so many bytes of work."""
        self._for_whole = 0.0
        self._moved = 0
        self._work += max(worth, ANSWER_WORTH)
        if self._work >= WORK:
            self._work = 0
            self._for_work = 0.0

    def waited(self, seconds: float, moved: int, oldest: int | None) -> str:
        """The channel waited, and so many bytes moved then; what is wrong, if anything is, as the end of a sentence.

        `oldest` is the number of the request that somebody has waited for longest, None if nobody waits.
        """
        if oldest != self._oldest:
            self._oldest, self._for_oldest = oldest, 0.0
        self._moved += moved
        self._for_whole += seconds
        self._for_oldest += seconds
        self._for_work += seconds
        extra = self._moved / LEAST_RATE
        if self._for_whole > self._answer_s + extra:
            return f"sends data, but no complete answer within {self._answer_s:g} s"
        if self._for_oldest > PASSED_OVER * self._answer_s + extra:
            return f"answers other requests, but has left one without an answer for {PASSED_OVER * self._answer_s:g} s"
        if self._for_work > WORK_TIME * self._answer_s:
            return f"answers too slowly to be of use: less than {WORK >> 20} MiB in {self._for_work:.0f} s"
        return ""
