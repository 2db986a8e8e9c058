"""The metrics file read by the rules of the Prometheus text exposition format.

Source: Prometheus, "Exposition formats", text-based format
(https://prometheus.io/docs/instrumenting/exposition_formats/), read in a stored copy: UTF-8, lines end in a line
feed, the last one too; one HELP and one TYPE line a name, TYPE before its first sample; all lines of a name in one
group; label values escape backslash, double quote and line feed, HELP texts backslash and line feed. The
text-file collector of the Prometheus node exporter refuses time stamps and reads files that end in .prom (its
README, read second-hand).
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from otherroof.base.errors import HomeTrouble
from otherroof.ledger.alerts import Alert
from otherroof.ledger.far_findings import SpaceReading
from otherroof.ledger.messages import ChannelState
from otherroof.watch.metrics import Metric, metrics, render, write_metrics
from support.outside import COMMON, outside
from support.watching import NOW, Night, facts, far, job, row

NAME = re.compile(r"[a-zA-Z_:][a-zA-Z0-9_:]*")
LABEL = re.compile(r'([a-zA-Z_][a-zA-Z0-9_]*)="((?:[^"\\\n]|\\\\|\\"|\\n)*)"(,|$)')


def parse(data: bytes) -> dict[str, list[tuple[dict[str, str], float]]]:
    """Every sample by name; asserts each rule of the format on the way."""
    text = data.decode("utf-8")
    assert text.endswith("\n")
    assert "\r" not in text
    seen: dict[str, list[tuple[dict[str, str], float]]] = {}
    helped: set[str] = set()
    typed: set[str] = set()
    group = ""
    for line in text.split("\n")[:-1]:
        if line.startswith("# "):
            _, word, name, rest = line.split(" ", 3)
            assert word in {"HELP", "TYPE"}
            assert name not in seen, f"{name} was described after its samples"
            known = helped if word == "HELP" else typed
            assert name not in known, f"{name} is described twice"
            known.add(name)
            if word == "TYPE":
                assert rest in {"counter", "gauge", "histogram", "summary", "untyped"}
            else:
                assert re.fullmatch(r"(?:[^\\]|\\\\|\\n)*", rest)
            continue
        found = NAME.match(line)
        assert found, line
        name, rest = found.group(), line[found.end() :]
        labels: dict[str, str] = {}
        if rest.startswith("{"):
            inside, rest = _until_brace(rest)
            labels = _labels(inside)
        words = rest.split()
        assert len(words) == 1, f"a time stamp, or no value: {line}"
        assert group == name or name not in seen, f"{name} is not in one group"
        group = name
        samples = seen.setdefault(name, [])
        assert labels not in [one for one, _ in samples], f"{line} is there twice"
        samples.append((labels, float(words[0])))
        assert name in helped
        assert name in typed
    return seen


def _until_brace(rest: str) -> tuple[str, str]:
    quoted = escaped = False
    for place, one in enumerate(rest):
        if escaped:
            escaped = False
        elif quoted and one == "\\":
            escaped = True
        elif one == '"':
            quoted = not quoted
        elif one == "}" and not quoted:
            return rest[1:place], rest[place + 1 :]
    raise AssertionError(rest)


def _labels(inside: str) -> dict[str, str]:
    found: dict[str, str] = {}
    while inside:
        one = LABEL.match(inside)
        assert one, inside
        assert one.group(1) not in found
        unescaped = re.sub(r"\\(.)", lambda match: {"n": "\n"}.get(match.group(1), match.group(1)), one.group(2))
        found[one.group(1)] = unescaped
        inside = inside[one.end() :]
    return found


def household() -> bytes:
    alert = Alert("silent:heron", "silent", "heron", "h", "h", NOW, NOW, NOW)
    given = facts(
        jobs=(job(runs=(row(NOW, Night()),)), replace(job(), name="music", newest=None)),
        fars=(far(space=SpaceReading(NOW, 10**12, 4 * 10**12)), far(name="wren", answered=None)),
        channels={"family": ChannelState(NOW, 1, "x", None, 3)},
    )
    return render(metrics(given, [alert])).encode()


@outside("Prometheus, Exposition formats", "text-based format", "the metrics file line by line", value="read")
def test_a_household_s_figures_can_be_read_and_are_right() -> None:
    seen = parse(household())
    assert seen["otherroof_looked_timestamp_seconds"] == [({}, NOW.timestamp())]
    photos = {"job": "photos", "far": "heron"}
    assert seen["otherroof_newest_good_copy_timestamp_seconds"] == [(photos, NOW.timestamp() - 36_000)]
    assert (photos | {"outcome": "done"}, 1.0) in seen["otherroof_last_run_outcome"]
    assert sum(value for _, value in seen["otherroof_last_run_outcome"]) == 1
    assert seen["otherroof_far_free_bytes"] == [({"far": "heron"}, 1e12)]
    assert seen["otherroof_alert_standing"] == [({"alert": "silent:heron", "rule": "silent", "about": "heron"}, 1.0)]
    assert seen["otherroof_messages_waiting"] == [({"channel": "family"}, 3.0)]


@outside("prometheus-client", "parser", "the format's own library reads the same", value="recomputed")
def test_the_format_s_own_library_reads_the_same() -> None:
    families = {one.name: one for one in text_string_to_metric_families(household().decode())}
    for name, samples in parse(household()).items():
        assert families[name].type == "gauge"
        assert families[name].documentation
        assert [(one.labels, one.value) for one in families[name].samples] == samples
        assert all(one.timestamp is None for one in families[name].samples)


@outside(
    "Prometheus, Exposition formats",
    "text-based format: last line ends in a line feed",
    "a file without jobs",
    value="read",
)
def test_an_empty_household_still_gives_a_file_that_can_be_read() -> None:
    assert set(parse(render(metrics(facts(jobs=(), fars=()), [])).encode())) == {"otherroof_looked_timestamp_seconds"}


@outside("Prometheus, Exposition formats", "text-based format: escapes", "labels of any letters", value="read")
@pytest.mark.parametrize("name", ['quote"', "back\\slash", "line\nfeed", "brace}", "ü – ☂", 'all\\n"}'])
def test_a_label_of_any_letters_survives(name: str) -> None:
    text = render([Metric("x", "a \\ in\nhelp", (({"a": name, "b": ""}, 1.5),))])
    assert parse(text.encode()) == {"x": [({"a": name, "b": ""}, 1.5)]}


@outside(
    "Prometheus, Exposition formats",
    "text-based format: values as of ParseFloat",
    "a value keeps every figure",
    value="read",
)
@pytest.mark.parametrize("value", [0.0, -1.0, 1e21, 0.1 + 0.2, 1_930_000_000.123456])
def test_a_value_keeps_every_figure(value: float) -> None:
    ((_, read),) = parse(render([Metric("x", "h", (({}, value),))]).encode())["x"]
    assert math.isclose(read, value, rel_tol=0)


@outside(COMMON, "", "the parser of these tests refuses what the format forbids", value="recomputed")
def test_the_parser_itself_refuses_what_the_format_forbids() -> None:
    for broken in (b"x 1", b"# TYPE x gauge\n# TYPE x gauge\nx 1\n", b"# HELP x h\n# TYPE x gauge\nx 1 1700000000\n"):
        with pytest.raises(AssertionError):
            parse(broken)


@outside(
    "Prometheus, node exporter",
    "text-file collector: written aside and renamed",
    "a reader never sees half a file",
    value="read",
)
def test_a_reader_never_sees_half_a_file(tmp_path: Path) -> None:
    path = tmp_path / "otherroof.prom"
    write_metrics(str(path), "old 1\n")
    before = path.stat().st_ino
    write_metrics(str(path), "new 1\n")
    assert path.stat().st_ino != before
    assert [one.name for one in tmp_path.iterdir()] == ["otherroof.prom"]
    (tmp_path / "gone").mkdir()
    with pytest.raises(HomeTrouble, match="the metrics file cannot be written"):
        write_metrics(str(tmp_path / "none" / "x.prom"), "x 1\n")


@outside("RFC 3339", "§5.8", "times in the metrics file", value="read")
def test_times_are_unix_seconds() -> None:
    # RFC 3339 §5.8's example, 1996-12-19T16:39:57-08:00 = 851042397 (computed).
    moment = datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)
    seen = parse(render(metrics(facts(now=moment, jobs=(), fars=()), [])).encode())
    assert seen["otherroof_looked_timestamp_seconds"] == [({}, 851042397.0)]
