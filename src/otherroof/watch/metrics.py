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
        Metric(
            "otherroof_looked_timestamp_seconds",
            "When the service last looked at how all stands.",
            (({}, facts.now.timestamp()),),
        ),
        *job,
        *far,
        Metric(
            "otherroof_alert_standing",
            "1 for every alert that stands.",
            tuple(({"alert": alert.key, "rule": alert.rule, "about": alert.about}, 1.0) for alert in standing),
        ),
        Metric(
            "otherroof_messages_waiting",
            "Messages that a channel has not taken yet.",
            tuple(({"channel": name}, float(state.waiting)) for name, state in sorted(facts.channels.items())),
        ),
    ]


def _job_metrics(facts: Facts) -> list[Metric]:
    jobs = [(job, {"job": job.name, "far": job.far}) for job in facts.jobs]
    last = [(job.runs[0].report, labels) for job, labels in jobs if job.runs]
    return [
        Metric(
            "otherroof_newest_good_copy_timestamp_seconds",
            "When the newest good copy of a job was begun.",
            tuple((labels, job.newest.timestamp()) for job, labels in jobs if job.newest),
        ),
        Metric(
            "otherroof_promise_seconds",
            "The greatest age that a job's newest good copy may have.",
            tuple((labels, job.promise.total_seconds()) for job, labels in jobs),
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
    answered = [({"far": box.name}, box.answered.timestamp()) for box in facts.fars if box.answered]
    spaces = [({"far": box.name}, box.space) for box in facts.fars if box.space]
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
    for metric in rows:
        if metric.samples:
            lines += [f"# HELP {metric.name} {_escaped(metric.help)}", f"# TYPE {metric.name} gauge"]
            lines += [f"{metric.name}{_labels(labels)} {_number(value)}" for labels, value in metric.samples]
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
    # The backslash first, or those that are put in after it would be doubled.
    return text.replace("\\", "\\\\").replace("\n", "\\n")


def _number(value: float) -> str:
    return str(int(value)) if value == int(value) else repr(value)
