"""The rules that raise alerts: each a pure function from the facts of one moment to what it finds wrong.

A finding is not yet an alert: whether it is told, told again or over is decided in `alert_steps`. Headlines and
advice are for a household's own administrator; each advice names the command that helps.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta

from otherroof.base.errors import typed
from otherroof.base.local_time import day_text, moment_text
from otherroof.base.text.words import list_text, printable
from otherroof.base.units import count_text, percent_text, size_text, span_text
from otherroof.copying.report import GOOD, outcome_text
from otherroof.ledger.proofs import HealedDamage
from otherroof.watch.copies.together import fresh_beside
from otherroof.watch.drills import check_failed, too_slow, undrilled
from otherroof.watch.facts import CLEAR_OF_EDGE, HEALED, Facts, FarFacts, Finding, JobFacts, too_early
from otherroof.watch.sheet.rule import sheet
from otherroof.watch.unusual import why_unusual
from otherroof.watch.way_rules import host_key, login, silent, turned_away

_LONG_AWAKE = timedelta(days=365)
# A channel that fails for this long is worth an alert by another one.
STUCK = timedelta(hours=1)
# How long after a far box is back a copy may still be late by its silence: the first runs have much to send.
CATCH_UP = timedelta(hours=24)
# An alert about a single event (an unusual run, a clock jump) ends by itself after this time.
UNUSUAL_STANDS = timedelta(days=7)
JUMP_STANDS = timedelta(days=1)
HEALED_STANDS = timedelta(days=1)
JUMP = "jump"


def findings(facts: Facts) -> list[Finding]:
    """What all rules find at this moment."""
    return [
        replace(found, headline=printable(found.headline), help=typed(printable(found.help), facts.settings_in))
        for rule in RULES
        for found in rule(facts)
    ]


def without_grace(facts: Facts) -> Facts:
    """The same facts as if home had never been off: who asks how all stands is told of what is wrong at once."""
    return replace(facts, look=replace(facts.look, awake_since=facts.now - _LONG_AWAKE))


def is_event(rule: str, mark: str) -> bool:
    """Whether an alert tells of something that happened, not of something that lasts: it is told once, and ends by
    itself without anything having become better."""
    healed = rule == "damage" and mark.startswith(HEALED)
    return healed or rule in ("unusual", "shortened") or (rule == "clock" and mark == JUMP)


UNHEARD = "alerts go to this machine's journal only, where nobody may read them"
UNHEARD_HELP = (
    "Write a channel into otherroof.toml: [mail] with [channel.family], or a webhook or command; then "
    "`otherroof alert-test`."
)


def gravity(key: str) -> int:
    """Where the alert called `key` stands among others, the gravest first; what is no alert comes last."""
    names = [rule.__name__ for rule in RULES]
    rule = key.partition(":")[0]
    return names.index(rule) if rule in names else len(names)


def late(facts: Facts) -> Iterator[Finding]:
    """A job's newest good copy is older than its promise."""
    for job in facts.jobs:
        last = job.promise_begins(facts.now, facts.zone)
        age = facts.now - last
        if age <= job.promise or too_early(facts, f"late:{job.name}", age, job.promise):
            continue
        headline, begun = _how_late(job, last, facts), last + job.promise
        if others := fresh_beside(facts, job):
            headline += f"; the folder has a copy as new as promised: {list_text(others)}"
        waits, because = _waits_for_release(job, facts.now, begun)
        if not because:
            waits, because = _waits_for_far(facts, job, begun)
        if waits:
            yield Finding("late", job.name, headline, waits, begun, because=because)
        else:
            yield Finding("late", job.name, headline + _last_word(job), _late_help(job), begun)


def _how_late(job: JobFacts, last: datetime, facts: Facts) -> str:
    """How old a copy is that is late, or since when there is none: its promise counts from `last`."""
    since, old = moment_text(last, facts.zone), span_text((facts.now - last).total_seconds())
    promise = f"promised: {span_text(job.promise.total_seconds())}"
    if job.newest:
        return f"the newest good copy of {job.name} is from {since}, {old} ago ({promise})"
    copy = job.copy_under_way(facts.now, facts.zone)
    if copy is not None:
        there = f"{size_text(copy.there)} of {size_text(copy.seen)} there ({percent_text(copy.share)})"
        return f"the first copy of {job.name} has not got on since {since}, {old} ago; about {there}"
    return f"job {job.name} has no copy by this server yet, {old} after it was set up ({promise})"


