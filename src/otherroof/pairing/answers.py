"""What only a person can know about two houses, asked on a terminal or read from a TOML file.

Everything else is proposed by `plan`. The same rules judge an answer from either source. This module asks
through a function that is handed in, and opens the one file of answers; it knows nothing of keys or kits.
"""

from __future__ import annotations

import ipaddress
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, TypeAdapter, ValidationError, model_validator

from otherroof.base.errors import WrongUse
from otherroof.settings.fields import AbsolutePath, Address, Name, Port, Strict, Texts
from otherroof.settings.mistake_words import NOT_TOML, mistake_in_plain_words
from otherroof.settings.models import Home
from otherroof.settings.tunnel import LARGEST_MTU, LEAST_MTU

ANSWER = "answer"
CALL = "call"

_ACCOUNT_RULE = re.compile(r"[a-z][a-z0-9-]{0,23}\Z")
_CLOCK_RULE = re.compile(r"([01][0-9]|2[0-3]):[0-5][0-9]\Z")
_FOLDER_RULE = re.compile(r"[A-Za-z0-9._/+@-]+\Z")


def _networks(texts: tuple[str, ...]) -> tuple[str, ...]:
    try:
        # A router's page shows its own address with the size of the network; the network is what is meant.
        return tuple(str(ipaddress.ip_network(text, strict=False)) for text in texts)
    except ValueError as problem:
        raise ValueError(f"{problem}; a block such as 192.168.1.0/24 is wanted") from None


def _account(text: str) -> str:
    if not _ACCOUNT_RULE.match(text) or text == "root":
        raise ValueError("a name of small letters, digits and -, at most 24, is wanted; not root")
    return text


def _folder(text: str) -> str:
    if text == "/" or not _FOLDER_RULE.match(text) or "//" in text:
        raise ValueError("a folder such as /srv/otherroof is wanted, of letters, digits and . _ + @ - only")
    return text


def _one_line(text: str) -> str:
    if any(ord(letter) < 32 or ord(letter) == 127 for letter in text) or len(text) > 200:
        raise ValueError("one line of at most 200 letters is wanted")
    return " ".join(text.split())


def _clock(text: str) -> str:
    if text and not _CLOCK_RULE.match(text):
        raise ValueError("a time such as 04:30 is wanted, or nothing for never")
    return text


def _mtu(value: int) -> int:
    if value and not LEAST_MTU <= value <= LARGEST_MTU:
        raise ValueError(f"{LEAST_MTU} to {LARGEST_MTU} bytes are possible; 0 leaves it to be worked out")
    return value


def _zone(text: str) -> str:
    try:
        return Home(name="home", zone=text).zone
    except ValidationError as problem:
        raise ValueError(mistake_in_plain_words(problem.errors()[0])) from None


def _or_nothing(kind: Any) -> AfterValidator:
    """A check that accepts an empty answer, and otherwise what `kind` accepts."""
    # Built once, not for each answer: it compiles the check.
    adapter = TypeAdapter(kind)

    def check(text: str) -> str:
        try:
            return str(adapter.validate_python(text)) if text else text
        except ValidationError as problem:
            raise ValueError(mistake_in_plain_words(problem.errors()[0])) from None

    return AfterValidator(check)


Networks = Annotated[Texts, AfterValidator(_networks)]
Account = Annotated[str, AfterValidator(_account)]
Folder = Annotated[AbsolutePath, AfterValidator(_folder)]
OneLine = Annotated[str, AfterValidator(_one_line)]
ClockTime = Annotated[str, AfterValidator(_clock)]
Zone = Annotated[str, AfterValidator(_zone)]
Role = Literal["answer", "call"]
Days = Annotated[float, Field(ge=1, le=365)]


class Answers(Strict):
    """All answers. What stands below `contact` is only asked for in a file; it rarely differs from what it is here."""

    home: Annotated[str, _or_nothing(Name)] = ""
    zone: Annotated[str, _or_nothing(Zone)] = ""
    role: Role = "answer"
    own_name: Annotated[str, _or_nothing(Address)] = ""
    far_name: Annotated[str, _or_nothing(Address)] = ""
    port: Port = 51820
    home_lan: Networks
    far_lan: Networks = ()
    folder: Folder = "/srv/otherroof"
    silent_days: Days = 3
    contact: OneLine = ""
    account: Account = "otherroof"
    ssh_port: Port = 22
    tunnel_network: str = ""
    mtu: Annotated[int, AfterValidator(_mtu)] = 0
    restart_at: ClockTime = ""

    @model_validator(mode="after")
    def _callee_has_a_name(self) -> Answers:
        if self.role == ANSWER and not self.own_name:
            raise ValueError("own_name is missing: the name or address at which the far box finds home from outside")
        if self.role == CALL and not self.far_name:
            raise ValueError("far_name is missing: the name or address at which home finds the far house from outside")
        return self


