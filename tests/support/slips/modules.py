"""The modules in which a slip can lose data, send a secret or leave an alert unsaid, and their tables of slips."""

from __future__ import annotations

from pathlib import Path

MODULES: tuple[str, ...] = (
    *(f"layouts/open/{n}.py" for n in ("steps", "aside", "writer", "job_folder", "keeper", "reader", "remover")),
    *(f"layouts/open/{n}.py" for n in ("walk", "paths", "mender")),
    *(f"copying/{n}.py" for n in ("commit", "run", "other_server", "reconnect")),
    *(f"copying/send/{n}.py" for n in ("far_syncs", "files", "known_content", "landed", "large_files", "lost_folders")),
    *(f"copying/send/{n}.py" for n in ("own_secrets", "pieces", "send", "settling", "stream", "sync_pace")),
    "copying/send/under_way.py",
    *(f"copying/compare/{n}.py" for n in ("catalogue", "catalogue_repair", "change", "compare", "doubts")),
    *(f"copying/compare/{n}.py" for n in ("find_changes", "fold", "guard", "half_sent", "hard_links")),
    *(f"copying/compare/{n}.py" for n in ("held_content", "plan", "plan_file")),
    *(f"copying/home/{n}.py" for n in ("scan", "read", "chunks", "chunk_lists", "leave_out", "looks_encrypted")),
    *(f"restore/{n}.py" for n in ("dated", "local_file", "missed_files", "properties", "restore", "selection")),
    *(f"restore/{n}.py" for n in ("finding/choosing", "survey", "target", "versions")),
    *(f"restore/proving/{n}.py" for n in ("choice", "heal", "home_file", "own_word", "prove", "read_back", "shelves")),
    *(f"restore/proving/{n}.py" for n in ("parts", "strangers", "turns")),
    *(f"restore/drilling/{n}.py" for n in ("choice", "compare", "part")),
    *(f"restore/thinning/{n}.py" for n in ("changes", "held_names", "objections", "removal", "rule", "stretches")),
    "restore/thinning/two_steps.py",
    *(f"jobs/{n}.py" for n in ("commands", "drill", "drill_folder", "locks", "open_job", "own_files", "proof_memory")),
    *(f"jobs/{n}.py" for n in ("planning/measure_line", "prove", "restore", "run", "stop_sign")),
    *("jobs/thinning/standing_runs.py", "jobs/thinning/thin.py"),
    *(f"far/sftp/{n}.py" for n in ("codec", "channel", "place", "queues", "streams")),
    *(f"far/{n}.py" for n in ("allowance", "courtesy", "pacing", "requests", "round_trips", "session")),
    *(f"far_copy/{n}.py" for n in ("listing", "entry", "listing_key", "numbers", "keeper")),
    *(f"watch/{n}.py" for n in ("facts", "way_rules", "drills", "proved")),
    *(f"watch/{n}.py" for n in ("rules", "look", "messages", "sending", "alert_steps", "gather", "unusual")),
    *(f"ledger/{n}.py" for n in ("alerts", "database", "far_findings", "file", "job_times", "last_look", "messages")),
    *(f"ledger/{n}.py" for n in ("probes", "runs", "soundness", "proofs", "keeping")),
    *(f"ledger/live/{n}.py" for n in ("live_run", "live_runs", "small_file", "wishes")),
    *("jobs/under_way/announce.py", "cli/copy/follow.py", "cli/sheet_talk.py", "pairing/key_files.py"),
    *(f"pairing/sheet/{n}.py" for n in ("carried", "collect", "letters", "take")),
    *("watch/sheet/printed.py", "watch/sheet/rule.py", "watch/digest/verdict.py", "watch/first_copy.py"),
    *(f"watch/channels/{n}.py" for n in ("build", "command", "journal", "mail", "secrets", "webhook")),
    *(f"schedule/{n}.py" for n in ("chores", "drills", "job_runner", "last_resort", "month_room", "proofs", "records")),
    *(f"schedule/{n}.py" for n in ("service_loop", "thin_chore")),
    *(
        "schedule/due.py",
        "schedule/job_window.py",
        "schedule/plan.py",
        "settings/windows.py",
        "settings/crontab.py",
        "settings/promises.py",
    ),
    *(f"settings/{n}.py" for n in ("last_good", "machine_checks", "models")),
    *(
        "settings/copies/one_place.py",
        "settings/copies/roofs.py",
        "settings/copies/tables.py",
        "ledger/copies/renamed.py",
    ),
    *(f"jobs/copies/{n}.py" for n in ("histories", "mixing", "nearest")),
    *(f"far/local/{n}.py" for n in ("disk", "disk_place", "disk_trouble", "place")),
    *(f"jobs/carried/{n}.py" for n in ("disk", "fits", "hand_over", "known", "landed", "onto")),
    *(f"forecast/planning/{n}.py" for n in ("coming_back", "copy_time", "far_disk", "first", "nightly")),
    *(f"forecast/planning/{n}.py" for n in ("open_hours", "packets", "spacing")),
    *("restore/elsewhere.py", "watch/copies/together.py"),
    *("forecast/trend.py", "tunnel/network/address_plan.py", "tunnel/network/routes.py"),
    *("tunnel/firewall.py", "tunnel/keys.py"),
    *("base/atomic_file.py", "base/locks.py", "base/time_limit.py", "base/units.py", "base/local_time.py"),
)

# Old text, new text, what it would do to people, why no test has to notice it, which tests are likely to.
Row = tuple[str, str, str, str, str]
MARKS = {"!": 2, "-": 0, "+": 1, "?": 3, "=": 4}  # which of a row's texts a line of a table belongs to


def tables() -> dict[str, list[Row]]:
    """The slips by hand, by module. Raises ValueError at a line that is none of a table."""
    found: dict[str, list[Row]] = {}
    for file in sorted((Path(__file__).parent / "by_hand").glob("*.txt")):
        rows: list[list[list[str]]] = []
        module = ""
        for line in [*file.read_text(encoding="utf-8").splitlines(), "== "]:
            mark, text = line[:1], line[2:]
            if line.startswith("== "):
                found.setdefault(module, []).extend(_as_row(row) for row in rows)
                module, rows = text.strip(" ="), []
            elif mark in MARKS:
                if mark == "!":
                    rows.append([[] for _ in MARKS])
                rows[-1][MARKS[mark]].append(text)
            elif line and not line.startswith("# "):
                raise ValueError(f"{file.name}: {line!r} is no line of a table")
    found.pop("", None)
    return found


def _as_row(row: list[list[str]]) -> Row:
    old, new, what, why_not, likely = ("\n".join(lines) for lines in row)
    return old, new, what, why_not.replace("\n", " "), likely