def _waits_for_release(job: JobFacts, now: datetime, begun: datetime) -> tuple[str, str]:
    """What to do about a copy that is late, since `begun`, only because its run is held, or was until just now, and the
    key of the alert about that; both empty if that is not the reason."""
    if job.hold is not None and begun > job.hold.at:
        return _late_help(job), f"held:{job.name}"
    if job.released is not None and now - job.released < CATCH_UP and begun < job.released:
        return f"It was released, and goes on by itself; `otherroof run {job.name}` begins now.", f"held:{job.name}"
    return "", ""


def _waits_for_far(facts: Facts, job: JobFacts, begun: datetime) -> tuple[str, str]:
    """What to do about a copy that is late, since `begun`, only because its far box does not answer or lets nobody in,
    or did so until just now, and the key of the alert about that; both empty if that is not the reason."""
    far = next((box for box in facts.fars if box.name == job.far), None)
    if far is None or job.hold is not None:
        return "", ""
    shut = turned_away(far)
    if shut and far.stop is not None:
        # A copy that was late before the way was shut has a reason of its own.
        advice = f"Far box {far.name} lets nobody in; `otherroof run {job.name}` tries again once that is mended."
        return (advice, f"{shut}:{far.name}") if begun > far.stop.since else ("", "")
    last = far.heard
    # Late because of the silence only if the copy turned late after the box was last heard; one that was late before
    # has a reason of its own.
    silent_now = facts.now - last >= far.silent or far.unheard
    if silent_now and begun > last:
        advice = (
            f"Far box {far.name} has not answered since {moment_text(last, facts.zone)}: "
            f"`otherroof probe {far.name}` shows how far the way goes, `otherroof run {job.name}` tries now."
        )
        return advice, f"silent:{far.name}"
    stands = f"late:{job.name}" in facts.standing
    if stands and not silent_now and far.unanswered is not None and facts.now - far.unanswered < CATCH_UP:
        advice = (
            f"Far box {far.name} answers again, and the copy goes on by itself; `otherroof run {job.name}` begins now."
        )
        return advice, f"silent:{far.name}"
    return "", ""


def _last_word(job: JobFacts) -> str:
    last = job.runs[0].report if job.runs else None
    waits = f"; {job.waiting}" if job.waiting else ""
    if last is None or last.outcome in GOOD:
        return waits
    return f"; its last run ended as {outcome_text(last.outcome)}" + (f": {last.reason}" if last.reason else "") + waits


def _late_help(job: JobFacts) -> str:
    if job.hold is not None:
        return (
            f"The job is held. Look at {job.folder} first; if all is as it should be, `otherroof release {job.name}`."
        )
    return (
        f"`otherroof run {job.name}` tries now; `otherroof ledger {job.name}` shows what the last runs met; "
        f"`otherroof probe {job.far}` shows whether the far box can be reached."
    )


def held(facts: Facts) -> Iterator[Finding]:
    """A run was held by the guard and nobody has released it."""
    for job in facts.jobs:
        if job.hold is None or job.hold.released is not None:
            continue
        yield Finding(
            "held",
            job.name,
            f"job {job.name} is held since {moment_text(job.hold.at, facts.zone)}: {job.hold.why}",
            f"Nothing was sent, so the far copy is as it was. Look into {job.folder}: is it what you expect? Only then "
            f"`otherroof release {job.name}`. If files are missing or changed and nobody did that on purpose, leave it "
            "held and get them back from the far copy.",
            job.hold.at,
        )


