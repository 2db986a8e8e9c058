"""A text file of figures in the Prometheus exposition format, for households that watch their servers.

Rules kept (exposition format, and the text-file rule of its node exporter): UTF-8, one HELP and one TYPE a
name, all samples of a name together, no time stamps, a line feed at the end, written aside and renamed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from otherroof.base.atomic_file import replace_file
from otherroof.copying.report import OUTCOMES
from otherroof.ledger.alerts import Alert
from otherroof.watch.facts import Facts


@dataclass(frozen=True, slots=True)
class Metric:
    """One name with its samples: labels and a value each."""

    name: str
    help: str
    samples: tuple[tuple[dict[str, str], float], ...]


def metrics(facts: Facts, standing: Sequence[Alert]) -> list[Metric]:
    """The figures of this moment. Times are Unix times in seconds, as the format's users expect."""
    far, job = _far_metrics(facts), _job_metrics(facts)
    return [
        Metric("otherroof_looked_timestamp_seconds", "When the watch last looked.", (({}, facts.now.timestamp()),)),
        *job,
        *far,
        Metric(
            "otherroof_alert_standing",
            "1 for every alert that stands.",
            tuple(({"alert": one.key, "rule": one.rule, "about": one.about}, 1.0) for one in standing),
        ),
        Metric(
            "otherroof_messages_waiting",
            "Messages that a channel has not taken yet.",
            tuple(({"channel": name}, float(one.waiting)) for name, one in sorted(facts.channels.items())),
        ),
    ]


def _job_metrics(facts: Facts) -> list[Metric]:
    jobs = [(one, {"job": one.name, "far": one.far}) for one in facts.jobs]
    last = [(one.runs[0].report, labels) for one, labels in jobs if one.runs]
    return [
        Metric(
            "otherroof_newest_good_copy_timestamp_seconds",
            "When the newest good copy of a job was begun.",
            tuple((labels, one.newest.timestamp()) for one, labels in jobs if one.newest),
        ),
        Metric(
            "otherroof_promise_seconds",
            "The greatest age that a job's newest good copy may have.",
            tuple((labels, one.promise.total_seconds()) for one, labels in jobs),
        ),
        Metric(
            "otherroof_last_run_outcome",
            "1 for the outcome of a job's last run, 0 for the others.",
            tuple(
                (labels | {"outcome": outcome}, float(report.outcome == outcome))
                for report, labels in last
                for outcome in OUTCOMES
            ),
        ),
        Metric(
            "otherroof_last_run_sent_bytes",
            "Bytes of content that a job's last run sent.",
            tuple((labels, float(report.bytes.sent)) for report, labels in last),
        ),
        Metric(
            "otherroof_last_run_duration_seconds",
            "How long a job's last run took.",
            tuple((labels, report.seconds.total) for report, labels in last),
        ),
        Metric(
            "otherroof_files_seen",
            "Entries that a job's last run saw in its folder.",
            tuple((labels, float(report.files.seen)) for report, labels in last),
        ),
    ]


def _far_metrics(facts: Facts) -> list[Metric]:
    answered = [({"far": one.name}, one.answered.timestamp()) for one in facts.fars if one.answered]
    spaces = [({"far": one.name}, one.space) for one in facts.fars if one.space]
    return [
        Metric("otherroof_far_answered_timestamp_seconds", "When a far box last proved its host key.", tuple(answered)),
        Metric(
            "otherroof_far_free_bytes",
            "Bytes free on a far box's disk at the last reading.",
            tuple((labels, float(mark.free)) for labels, mark in spaces),
        ),
        Metric(
            "otherroof_far_size_bytes",
            "Size of a far box's disk at the last reading.",
            tuple((labels, float(mark.total)) for labels, mark in spaces),
        ),
    ]


def render(rows: Sequence[Metric]) -> str:
    """The file's text. A name without samples is left out. All are gauges: each states what is now."""
    lines: list[str] = []
    for one in rows:
        if one.samples:
            lines += [f"# HELP {one.name} {_escaped(one.help)}", f"# TYPE {one.name} gauge"]
            lines += [f"{one.name}{_labels(labels)} {_number(value)}" for labels, value in one.samples]
    return "".join(line + "\n" for line in lines)


def write_metrics(path: str, text: str) -> None:
    """Put `text` at `path` in one step, readable by all. Raises HomeTrouble."""
    advice = "correct file under [metrics], or let this account write in that folder"
    replace_file(path, text, what="the metrics file", advice=advice)


def _labels(labels: dict[str, str]) -> str:
    if not labels:
        return ""
    return "{" + ",".join(f'{name}="{_quoted(value)}"' for name, value in labels.items()) + "}"


def _quoted(text: str) -> str:
    return _escaped(text).replace('"', '\\"')


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n")


def _number(value: float) -> str:
    return str(int(value)) if value == int(value) else repr(value)
