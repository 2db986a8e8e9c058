"""What a household is told of proofs: since when all of a copy was read back, and what the last sample allows to say.

Pure. The two ways of reading are told apart: over the line, or by the far box's own word.
"""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from otherroof.forecast.sampling import sample_sentence
from otherroof.ledger.proofs import ProofRow
from otherroof.watch.words import count_text, day_text


def proved_text(rows: Sequence[ProofRow], zone: ZoneInfo) -> str:
    """A job's proofs in one line; `rows` are those that ended, newest first. Empty if nothing was tried yet."""
    good = [row for row in rows if row.files or row.whole]
    if not good:
        return f"never proved: {rows[0].reason}" if rows and rows[0].reason else ""
    last = good[0]
    parts = [_since(last, zone)]
    # The last sample that was read to its end; a whole proof needs none.
    sample = next((row for row in good if row.drawn), None)
    if sample is not None and not (last.whole and not last.reason):
        parts.append(sample_sentence(sample.drawn_damaged, sample.drawn, sample.population))
    healed = sum(row.healed for row in good)
    if healed:
        parts.append(f"{count_text(healed, 'damaged file')} healed of late")
    if last.by_word:
        parts.append(f"by the far box's own word {count_text(last.by_word, 'file')} whole")
    return "; ".join(part for part in parts if part)


def _since(row: ProofRow, zone: ZoneInfo) -> str:
    if row.never:
        return f"{count_text(row.never, 'file')} of the newest version not read back yet"
    if row.since is None:
        return ""
    return f"all read back since {day_text(row.since, zone)}"