def damage(facts: Facts) -> Iterator[Finding]:
    """A copy at the far end is not what its listing says."""
    for job in facts.jobs:
        more = f"; {count_text(job.healed.files, 'other')} found and repaired" if job.healed else ""
        if not job.damages:
            if job.healed is not None:
                yield _healed(job, job.healed)
            continue
        first = job.damages[0]
        paths = {file.path for file in job.damages}
        yield Finding(
            "damage",
            job.name,
            f"damage in the far copy: {count_text(len(paths), 'file')} of {job.name}, "
            f"{first.path!r} among them: {first.why}{more}",
            f"Keep the files in {job.folder} safe, {_good_ones(fresh_beside(facts, job))}. "
            f"`otherroof prove {job.name} --heal` looks at these again and sends what this home still has; a file "
            "that is whole is no longer counted. Until then no older version is removed; "
            f"`otherroof thin {job.name} --let-go RUN` lets a version go that nobody can mend. "
            f"`otherroof prove {job.name} --all` shows whether there are more: damage that spreads means that the far "
            "disk is failing.",
            first.at,
            mark=str(len(paths)),
        )


def _good_ones(others: list[str]) -> str:
    """Where else good files may be that are damaged in one copy."""
    return f"though no damage is known in {list_text(others)}" if others else "they may be the only good ones"


def _healed(job: JobFacts, healed: HealedDamage) -> Finding:
    others = f", {healed.path!r} among them" if healed.files > 1 else f": {healed.path!r}"
    return Finding(
        "damage",
        job.name,
        f"damage in the far copy was found and repaired: {count_text(healed.files, 'file')} of {job.name}{others}; "
        "sent again, read back, and right",
        f"Nothing is lost. `otherroof prove {job.name} --all` shows whether there is more: damage that comes again "
        "means that the far disk is failing.",
        healed.at,
        mark=f"{HEALED} {healed.files}",
    )


def space(facts: Facts) -> Iterator[Finding]:
    """A far disk is below its floor, or will be full within `fill_days` by the trend."""
    for far in facts.fars:
        if far.space is None:
            continue
        # Hysteresis: a disk just at its floor would raise and end an alert every night.
        slack = CLEAR_OF_EDGE if f"space:{far.name}" in facts.standing else 1.0
        free = f"{size_text(far.space.free)} free of {size_text(far.space.total)}"
        if far.space.free < far.floor * slack:
            ahead = f"; full {full_by(far, facts)}" if far.fill is not None and far.fill.days <= far.fill_days else ""
            headline = f"the disk of far box {far.name} is low: {free} (floor: {size_text(far.floor)}){ahead}"
            mark = "floor"
        elif far.fill is not None and far.fill.days <= far.fill_days * slack:
            headline, mark = f"the disk of far box {far.name} will be full {full_by(far, facts)}; now {free}", "trend"
        elif far.coming > far.space.free - far.floor:
            headline = (
                f"the disk of far box {far.name} has no room for the first copies that are under way: "
                f"{size_text(far.coming)} are yet to come; {free}"
            )
            mark = "first copy"
        else:
            continue
        yield Finding(
            "space",
            far.name,
            headline,
            "`otherroof ledger` shows which job sends most; `leave_out` in its file keeps out what needs no copy. "
            "Delete nothing in the far copy by hand: kept versions need what lies there. A larger disk is work on "
            "equipment in someone else's home: ask before anyone touches it.",
            far.space.at,
            mark=mark,
        )


def full_by(far: FarFacts, facts: Facts) -> str:
    """The day a far disk will be full: `about 12 May 2031 (in 25 days; between 3 and 20 May 2031)`."""
    if far.full is None:
        return "in more than a hundred years"
    ahead = round((far.full.likely - facts.now).total_seconds() / 86_400)
    if ahead <= 0:
        return "now or within the day"
    span = far.full.span(facts.zone)
    within = f"; {span}" if span else ""
    return f"about {day_text(far.full.likely, facts.zone)} (in {count_text(ahead, 'day')}{within})"


def unusual(facts: Facts) -> Iterator[Finding]:
    """One of the last week's runs changed far more than the job ever does."""
    for job in facts.jobs:
        # Newest first, so what follows a run in the list is its history.
        good = [row for row in job.runs if row.report.outcome in GOOD]
        for place, row in enumerate(good):
            if facts.now - row.started >= UNUSUAL_STANDS:
                break
            why = why_unusual(row, good[place + 1 :], job.natures, facts.alerts.unusual_files)
            if why is not None:
                yield _unusual(job, row.report.run, row.started, f"{why} ({moment_text(row.started, facts.zone)})")
                break


