"""What a household is told of proofs: since when all of a copy was read back, and what the last sample allows to say.

Pure. The two ways of reading are told apart: over the line, or by the far box's own word.
"""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from otherroof.base.local_time import day_text
from otherroof.base.units import count_text, size_text
from otherroof.forecast.proof_pace import pace_said, sample_said
from otherroof.ledger.proofs import ProofRow
from otherroof.settings import Job


def proved_text(rows: Sequence[ProofRow], job: Job, zone: ZoneInfo) -> str:
    """A job's proofs in one line; `rows` are those that ended, newest first. Empty if nothing was tried yet."""
    good = [row for row in rows if row.files or row.whole]
    if not good:
        return f"nothing read back yet: {rows[0].reason}" if rows and rows[0].reason else ""
    last = good[0]
    parts = [_since(last, zone)]
    # The last sample that was read to its end; a whole proof needs none.
    sample = next((row for row in good if row.drawn), None)
    if sample is not None and not (last.whole and not last.reason):
        parts.append(sample_said(sample.drawn_damaged, sample.drawn, sample.population, sample.drawn_up_to))
    healed = sum(row.healed for row in good)
    if healed:
        parts.append(f"{count_text(healed, 'damaged file')} healed of late")
    if last.by_word:
        parts.append(f"by the far box's own word {count_text(last.by_word, 'file')} whole")
    parts.append(_falls_short(rows, job))
    return "; ".join(part for part in parts if part)


def _since(row: ProofRow, zone: ZoneInfo) -> str:
    if row.never:
        return f"{count_text(row.never, 'file')} of the newest version not read back yet"
    if row.since is None:
        return ""
    return f"all read back since {day_text(row.since, zone)}"


def _falls_short(rows: Sequence[ProofRow], job: Job) -> str:
    """That not all is read back within `prove_days`, by the last proof that knows what there is, and what helps."""
    known = next((row for row in rows if row.to_read or (row.whole and not row.reason)), None)
    # One that read everything does not know it, and has read what no night has room for.
    total = next((row.to_read for row in rows if row.to_read), 0)
    if known is None or not total:
        return ""
    parts = [pace_said(total, known.largest, job.prove_mb, job.prove_days)]
    if known.too_large and job.prove_mb:
        are = "is" if known.too_large == 1 else "are"
        large = f"{count_text(known.too_large, 'file')} of up to {size_text(known.largest)} {are} never read by night"
        parts.append(f"{large}: `otherroof prove {known.job} --all` reads everything")
    return "; ".join(part for part in parts if part)
