"""Reads the settings folder and collects every mistake instead of stopping at the first.

A mistake is a value: file, key, what is wrong, what would be right. This module knows TOML and pydantic's
error shapes, and nothing of networks or jobs in flight.
"""

from __future__ import annotations

import difflib
import os
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from otherroof.base.errors import WrongSettings, with_sudo
from otherroof.settings.alerting import AlertingSettings
from otherroof.settings.copies.names import copy_name, stem_of
from otherroof.settings.copies.one_place import at_one_place
from otherroof.settings.copies.tables import ON, boxes_of, line_of, own_steps, slips_in_own, table_for
from otherroof.settings.fields import NAME_RULE
from otherroof.settings.mistake_words import NOT_TOML, mistake_in_plain_words
from otherroof.settings.models import FarBox, Home, Job, Settings
from otherroof.settings.tunnel import conflicts_between_tunnels
from otherroof.settings.versions import Versions

MAIN_FILE = "otherroof.toml"
JOBS_FOLDER = "jobs"

M = TypeVar("M", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class Mistake:
    """One thing that is wrong in the settings; `right` may be empty if only a person can know."""

    file: str
    key: str
    wrong: str
    right: str = ""
    row: int = 0  # the number of its line in the file; 0 if that is not known

    def line(self) -> str:
        """The mistake on one line."""
        file = f"{self.file}, line {self.row}" if self.row else self.file
        place = f"{file}: {self.key}" if self.key else file
        return f"{place}: {self.wrong}" + (f"; {self.right}" if self.right else "")


@dataclass(slots=True)
class ReadableSettings:
    """The tables that could be read, each checked separately, so that one mistake does not hide the next."""

    where: str
    home: Home | None
    far: dict[str, FarBox]
    far_named: frozenset[str]
    jobs: dict[str, Job]
    mistakes: list[Mistake]
    told: AlertingSettings = field(default_factory=AlertingSettings)
    versions: Versions = field(default_factory=Versions)

    def path(self, relative: str) -> str:
        """`relative` as seen from the settings folder."""
        return os.path.normpath(os.path.join(self.where, relative))

    @property
    def state(self) -> str:
        """The state folder; where it usually lies, if the settings do not say."""
        return self.path("state" if self.home is None else self.home.state)


def read_parts(folder: str) -> ReadableSettings:
    """Everything in `folder` that can be read, with all mistakes in its text."""
    folder = os.path.abspath(folder)
    parts = ReadableSettings(folder, None, {}, frozenset(), {}, [])
    main_path = os.path.join(folder, MAIN_FILE)
    raw = _load(main_path, parts.mistakes)
    if raw is not None:
        _read_main(raw, main_path, parts)
    for path in _job_files(folder, parts.mistakes):
        for name, job in _read_jobs(path, parts.mistakes).items():
            # The main file's table holds for every job, as far as the job's own says nothing else.
            parts.jobs[name] = job.model_copy(update={"versions": job.versions.over(parts.versions)})
    if raw is not None:
        parts.mistakes += _cross_checks(parts)
    return parts


def read_settings(where: str) -> tuple[Settings | None, list[Mistake]]:
    """The settings in folder `where` and all mistakes in their text.

    None if the main file itself is at fault. Jobs that are sound are kept even if others are not, so
    that one slip does not stop every copy.
    """
    parts = read_parts(where)
    main_path = os.path.join(parts.where, MAIN_FILE)
    # A mistake in the main file may be about the far box, the limits or whom to tell: nothing can be done safely
    # without it. One in a job's file concerns that job alone.
    if parts.home is None or any(mistake.file == main_path for mistake in parts.mistakes):
        return None, parts.mistakes
    twice = at_one_place(parts.jobs, parts.far)
    jobs = {name: job for name, job in parts.jobs.items() if job.far in parts.far and name not in twice}
    folder = os.path.join(parts.where, JOBS_FOLDER)
    # A job whose only mistake is seen across files is still whole, and is kept: it is not unread.
    wrong = {_stem(mistake.file) for mistake in parts.mistakes if os.path.dirname(mistake.file) == folder}
    unread = tuple(sorted(wrong - {stem_of(name) for name in jobs}))
    settings = Settings(where=parts.where, home=parts.home, far=parts.far, jobs=jobs, told=parts.told, unread=unread)
    return settings, parts.mistakes


def require_settings(folder: str) -> Settings:
    """The settings, or WrongSettings naming the first mistake and how many there are."""
    settings, mistakes = read_settings(folder)
    if settings is None or mistakes:
        more = f" (and {len(mistakes) - 1} more)" if len(mistakes) > 1 else ""
        raise WrongSettings(mistakes[0].line() + more)
    return settings


def _load(path: str, mistakes: list[Mistake]) -> dict[str, Any] | None:
    try:
        with open(path, "rb") as file:
            # In binary: TOML is UTF-8 whatever the locale says, and `tomllib` refuses anything else.
            return tomllib.load(file)
    except FileNotFoundError:
        begin = "`otherroof pair NAME` begins one by asking, NAME being yours for the far box"
        mistakes.append(Mistake(path, "", "is not there", f"{begin}; `--config DIR` names another settings folder"))
    except NotADirectoryError:
        mistakes.append(Mistake(os.path.dirname(path), "", "is not a folder", "`--config` wants the settings folder"))
    except OSError as problem:
        mistakes.append(_unreadable(path, problem))
    except NOT_TOML as problem:
        mistakes.append(Mistake(path, "", f"is not TOML: {problem}", "a TOML 1.0 file is wanted"))
    return None


def _unreadable(path: str, problem: OSError) -> Mistake:
    return Mistake(path, "", f"cannot be read: {problem.strerror}", with_sudo("check its owner and mode"))


def _stem(path: str) -> str:
    return os.path.basename(path)[: -len(".toml")]


def _read_main(raw: dict[str, Any], path: str, parts: ReadableSettings) -> None:
    # The tables are fitted one by one, not as one model: pydantic would drop the whole file for one mistake in it, and
    # hide what is wrong in the other tables.
    known = {"home", "far", "versions", *AlertingSettings.model_fields}
    for key in raw:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
            right = f"perhaps {near[0]!r} is meant" if near else f"known here: {', '.join(sorted(known))}"
            parts.mistakes.append(Mistake(path, key, "is not a key that is known here", right))
    parts.home = _fit_table(Home, raw.get("home"), path, "home", parts.mistakes)
    tables = {key: raw[key] for key in AlertingSettings.model_fields if key in raw}
    parts.told = _fit(AlertingSettings, tables, path, parts.mistakes) or parts.told
    if "versions" in raw:
        parts.versions = _fit_table(Versions, raw["versions"], path, "versions", parts.mistakes) or parts.versions
    boxes = raw.get("far")
    if not isinstance(boxes, dict) or not boxes:
        parts.mistakes.append(Mistake(path, "far", "no far box is described", "write a table [far.NAME]"))
        return
    # Also those whose tables have mistakes: a job that names such a box is not at fault itself.
    parts.far_named = frozenset(boxes)
    for name, table in boxes.items():
        if not NAME_RULE.match(name):
            parts.mistakes.append(
                Mistake(path, f"far.{name}", "is not a usable name", "letters, digits, - and _, at most 40")
            )
        far = _fit_table(FarBox, table, path, f"far.{name}", parts.mistakes)
        if far is not None:
            parts.far[name] = far


def _fit_table(model: type[M], table: object, path: str, key: str, mistakes: list[Mistake]) -> M | None:
    if not isinstance(table, dict):
        mistakes.append(Mistake(path, key, "is missing", f"write a table [{key}]"))
        return None
    return _fit(model, table, path, mistakes, key + ".")


def job_files(where: str) -> list[str]:
    """The paths of the jobs' own files in the settings folder `where`, in order; none if it has no folder for them.
    Raises OSError if that cannot be listed."""
    folder = os.path.join(where, JOBS_FOLDER)
    try:
        names = sorted(os.listdir(folder))
    except FileNotFoundError:
        return []
    return [os.path.join(folder, name) for name in names if name.endswith(".toml") and not name.startswith(".")]


def _job_files(where: str, mistakes: list[Mistake]) -> list[str]:
    try:
        return job_files(where)
    except OSError as problem:
        mistakes.append(_unreadable(os.path.join(where, JOBS_FOLDER), problem))
        return []


def job_file(where: str, job: str) -> str:
    """The path of the file in which `job` is written, in the settings folder `where`."""
    return os.path.join(where, JOBS_FOLDER, f"{stem_of(job)}.toml")


def each_once(mistakes: Iterable[Mistake]) -> list[Mistake]:
    """What is wrong with several copies of one folder in the same way is told once."""
    return list(dict.fromkeys(mistakes))


def _read_jobs(path: str, mistakes: list[Mistake]) -> dict[str, Job]:
    """The jobs of one file, by name: one for each far box. None of them if there is a mistake in it."""
    if not NAME_RULE.match(_stem(path)):
        mistakes.append(
            Mistake(
                path,
                "",
                "the file's name is the job's name and has a letter that cannot be used",
                "letters, digits, - and _, at most 40",
            )
        )
        return {}
    raw = _load(path, mistakes)
    if raw is None:
        return {}
    found: list[Mistake] = []
    jobs = _jobs_of(raw, path, found)
    mistakes += each_once(found)
    return jobs if not found else {}


def _jobs_of(raw: dict[str, Any], path: str, mistakes: list[Mistake]) -> dict[str, Job]:
    boxes, stem, jobs = boxes_of(raw), _stem(path), {}
    if boxes is None:
        if isinstance(raw.get("far"), list):
            mistakes.append(Mistake(path, "far", "different far boxes by name are wanted", 'such as ["heron", "wren"]'))
        else:
            _fit(Job, {key: value for key, value in raw.items() if key != ON}, path, mistakes)
        return {}
    rows = _Rows(path)
    mistakes += [
        Mistake(path, ".".join(steps), wrong, right, rows.of(steps)) for steps, wrong, right in slips_in_own(raw, boxes)
    ]
    for box in boxes:
        of_this: list[Mistake] = []
        job = _fit(Job, table_for(raw, box), path, of_this)
        mistakes += [_where_written(mistake, raw, box, rows) for mistake in of_this]
        if job is not None:
            jobs[stem if len(boxes) == 1 else copy_name(stem, box)] = job
    return jobs


def _where_written(mistake: Mistake, raw: dict[str, Any], box: str, rows: _Rows) -> Mistake:
    """A mistake of the table for one box, by the key that it has in the file."""
    steps = own_steps(raw, box, mistake.key.split("."))
    return replace(mistake, key=".".join(steps), row=rows.of(steps)) if steps else mistake


class _Rows:
    """In which lines of a file its keys are; the file is read again for a mistake only."""

    def __init__(self, path: str) -> None:
        self._path = path

    def of(self, steps: Sequence[str]) -> int:
        """The number of the line with the key at `steps`, or with the table that it is in; 0 if neither is there."""
        try:
            with open(self._path, encoding="utf-8", newline="") as file:
                text = file.read()
        except (OSError, UnicodeDecodeError):
            return 0  # changed meanwhile: without the number it can be found as well
        known = (line_of(text, steps[:count]) for count in range(len(steps), 0, -1))
        return next(filter(None, known), 0)


def _fit(model: type[M], raw: dict[str, Any], path: str, mistakes: list[Mistake], above: str = "") -> M | None:
    try:
        return model.model_validate(raw)
    except ValidationError as problem:
        mistakes += [_as_mistake(path, above, model, detail) for detail in problem.errors()]
    return None


def _as_mistake(path: str, above: str, model: type[BaseModel], detail: ErrorDetails) -> Mistake:
    loc = detail["loc"]
    # `loc` is pydantic's path to the mistake. Below a choice of models it also holds the choice's tag, which nobody
    # wrote as a table: `tunnel.wireguard.port` is `tunnel.port` in the file.
    key = above + ".".join(str(step) for place, step in enumerate(loc) if not _is_union_tag(loc, place))
    kind = detail["type"]
    if kind == "extra_forbidden":
        known = _known_keys(model, detail["loc"][:-1])
        near = difflib.get_close_matches(str(detail["loc"][-1]), known, n=1, cutoff=0.5)
        return Mistake(
            path,
            key,
            "is not a key that is known here",
            f"perhaps {near[0]!r} is meant" if near else f"known here: {', '.join(sorted(known))}",
        )
    if kind == "missing":
        return Mistake(path, key, "is missing", "it has no value of its own; write one")
    if kind == "union_tag_not_found":
        kinds = [
            str(tag)
            for choice in _models_at(model, detail["loc"])
            for tag in get_args(choice.model_fields["kind"].annotation)
        ]
        return Mistake(path, key + ".kind", "is missing", f"one of these is wanted: {', '.join(kinds)}")
    wrong = mistake_in_plain_words(detail)
    if kind == "value_error":
        return Mistake(path, key, wrong)
    shown = detail["input"]
    given = f" (found {shown!r})" if isinstance(shown, str | int | float | bool) else ""
    return Mistake(path, key, wrong[:1].lower() + wrong[1:] + given)


def _is_union_tag(loc: tuple[str | int, ...], place: int) -> bool:
    # channel, its name, its kind; a channel may well be called `mail`, so only the place tells.
    if place == 2 and loc[0] == "channel":
        return loc[place] in {"mail", "webhook", "command", "journal"}
    return place > 0 and loc[place - 1] == "tunnel" and loc[place] in {"none", "wireguard", "command"}


def _known_keys(model: type[BaseModel], loc: tuple[str | int, ...]) -> list[str]:
    """The keys of the table at `loc` inside `model`; empty if it cannot be told."""
    return sorted({name for choice in _models_at(model, loc) for name in choice.model_fields})


def _models_at(model: type[BaseModel], loc: tuple[str | int, ...]) -> list[type[BaseModel]]:
    here: list[type[BaseModel]] = [model]
    for step in loc:
        # A step that leads to no model (a channel's own name, a place in a list, a tag that is taken below) stays where
        # it is.
        here = [found for choice in here for found in _step_into(choice, step)] or here
    return here


def _step_into(model: type[BaseModel], step: str | int) -> list[type[BaseModel]]:
    # The tag of a choice: only the model that has it goes on.
    for choice in _models_in(model):
        tag = choice.model_fields.get("kind")
        if tag is not None and step in get_args(tag.annotation):
            return [choice]
    field = model.model_fields.get(str(step))
    return _models_in(field) if field is not None else []


def _models_in(thing: object) -> list[type[BaseModel]]:
    if isinstance(thing, FieldInfo):
        return _models_in(thing.annotation)
    if isinstance(thing, type) and issubclass(thing, BaseModel):
        return [thing]
    return [found for part in get_args(thing) for found in _models_in(part)]


def _cross_checks(parts: ReadableSettings) -> list[Mistake]:
    main_path = os.path.join(parts.where, MAIN_FILE)
    mistakes = [Mistake(main_path, key, wrong, right) for key, wrong, right in conflicts_between_tunnels(parts.far)]
    taken: dict[tuple[str, str], str] = {}
    for name, job in parts.jobs.items():
        path = job_file(parts.where, name)
        if job.far not in parts.far_named:
            known = sorted(parts.far_named)
            near = difflib.get_close_matches(job.far, known, n=1, cutoff=0.4)
            right = f"perhaps {near[0]!r} is meant" if near else f"known: {', '.join(known) or 'none'}"
            mistakes.append(Mistake(path, "far", f"{job.far!r} is no far box in {MAIN_FILE}", right))
        # By its real path: the same folder may be reached by a link as well.
        other = taken.setdefault((os.path.realpath(job.folder), job.far), name)
        if other != name:
            mistakes.append(
                Mistake(
                    path,
                    "folder",
                    f"job {other!r} already copies {job.folder} to {job.far!r}",
                    "one job for a folder and far box; remove one of the two files",
                )
            )
    for name, other in at_one_place(parts.jobs, parts.far).items():
        box, same = parts.jobs[name].far, parts.jobs[other].far
        wrong = f"{same!r} and {box!r} are one far box: both lead to the same folder of the same machine"
        right = "take a machine in another house; one set up from an image of the other needs its own host key"
        mistakes.append(Mistake(job_file(parts.where, name), "far", wrong, right))
    return mistakes