def _unusual(job: JobFacts, run: str, at: datetime, why: str) -> Finding:
    return Finding(
        "unusual",
        job.name,
        f"unusual change in {job.name}: {why}",
        f"Open a few files in {job.folder}. If they are spoilt, take what can write there off the network: "
        f"the versions before {run} are whole: `otherroof versions {job.name}`, then `otherroof restore {job.name} "
        "--as-of RUN --into DIR`. If it was meant, there is nothing to do.",
        at,
        mark=run,
    )


def shortened(facts: Facts) -> Iterator[Finding]:
    """A job's versions are kept by a rule that keeps less than the one before, and what goes by it can be recalled."""
    for job in facts.jobs:
        rule = job.rule
        if rule is None or not rule.shortened or rule.since is None or rule.until is None or rule.recalled is not None:
            continue
        until = moment_text(rule.until, facts.zone)
        if facts.now < rule.until:
            yield Finding(
                "shortened",
                job.name,
                f"fewer versions of {job.name} are kept: {rule.shortened}; not before {until}",
                "If you changed [versions] yourself, there is nothing to do. If not, "
                f"`otherroof thin {job.name} --recall` stops it at once; then find out who changed the settings. "
                f"`otherroof thin {job.name}` shows which versions go and what can then no longer be had.",
                rule.since,
                mark=rule.rule,
            )


def settings(facts: Facts) -> Iterator[Finding]:
    """The settings files have mistakes; the service goes on with the last good ones, or without the jobs at fault."""
    if facts.mistakes:
        lost = f"not copied until it is mended: {list_text(facts.unread)}; " if facts.unread else ""
        yield Finding(
            "settings",
            "",
            f"the settings have {count_text(len(facts.mistakes), 'mistake')}; {lost}{facts.mistakes[0]}",
            "`otherroof check` names every mistake and what would be right; "
            "the service takes the settings up by itself once they are mended.",
            facts.now,
            mark=",".join(facts.unread),
        )


def unsent(facts: Facts) -> Iterator[Finding]:
    """Alerts or digests do not get out by one of the channels."""
    for name, state in sorted(facts.channels.items()):
        if state.failing_since is None or facts.now - state.failing_since < STUCK:
            continue
        waits = f"{count_text(state.waiting, 'message waits', 'messages wait')}; " if state.waiting else ""
        yield Finding(
            "unsent",
            name,
            f"channel {name} has not worked since {moment_text(state.failing_since, facts.zone)}; "
            f"{waits}{state.problem}",
            f"`otherroof alert-test {name}` tries it now and says what is wrong.",
            state.failing_since,
            not_by=name,
        )


def clock(facts: Facts) -> Iterator[Finding]:
    """The clock of this machine was set by a lot, or runs lie in the future."""
    look = facts.look
    advice = (
        "`timedatectl` shows whether the clock is kept by the network. Times in the ledger around then may be wrong, "
        "and runs may have come early or late."
    )
    if look.jumped_at is not None and timedelta(0) <= facts.now - look.jumped_at < JUMP_STANDS:
        way = "forward" if look.jumped_s > 0 else "back"
        by = span_text(abs(look.jumped_s))
        headline = f"this machine's clock was set {way} by {by}, to {moment_text(look.jumped_at, facts.zone)}"
        yield Finding("clock", "", headline, advice, look.jumped_at, mark=JUMP)
    elif facts.runs_ahead:
        # Comes after the jump it stems from and never hides another alert, because it may stay for years.
        runs = count_text(facts.runs_ahead, "run")
        headline = f"the ledger holds {runs} from the future: this machine's clock is or was wrong"
        yield Finding("clock", "", headline, advice, look.jumped_at or facts.now, mark="ahead")


# What the rules are about by whose name their alerts are called; the others are about home itself.
OF_JOBS = ("damage", "held", "late", "check_failed", "too_slow", "undrilled", "shortened", "unusual")
OF_CHANNELS = ("unsent",)
OF_FARS = ("host_key", "login", "silent", "space")

RULES: tuple[Callable[[Facts], Iterator[Finding]], ...] = (
    host_key,
    damage,
    held,
    login,
    silent,
    late,
    space,
    check_failed,
    too_slow,
    undrilled,
    shortened,
    unusual,
    settings,
    unsent,
    clock,
    sheet,
)
