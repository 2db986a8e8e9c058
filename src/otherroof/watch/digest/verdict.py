"""The digest's first sentence: could everything be got back now, and if not, why not. Pure: values in, words out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from otherroof.base.local_time import day_text
from otherroof.base.text.words import list_text
from otherroof.base.units import count_text, span_text
from otherroof.settings.copies.names import stem_of
from otherroof.watch.digest.values import ActionNeeded, JobReport, Verdict
from otherroof.watch.digest.weeks import DigestFacts
from otherroof.watch.facts import HEALED, Finding

# A finding in a few words, for the first sentence.
BRIEF = {
    "host_key": "far box {} shows another host key",
    "login": "far box {} does not let this home in",
    "damage": "damage in the copy of {}",
    "held": "job {} is held",
    "silent": "far box {} does not answer",
    "late": "the copy of {} is too old",
    "check_failed": "what came back of {} did not pass its check",
    "too_slow": "{} would come back too slowly",
    "undrilled": "practice restores of {} do not work",
    "space": "the disk of far box {} is nearly full",
    "shortened": "fewer versions of {} are kept",
    "unusual": "{} changed unusually",
    "settings": "the settings have a mistake",
    "unsent": "channel {} does not work",
    "clock": "this machine's clock was wrong",
    "sheet": "the recovery sheet is old",
}
# What a copy that is fresh does not show, and what the first sentence says also if something worse stands in it.
_ALWAYS_SAID = ("host_key", "login", "held", "space")
MOST_NAMED = 4


def verdict_of(known: DigestFacts, jobs: Sequence[JobReport], hands: Sequence[ActionNeeded]) -> tuple[Verdict, str]:
    """The verdict and the sentence that gives it, for a digest whose `hands` are what needs a person."""
    # In this order, for the first sentence answers one question: could everything be got back now?
    if not jobs and not known.unread:
        return "unsafe", "Not safe: nothing is protected, because there is no job yet."
    wrong = _wrong(known, jobs)
    if wrong:
        also = [brief(finding, known) for finding in known.found if finding.rule in _ALWAYS_SAID]
        return "unsafe", f"Not safe: {'; '.join(wrong + also)}."
    there = [job for job in jobs if job.newest is not None]
    first = [job for job in jobs if job.newest is None]
    if any(len(folder.copies) > 1 for folder in known.folders):
        return _of_folders(known, [job for job in first if job.first], hands)
    if first:
        rest = f" {_recent(there, 'The other')}." if there else ""
        return "first", f"{_first_copies(first)}.{rest}{_but(hands)}"
    return ("look" if hands else "safe"), f"Safe: {_recent(there, 'all')}.{_but(hands)}"


def _of_folders(known: DigestFacts, first: Sequence[JobReport], hands: Sequence[ActionNeeded]) -> tuple[Verdict, str]:
    """The same for folders of which some have several copies, and each has one that is kept, or a first one that gets
    on. Copies that are not kept are named by what needs a hand."""
    kept = [folder for folder in known.folders if folder.kept]
    newest = [max(copy.newest for copy in folder.copies if copy.kept and copy.newest) for folder in kept]
    oldest = span_text(max(0.0, (known.now - min(newest, default=known.now)).total_seconds()))
    have = "the one folder has" if len(kept) == 1 else f"each of {count_text(len(kept), 'folder')} has"
    recent = f"{have} a recent copy ({'it' if len(kept) == 1 else 'the oldest'} is {oldest} old)"
    if any(not folder.kept for folder in known.folders):
        begun = f"{_first_copies(first)}."
        rest = f" {recent[:1].upper()}{recent[1:]}." if kept else ""
        return "first", f"{begun}{rest}{_but(hands)}"
    also = f" {_first_copies(first)}." if first else ""
    return ("look" if hands else "safe"), f"Safe: {recent}.{also}{_but(hands)}"


def _but(hands: Sequence[ActionNeeded]) -> str:
    """What needs a hand, as a sentence behind others; empty if nothing does."""
    if not hands:
        return ""
    said = count_text(len(hands), "thing needs", "things need")
    return f" But {said} a hand: {list_text([hand.brief for hand in hands], MOST_NAMED)}."


def _wrong(known: DigestFacts, jobs: Sequence[JobReport]) -> list[str]:
    """Why not everything could be got back now; a first copy that gets on is no reason to call anything wrong, nor is
    one of several copies as long as another one is kept."""
    safe = {copy.job for folder in known.folders if folder.kept and len(folder.copies) > 1 for copy in folder.copies}
    broken = [job for job in jobs if job.name not in safe]
    damaged = [
        finding.about
        for finding in known.found
        if finding.rule == "damage" and not finding.mark.startswith(HEALED) and finding.about not in safe
    ]
    late = _each_folder(job for job in broken if not job.kept and job.newest is not None)
    first = {stem_of(job.name) for job in broken if job.first}
    without = _each_folder(job for job in broken if job.newest is None and not job.first)
    without = [name for name in without if name not in late and name not in first]
    count = len(_each_folder(jobs))
    what = "job" if count == len(jobs) else "folder"
    wrong = []
    if damaged:
        wrong.append(f"damage was found in the far copy of {list_text(damaged)}")
    if late:
        wrong.append(f"{_of(len(late), count, what)} without a copy as fresh as promised: {list_text(late)}")
    if without:
        wrong.append(f"{_of(len(without), count, what)} without any copy yet: {list_text(without)}")
    if known.unread:
        is_not = "is not" if len(known.unread) == 1 else "are not"
        wrong.append(f"{list_text(known.unread)} {is_not} copied, because of a mistake in the settings")
    silent = [finding.about for finding in known.found if finding.rule == "silent"]
    return wrong + [f"far box {name} does not answer" for name in silent] if wrong else []


def _each_folder(jobs: Iterable[JobReport]) -> list[str]:
    """The folders that are copied by these, each once."""
    return list(dict.fromkeys(stem_of(job.name) for job in jobs))


def _recent(jobs: Sequence[JobReport], which: str) -> str:
    """That these copies are recent, and how old the oldest is."""
    oldest = span_text(max(job.age_s or 0.0 for job in jobs))
    if len(jobs) == 1:
        return f"{'the one' if which == 'all' else which} copy is recent ({oldest} old)"
    if len(jobs) == 2 and which == "all":
        return f"both copies are recent (the older is {oldest} old)"
    return f"{which} {count_text(len(jobs), 'copy is', 'copies are')} recent (the oldest is {oldest} old)"


def _first_copies(jobs: Sequence[JobReport]) -> str:
    """Which first copies are under way, and how far they are."""
    copies = "First copy" if len(jobs) == 1 else "First copies"
    named = [f"{job.name} ({job.first_brief})" if job.first_brief else job.name for job in jobs]
    return f"{copies} under way: {list_text(named, MOST_NAMED)}"


def brief(finding: Finding, known: DigestFacts) -> str:
    """A finding in a few words; of a disk that fills with its day, if that can be told."""
    box = next((far.facts for far in known.fars if far.facts.name == finding.about), None)
    full = box.full if box is not None and finding.rule == "space" else None
    if finding.rule == "late" and any(job.name == finding.about and job.newest is None for job in known.jobs):
        begun = any(job.name == finding.about and job.first for job in known.jobs)
        return f"the first copy of {finding.about} stands still" if begun else f"{finding.about} has no copy yet"
    if full is not None and full.likely > known.now:
        return f"the disk of far box {finding.about} is full about {day_text(full.likely, known.zone)}"
    return BRIEF[finding.rule].format(finding.about)


def _of(count: int, whole: int, what: str) -> str:
    if whole <= 2 and count == whole:
        return f"the one {what} is" if whole == 1 else f"both {what}s are"
    return f"{count:,} of {count_text(whole, what)} {'is' if count == 1 else 'are'}"
