"""What `--json` prints, described in one place: for the man page, and for whoever adds a key.

Words only. A test holds them against what the verbs print.
"""

from __future__ import annotations

from otherroof.cli.common import JSON_SCHEMA

SHAPE = (
    "With --json a verb prints one JSON object and nothing else on its standard output. Its first key is schema, the "
    f"version of all these objects' shape, now {JSON_SCHEMA}: it is raised if a key goes or comes to mean something "
    "else; keys may be added without that, so a program should pass over those that it does not know.",
    "Moments are in UTC as 2031-04-05T01:30:00Z; sizes are in bytes; what ends in _s is in seconds, in _ms in "
    "milliseconds, in _mbit in Mbit/s. null is what is not known. A path that is not UTF-8 stands escaped, and beside "
    "it its bytes in base64 under the same key with 64 at its end.",
    "What goes wrong is an object too, with the one key error beside schema: line as it would have been told, what "
    "happened, where, the advice, and exit_code, which is also the verb's own.",
)
# The keys of each verb's object, beside `schema`.
KEYS: dict[str, dict[str, str]] = {
    "check": {
        "mistakes": "file, key, wrong and right of each",
        "remarks": "the same of what is no mistake, and perhaps not meant",
        "jobs": "names of those that can be read",
        "far": "names of far boxes",
        "service": "whether one is at work, and which tables it has otherwise",
    },
    "probe": {"probes": "of each far box its checks, the headline and the exit code"},
    "run": {"runs": "the report of each"},
    "status": {
        "jobs": "how each copy stands",
        "folders": "each folder with its copies, under how many roofs, whether one is kept, and that in words",
        "far": "how each far box stands",
        "alerts": "those that stand",
        "untold": "what the next look will tell",
        "heard": "whether an alert would reach anybody",
        "looked": "when the service last looked",
        "mistakes": "in the settings, a line each",
        "unread": "jobs that are not copied for that",
        "service": "as with check",
    },
    "ledger": {"runs": "newest first", "tunnels": "each time that one was up"},
    "digest": {
        "home": "this server's name",
        "at": "when it was made",
        "since": "from when on it tells",
        "verdict": "safe, look, first or unsafe",
        "sentence": "the first one",
        "jobs": "of each its week",
        "folders": "as with status",
        "far": "of each far box its week",
        "hands": "what needs a hand, with help",
        "over": "alerts that ended",
        "uncovered": "folders beside protected ones",
        "next_due": "when the next comes",
        "deliveries": "of --send, by channel",
    },
    "quiet": {"alerts": "those that stand"},
    "alert-test": {"channels": "how each took it", "service": "as with check"},
}
