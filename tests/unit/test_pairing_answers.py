"""Answers: a wrong one is named and asked again, nothing that a shell could trip over is taken."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from otherroof.base.errors import WrongUse
from otherroof.pairing.answers import Answers, ask_answers, check_answers, read_answers
from support.pairing import ANSWERS, some_answers


def refused(**other) -> str:
    with pytest.raises(WrongUse) as caught:
        some_answers(**other)
    return str(caught.value)


@pytest.mark.parametrize(
    ("key", "wrong"),
    [
        ("folder", "/srv/with space"),
        ("folder", "/srv/$(reboot)"),
        ("folder", "srv"),
        ("folder", "/"),
        ("folder", "/srv/../etc"),
        ("account", "root"),
        ("account", "Upper"),
        ("account", "a;b"),
        ("account", "-rf"),
        ("own_name", "name;reboot"),
        ("own_name", "-oProxyCommand"),
        ("contact", "two\nlines"),
        ("contact", "x" * 201),
        ("port", 0),
        ("port", 70000),
        ("home_lan", ["192.168.1.0/33"]),
        ("home_lan", ["home"]),
        ("role", "both"),
        ("silent_days", 0),
        ("restart_at", "25:00"),
        ("mtu", 900),
        ("zone", "Mars/Olympus"),
        ("home", "a home"),
    ],
)
def test_what_cannot_be_is_refused_by_name(key, wrong):
    said = refused(**{key: wrong})
    assert re.match(rf"answers: {key}(\.\d+)?: ", said), said
    assert not any(word in said for word in ("nput should", "valid", "function", "literal"))


def test_an_unknown_key_is_refused_with_those_that_exist():
    said = refused(adress="x")
    assert "adress" in said
    assert "own_name" in said


def test_who_is_called_must_have_a_name():
    assert "own_name" in refused(own_name="")
    assert "far_name" in refused(role="call")
    assert some_answers(role="call", own_name="", far_name="heron.example.net").far_name == "heron.example.net"


def test_the_router_s_own_address_stands_for_its_network():
    assert some_answers(home_lan=["192.168.71.1/24"]).home_lan == ("192.168.71.0/24",)


def test_a_first_box_needs_home_s_name_and_zone():
    for missing in ("home", "zone"):
        with pytest.raises(WrongUse, match=missing):
            check_answers({**ANSWERS, missing: ""}, where="answers", first_box=True)
    assert check_answers(ANSWERS, where="answers", first_box=True).zone == "America/St_Johns"


def test_a_file_is_named_when_it_is_not_there_or_not_toml(tmp_path):
    path = tmp_path / "answers.toml"
    with pytest.raises(WrongUse, match=r"answers\.toml: cannot be read"):
        read_answers(str(path), first_box=False)
    path.write_text("home_lan = [", encoding="utf-8")
    with pytest.raises(WrongUse, match=r"answers\.toml: is not TOML"):
        read_answers(str(path), first_box=False)


class Person:
    """Answers from a list, and remembers what was asked and told."""

    def __init__(self, **says: list[str] | str) -> None:
        self.says = {key: [value] if isinstance(value, str) else list(value) for key, value in says.items()}
        self.asked: list[str] = []
        self.told: list[str] = []

    def ask(self, text: str, default: str) -> str:
        self.asked.append(text)
        for part, lines in self.says.items():
            if part.replace("_", " ") in text and lines:
                return lines.pop(0)
        return default


def test_a_wrong_answer_is_asked_again_with_the_reason():
    person = Person(found_from_outside=["not a name!", "larch.example.net"], UDP_port=["many", "0", "51821"])
    answers = ask_answers(
        person.ask, person.told.append, proposed={"home_lan": "192.168.71.0/24, 10.9.0.0/24"}, first_box=False
    )
    assert answers.own_name == "larch.example.net"
    assert answers.port == 51821
    assert answers.home_lan == ("192.168.71.0/24", "10.9.0.0/24")
    assert len(person.told) == 3
    assert "a number is wanted" in person.told


def test_only_what_the_role_needs_is_asked():
    person = Person(Which_house="call", far_house_is_found="heron.example.net")
    answers = ask_answers(person.ask, person.told.append, proposed={}, first_box=False)
    assert (answers.role, answers.far_name) == ("call", "heron.example.net")
    assert not any("home is found" in text for text in person.asked)
    assert not any("time zone" in text for text in person.asked)


def test_the_first_box_is_asked_for_home_too():
    person = Person(short_name="larch", time_zone=["Mars", "America/St_Johns"], home_is_found="larch.example.net")
    answers = ask_answers(person.ask, person.told.append, proposed={}, first_box=True)
    assert (answers.home, answers.zone) == ("larch", "America/St_Johns")
    assert "not a time zone" in person.told[0]


def test_the_example_is_sound_and_its_commented_lines_are_too(tmp_path):
    example = Path(__file__).parents[2] / "examples" / "pair-answers.toml"
    assert read_answers(str(example), first_box=True).contact == "Ruth, 555 0134"
    lines = example.read_text(encoding="utf-8").splitlines(keepends=True)
    text = "".join(line.removeprefix("# ") if " = " in line else line for line in lines)
    everything = tmp_path / "everything.toml"
    everything.write_text(text, encoding="utf-8")
    assert set(read_answers(str(everything), first_box=True).model_fields_set) == set(Answers.model_fields)
