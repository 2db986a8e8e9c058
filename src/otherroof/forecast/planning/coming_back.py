"""Getting it back: all of it, a named few, over the far house's upload or by fetching the disk; and which copies there
are.

Pure: facts in, sections of the forecast out.
"""

from __future__ import annotations

from otherroof.base.units import count_text, size_text, span_text
from otherroof.forecast.planning.copy_time import Work, back_s
from otherroof.forecast.planning.estimate import Estimate, Likely
from otherroof.forecast.planning.facts import LengthBar, PlanFacts, PlanSection


def coming_back(facts: PlanFacts) -> PlanSection:
    """How long after a loss."""
    whole, fetched = _whole(facts), _fetched(facts)
    ways = {"over the line": whole}
    if facts.few is not None:
        ways["a few first"] = _few(facts, facts.few)
    ways["fetch the disk"] = fetched
    longest = max(whole.likely.value, fetched.likely.value)
    bars = [LengthBar(label, one.likely.value, longest, span_text(one.likely.value)) for label, one in ways.items()]
    remarks = []
    if fetched.likely.high < whole.likely.low:
        remarks.append("fetching the disk is faster in any case: agree beforehand who may bring it")
    return PlanSection("getting it back", tuple(ways.values()), tuple(bars), tuple(remarks))


def _whole(facts: PlanFacts) -> Estimate:
    if facts.drilled is not None:
        how = f"as the practice restore of {facts.drilled.day} says, which timed a part of it"
        return Estimate("back.whole", "s", facts.drilled.seconds, how)
    amounts = facts.amounts
    work = Work(amounts.size, amounts.files)
    how = f"{size_text(amounts.size)} in {count_text(round(amounts.files), 'file')}; {facts.line.how_back}"
    return Estimate("back.whole", "s", back_s(work, facts.line), how)


def _few(facts: PlanFacts, few: Work) -> Estimate:
    files = count_text(round(few.files), "file")
    how = f"{facts.few_named or 'what was named'}: {size_text(few.size)} in {files} over the same line"
    return Estimate("back.few", "s", back_s(few, facts.line), how)


def _fetched(facts: PlanFacts) -> Estimate:
    amounts, by_hand = facts.amounts, facts.by_hand
    how = (
        f"bringing it here takes {span_text(by_hand.fetch_s)} (--fetch-hours says better), then "
        f"{size_text(amounts.size)} at {by_hand.rates}"
    )
    return Estimate("back.fetched", "s", by_hand.disk_s(amounts) + by_hand.fetch_s, how)


def copies_there_are(facts: PlanFacts) -> PlanSection:
    """Three copies, two kinds of media, one elsewhere (US-CERT, Data Backup Options): which of them there are."""
    there = [copy for copy in facts.copies if copy.taken]
    elsewhere = sum(copy.elsewhere for copy in there)
    lines = [f"{copy.where}: {copy.taken or 'not there yet'}" for copy in facts.copies]
    count = Estimate(
        "copies.there",
        "files",
        Likely.sure(float(len(there))),
        "the folder itself, and each other roof with a copy",
    )
    said = f"{count_text(len(there), 'copy', 'copies')}, {elsewhere} under another roof"
    if len(there) < 3:
        said += "; common advice is three, on two kinds of media: the kinds are yours to see to"
    return PlanSection("copies", (count,), (), (*lines, said))