@dataclass(frozen=True, slots=True)
class Question:
    """One thing to ask. `after` says, by the answers so far, whether it is asked at all."""

    field: str
    text: str
    kind: TypeAdapter[Any]
    read: Callable[[str], Any] = str
    after: Callable[[Mapping[str, Any]], bool] = lambda _answers: True


def _texts(line: str) -> tuple[str, ...]:
    return tuple(line.replace(",", " ").split())


def _calls(role: str) -> Callable[[Mapping[str, Any]], bool]:
    return lambda answers: answers["role"] == role


_HOME_QUESTIONS = (
    Question("home", "A short name for this home", TypeAdapter(Name)),
    Question("zone", "The household's time zone, such as Europe/Berlin", TypeAdapter(Zone)),
)
_QUESTIONS = (
    Question(
        "role",
        "Which house has a router where a port can be opened: home (`answer`: the far box calls here; nothing is\n"
        "changed at the relative's router) or the far house (`call`: home calls there)?",
        TypeAdapter(Role),
    ),
    Question(
        "own_name",
        "The name at which home is found from outside, usually a dynamic name",
        TypeAdapter(Address),
        after=_calls(ANSWER),
    ),
    Question(
        "far_name",
        "The name at which the far house is found from outside, usually a dynamic name",
        TypeAdapter(Address),
        after=_calls(CALL),
    ),
    Question("port", "The UDP port to open in that router", TypeAdapter(Port), read=int),
    Question(
        "home_lan",
        "The address blocks used at home, such as 192.168.1.0/24 (its router's page shows them)",
        TypeAdapter(Networks),
        read=_texts,
    ),
    Question(
        "far_lan",
        "The address blocks used in the far house (empty if nobody knows)",
        TypeAdapter(Networks),
        read=_texts,
    ),
    Question("folder", "The folder on the far box that will hold the copies", TypeAdapter(Folder)),
    Question("silent_days", "After how many days of silence is something wrong?", TypeAdapter(Days), read=float),
    Question("contact", "Whom does the relative call when that happens (name, telephone)?", TypeAdapter(OneLine)),
)


def read_answers(path: str, *, first_box: bool) -> Answers:
    """The answers in the TOML file at `path`. Raises WrongUse naming the key that is wrong."""
    try:
        with open(path, "rb") as file:
            raw = tomllib.load(file)
    except OSError as problem:
        raise WrongUse(f"cannot be read: {problem.strerror}", where=path, advice="name a file of answers") from problem
    except NOT_TOML as problem:
        raise WrongUse(f"is not TOML: {problem}", where=path, advice="a TOML 1.0 file is wanted") from problem
    return check_answers(raw, where=path, first_box=first_box)


def ask_answers(
    ask: Callable[[str, str], str], tell: Callable[[str], None], *, proposed: Mapping[str, str], first_box: bool
) -> Answers:
    """The answers that a person gives: `ask(text, default)` returns a line, `tell` says what was wrong with it."""
    answers: dict[str, Any] = {}
    for question in (_HOME_QUESTIONS if first_box else ()) + _QUESTIONS:
        if question.after(answers):
            default = proposed.get(question.field, _default_text(question.field))
            answers[question.field] = _ask_until_sound(question, default, ask, tell)
    return check_answers(answers, where="answers", first_box=first_box)


def check_answers(raw: Mapping[str, Any], *, where: str, first_box: bool) -> Answers:
    """`raw` as answers. Raises WrongUse naming the first key that is wrong."""
    try:
        answers = Answers.model_validate(raw)
    except ValidationError as problem:
        detail = problem.errors()[0]
        key = ".".join(str(step) for step in detail["loc"])
        known = ", ".join(Answers.model_fields)
        wrong = (
            "is not a key that is known here" if detail["type"] == "extra_forbidden" else mistake_in_plain_words(detail)
        )
        advice = f"known here: {known}" if detail["type"] == "extra_forbidden" else "correct it and pair again"
        raise WrongUse(f"{key}: {wrong}" if key else wrong, where=where, advice=advice) from problem
    if first_box and not (answers.home and answers.zone):
        missing = "zone" if answers.home else "home"
        raise WrongUse(
            f"{missing} is missing, and there are no settings yet that say it",
            where=where,
            advice='write `home = "NAME"` and `zone = "Europe/Berlin"`, with what is right for this household',
        )
    return answers


def _default_text(field: str) -> str:
    default = Answers.model_fields[field].get_default()
    return str(default) if isinstance(default, str | int) else ""


def _ask_until_sound(
    question: Question, default: str, ask: Callable[[str, str], str], tell: Callable[[str], None]
) -> Any:
    while True:
        line = ask(question.text, default).strip()
        try:
            return question.kind.validate_python(question.read(line))
        except ValidationError as problem:
            tell(mistake_in_plain_words(problem.errors()[0]))
        except ValueError:
            tell("a number is wanted")
