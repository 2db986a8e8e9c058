"""The rules about the way to a far box: it answers with another host key, lets nobody in, or does not answer at all.

Pure, as all rules. What the checks look at is theirs to know; here only at which of them the way stops.
"""

from __future__ import annotations

from collections.abc import Iterator

from otherroof.base.local_time import moment_text
from otherroof.base.text.words import sentence
from otherroof.base.units import span_text
from otherroof.probe.rung_names import AT_HOME, HOST_KEY, LOGIN
from otherroof.watch.facts import Facts, FarFacts, Finding, too_early

# What is told at once, because it does not mend itself, by the check at which the way stops then.
_TOLD_AT_ONCE = {HOST_KEY: "host_key", LOGIN: "login"}


def turned_away(far: FarFacts) -> str:
    """The name of the rule that tells why `far` cannot be worked with though a machine answers; empty if it can."""
    return _TOLD_AT_ONCE.get(far.stop.rung, "") if far.stop is not None else ""


def host_key(facts: Facts) -> Iterator[Finding]:
    """What answers at a far box's address does not hold the pinned host key."""
    for far in facts.fars:
        if far.stop is None or turned_away(far) != "host_key":
            yield from _not_heard_since(facts, far, "host_key", "showed another host key than the pinned one")
            continue
        yield Finding(
            "host_key",
            far.name,
            f"far box {far.name} shows another host key than the pinned one since "
            f"{moment_text(far.stop.since, facts.zone)}: nothing is sent there",
            f"It may be another machine that answers, so the key is not taken over by itself. "
            f"{sentence(far.stop.seen)} {sentence(far.stop.advice)} `otherroof probe {far.name}` looks again.",
            far.stop.since,
            # Yet another key is another occurrence.
            mark=far.stop.seen,
        )


def login(facts: Facts) -> Iterator[Finding]:
    """A far box holds the pinned host key and does not let this home in."""
    for far in facts.fars:
        # Once may have been a connection that broke just then; whoever does not let us in twice means it.
        if far.stop is None or turned_away(far) != "login" or far.stop.at == far.stop.since:
            yield from _not_heard_since(facts, far, "login", "did not let this home in")
            continue
        yield Finding(
            "login",
            far.name,
            f"far box {far.name} answers and does not let this home in since "
            f"{moment_text(far.stop.since, facts.zone)}: nothing is sent there",
            f"{sentence(far.stop.seen)} {sentence(far.stop.advice)} `otherroof probe {far.name}` looks again.",
            far.stop.since,
        )


def _not_heard_since(facts: Facts, far: FarFacts, rule: str, did: str) -> Iterator[Finding]:
    """An alert that stands is not over because nobody answers at all any more: what was wrong then may be so still."""
    key = f"{rule}:{far.name}"
    if key not in facts.standing or not far.unheard or turned_away(far) == rule:
        return
    yield Finding(
        rule,
        far.name,
        f"far box {far.name} {did} when something last answered there; now nothing does",
        f"{_where_it_stops(far, facts)} What was wrong before is looked at again as soon as it answers.",
        facts.now,
        mark=facts.standing[key],
    )


def silent(facts: Facts) -> Iterator[Finding]:
    """A far box has not answered for `silent_days`, or for so long that a copy is older than promised by it."""
    for far in facts.fars:
        last = far.heard
        quiet_for = facts.now - last
        days_are_over = quiet_for >= far.silent and not too_early(facts, f"silent:{far.name}", quiet_for, far.silent)
        if not (days_are_over or _breaks_a_promise(far, facts)):
            continue
        # Something answers there: to ask about the power would lead away from what matters.
        if turned_away(far):
            continue
        since = f"since {moment_text(last, facts.zone)} ({span_text(quiet_for.total_seconds())})"
        silence = f"has not answered {since}" if far.answered else f"has never answered; it is watched {since}"
        yield Finding("silent", far.name, f"far box {far.name} {silence}", _where_it_stops(far, facts), last)


def _breaks_a_promise(far: FarFacts, facts: Facts) -> bool:
    """Whether a copy turned late while `far` did not answer. Once told of, that is not over as long as it does not."""
    if not far.unheard:
        return False
    key = f"silent:{far.name}"
    ages = [
        (facts.now - last, job.promise)
        for job in facts.jobs
        if job.far == far.name
        and job.hold is None
        and (last := job.promise_begins(facts.now, facts.zone)) + job.promise > far.heard
    ]
    return key in facts.standing or any(
        age > promise and not too_early(facts, key, age, promise) for age, promise in ages
    )


def _where_it_stops(far: FarFacts, facts: Facts) -> str:
    """At which check the way stops and since when, what to do about that, and whom to ask."""
    looks = f"`otherroof probe {far.name}` tries every check now and shows how far the way goes."
    ask = (
        "Ask in the far house whether the box and the router have power and whether the internet works; nobody needs "
        "to open or unplug anything without asking you."
    )
    if far.stop is None:
        return f"No check has been tried since. {looks} If it stops at the far house: {ask[:1].lower()}{ask[1:]}"
    stops = f"The checks get no further than “{far.stop.rung}” since {moment_text(far.stop.since, facts.zone)}"
    seen = sentence(far.stop.seen)
    found = f"{stops}: {seen[:1].lower()}{seen[1:]}"
    advice = f" {sentence(far.stop.advice)}" if far.stop.advice else ""
    whose = " This is at home, not in the far house." if far.stop.rung in AT_HOME else f" {ask}"
    return f"{found}{advice} {looks}{whose}"
