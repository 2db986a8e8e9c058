"""Both halves of pairing through the command line: what is asked, kept, written, refused, and done twice."""

from __future__ import annotations

import io
import json
import os
from pathlib import Path

import pytest
import typer

from otherroof.cli.main import main
from otherroof.pairing.kit import SECRET
from otherroof.settings import check_machine, read_parts
from otherroof.tunnel.network.routes import Route
from support.lab import toml_text
from support.pairing import ANSWERS, reply_text, some_reply


class House:
    """A settings folder, and the command line over it."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.where = folder / "settings"
        self.where.mkdir()
        self.answers = folder / "answers.toml"
        self.answer()
        self._capsys = capsys

    def answer(self, **other) -> None:
        self.answers.write_text(toml_text({**ANSWERS, **other}), encoding="utf-8")

    def run(self, *words: str) -> tuple[int, str]:
        """Exit code, and all that was said."""
        with pytest.raises(SystemExit) as left:
            main(["pair", *words, "--config", str(self.where)])
        said = self._capsys.readouterr()
        return int(left.value.code or 0), said.out + said.err

    def begin(self, far: str = "heron", *words: str) -> tuple[int, str]:
        return self.run(far, "--answers", str(self.answers), *words)

    def kit(self, far: str = "heron") -> str:
        return Path(self.where, "kits", far, "READ-ME-FIRST.txt").read_text(encoding="utf-8").split()[-1].rstrip(".")

    def finish(self, text: str, far: str = "heron") -> tuple[int, str]:
        path = self.where.parent / "reply.txt"
        path.write_text(text, encoding="utf-8")
        return self.run(far, "--finish", "--reply", str(path))

    def shared(self, far: str = "heron") -> str:
        return Path(self.where, "keys", f"{far}-shared.key").read_text(encoding="ascii").strip()

    def files(self) -> dict[str, bytes]:
        return {str(path): path.read_bytes() for path in sorted(self.where.rglob("*")) if path.is_file()}


@pytest.fixture
def house(tmp_path, capsys):
    return House(tmp_path, capsys)


def test_from_nothing_to_settings_without_a_mistake(house):
    code, said = house.begin()
    assert code == 0, said
    assert not (house.where / "otherroof.toml").exists()
    code, said = house.finish(reply_text(some_reply(house.kit()), house.shared()))
    assert code == 0, said
    parts = read_parts(str(house.where))
    assert parts.mistakes + check_machine(parts) == []
    assert parts.home is not None
    assert parts.home.zone == "America/St_Johns"


def test_what_the_settings_would_refuse_is_said_before_the_kit_is_carried_away(house, monkeypatch):
    monkeypatch.setattr("otherroof.pairing.settings_tables.BASE", "not absolute")
    code, said = house.begin()
    assert code == 2
    assert "far.heron.base" in said
    assert not (house.where / "kits").exists()
    assert not (house.where / "pairing").exists()


def test_what_comes_next_names_the_settings_folder_if_it_is_not_the_usual_one(house):
    _, said = house.begin()
    assert f"otherroof pair heron --finish --config {house.where}" in said
    _, said = house.finish(reply_text(some_reply(house.kit()), house.shared()))
    assert f"`otherroof probe heron --config {house.where}`" in said


def test_what_comes_next_is_short_where_the_settings_are_in_the_usual_place(house, monkeypatch):
    monkeypatch.setattr("otherroof.cli.pair_talk.SETTINGS_FOLDER", str(house.where))
    assert "pair heron --finish\n" in house.begin()[1]


def test_what_this_machine_lacks_is_told_before_anything_is_made(house, monkeypatch):
    lack = "this kernel has no WireGuard-protocol links; `apt install wireguard-go`"
    monkeypatch.setattr("otherroof.cli.pair_talk.lacks_for_tunnel", lambda commands: [lack])
    code, said = house.begin()
    assert code == 0
    assert said.startswith(f"mind: {lack}; without it no tunnel can come up here\n")


def test_no_secret_is_printed_or_kept_outside_its_file(house):
    said = house.begin()[1]
    secrets = {name: (house.where / "keys" / f"heron-{name}.key").read_text() for name in ("tunnel", "shared", "login")}
    for name, secret in secrets.items():
        body = secret.strip().splitlines()[len(secret.strip().splitlines()) // 2]
        assert body not in said
        held = {
            os.path.relpath(path, house.where) for path, content in house.files().items() if body.encode() in content
        }
        own = {f"keys/heron-{name}.key"}
        assert held == (own | {f"kits/heron/{SECRET}"} if name == "shared" else own)


def test_the_caution_about_an_opened_port_is_where_it_is_opened(house):
    said = " ".join(house.begin()[1].split())
    assert "Open UDP port 51820 in home's router" in said
    assert "exposed to everyone on the internet" in said
    assert f"{SECRET} in it is secret" in said


def test_beginning_twice_changes_nothing(house):
    house.begin()
    before = house.files()
    code, said = house.begin()
    assert (code, house.files()) == (0, before)
    assert "new key" not in said


def test_other_answers_make_another_kit_and_the_old_reply_no_longer_fits(house):
    house.begin()
    old, shared = house.kit(), house.shared()
    house.answer(contact="Tom")
    said = house.begin()[1]
    assert f"kit {old}, made earlier, no longer fits" in said
    assert house.shared() == shared
    code, said = house.finish(reply_text(some_reply(old), shared))
    assert code == 2
    assert house.kit() in said
    assert not (house.where / "otherroof.toml").exists()


def test_finishing_twice_with_the_same_reply_is_well_and_with_another_is_refused(house):
    house.begin()
    reply = reply_text(some_reply(house.kit()), house.shared())
    house.finish(reply)
    before = house.files()
    code, said = house.finish(reply)
    assert (code, house.files()) == (0, before)
    assert "nothing to do" in said
    code, said = house.finish(reply_text(some_reply(house.kit()), house.shared()))
    assert (code, house.files()) == (2, before)
    assert "says something else" in said


class Typed(io.StringIO):
    """A terminal at which somebody types."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("kind", [io.StringIO, Typed])
def test_a_reply_can_be_pasted_and_ends_with_its_seal(house, monkeypatch, kind):
    house.begin()
    typed = kind(
        "Hello,\n" + reply_text(some_reply(house.kit()), house.shared()) + "what comes after is not waited for\n"
    )
    monkeypatch.setattr("sys.stdin", typed)
    code, said = house.run("heron", "--finish")
    assert code == 0, said
    assert "heron" in read_parts(str(house.where)).far
    assert (typed.read() != "") == (kind is Typed)


def test_pasting_ends_also_where_a_mail_program_quoted_and_broke_the_reply(house, monkeypatch):
    house.begin()
    reply = reply_text(some_reply(house.kit()), house.shared()).strip()
    typed = Typed("".join(f"> {reply[at : at + 60]}\n" for at in range(0, len(reply), 60)) + "what comes after\n")
    monkeypatch.setattr("sys.stdin", typed)
    code, said = house.run("heron", "--finish")
    assert code == 0, said
    assert typed.read() == "what comes after\n"


def test_options_that_do_not_belong_together_are_refused(house):
    for words in (["--reply", "x"], ["--finish", "--answers", "x"], ["--finish", "--kit", "x"]):
        assert house.run("heron", *words)[0] == 2
    assert house.files() == {}


class TestAsked:
    """At a terminal: what was answered before is proposed, and leaving in the middle leaves nothing."""

    @pytest.fixture
    def asked(self, house, monkeypatch):
        """Every question with what is proposed; the answers are taken from `says`, else what is proposed."""
        heard: list[tuple[str, str]] = []
        says: dict[str, str] = {}
        monkeypatch.setattr("sys.stdin", Typed())

        def prompt(text: str, *, default: str, **_: object) -> str:
            heard.append((text, default))
            answer = next((answer for part, answer in says.items() if part in text), default)
            if answer == "Ctrl-C":
                raise typer.Abort
            return answer

        monkeypatch.setattr("typer.prompt", prompt)
        monkeypatch.setattr("otherroof.cli.pair_talk.outside_address", lambda gateway: "")
        return heard, says

    def test_a_second_time_proposes_what_was_answered_the_first(self, house, asked):
        heard, _ = asked
        house.begin()
        code, said = house.run("heron")
        assert code == 0, said
        proposed = {text.split(",")[0]: default for text, default in heard}
        assert proposed["A short name for this home"] == "larch"
        assert proposed["The name at which home is found from outside"] == "larch.example.net"
        assert proposed["Whom does the relative call when that happens (name"] == ANSWERS["contact"]
        assert "should have said yes before you go on" in said

    def test_leaving_in_the_middle_writes_nothing_and_says_so(self, house, asked):
        _, says = asked
        says |= {"short name": "larch", "found from outside": "Ctrl-C"}
        code, said = house.run("heron")
        assert code == 130
        assert said.endswith("otherroof: interrupted\n")
        assert "next run" not in said
        assert house.files() == {}

    def test_a_router_that_cannot_be_called_is_told_before_the_first_question(self, house, asked, monkeypatch):
        _, says = asked
        says |= {"short name": "Ctrl-C"}
        monkeypatch.setattr("otherroof.cli.pair_talk.outside_address", lambda gateway: "100.64.3.3")
        monkeypatch.setattr("otherroof.cli.pair_talk.default_route", lambda commands: Route("lo", "127.0.0.1"))
        assert "no port can be forwarded from it" in house.run("heron")[1]


def test_a_reply_file_that_is_not_there_is_named(house):
    house.begin()
    code, said = house.run("heron", "--finish", "--reply", str(house.where / "nowhere.txt"))
    assert code == 2
    assert "nowhere.txt: cannot be read" in said


def test_a_reply_with_a_slip_writes_nothing(house):
    house.begin()
    before = house.files()
    reply = reply_text(some_reply(house.kit()), house.shared())
    code, said = house.finish(reply[:-2] + ("0" if reply[-2] != "0" else "1") + "\n")
    assert (code, house.files()) == (2, before)
    assert "seal does not fit" in said


def test_finishing_what_was_not_begun_says_how_to_begin(house):
    code, said = house.finish("anything")
    assert code == 2
    assert "otherroof pair heron" in said


def test_a_paired_box_is_not_paired_over(house):
    house.begin()
    house.finish(reply_text(some_reply(house.kit()), house.shared()))
    before = house.files()
    code, said = house.begin()
    assert (code, house.files()) == (2, before)
    assert "is in the settings already" in said


def test_a_second_far_box_gets_its_own_port_network_interface_and_keys(house):
    house.begin()
    house.finish(reply_text(some_reply(house.kit()), house.shared()))
    house.answer(home="", zone="")
    code, said = house.begin("wren")
    assert code == 2
    assert "51821" in said
    house.answer(home="", zone="", port=51821)
    assert house.begin("wren")[0] == 0
    code, said = house.finish(reply_text(some_reply(house.kit("wren")), house.shared("wren")), "wren")
    assert code == 0, said
    parts = read_parts(str(house.where))
    assert parts.mistakes + check_machine(parts) == []
    heron, wren = (parts.far[name].tunnel for name in ("heron", "wren"))
    assert heron.own_address != wren.own_address
    assert heron.interface != wren.interface
    assert house.shared() != house.shared("wren")


def test_two_boxes_that_both_wait_do_not_get_the_same_port(house):
    house.begin()
    code, said = house.begin("wren")
    assert code == 2
    assert "port 51820 already" in said


def test_settings_with_a_mistake_are_not_built_upon(house):
    (house.where / "otherroof.toml").write_text("[home]\nname = 'larch'\nzone = 'Mars'\n", encoding="utf-8")
    code, said = house.begin()
    assert code == 2
    assert "home.zone" in said


def test_home_s_name_is_taken_from_settings_that_stand(house):
    (house.where / "otherroof.toml").write_text(
        "# ours\n[home]\nname = 'rowan'\nzone = 'America/St_Johns'\n", encoding="utf-8"
    )
    assert house.begin()[0] == 0
    record = json.loads((house.where / "pairing" / "heron.json").read_text(encoding="utf-8"))
    assert record["plan"]["home"] == "rowan"
    house.finish(reply_text(some_reply(house.kit()), house.shared()))
    assert (house.where / "otherroof.toml").read_text(encoding="utf-8").startswith("# ours\n[home]\nname = 'rowan'\n")


@pytest.mark.parametrize("name", ["../up", "a b", "", "-x"])
def test_a_name_that_cannot_be_is_refused(house, name):
    before = house.files()
    code, _ = house.run("--answers", str(house.answers), "--", name)
    assert (code, house.files()) == (2, before)


def test_a_record_that_cannot_be_understood_is_named(house):
    (house.where / "pairing").mkdir()
    (house.where / "pairing" / "heron.json").write_text("{}", encoding="utf-8")
    code, said = house.begin()
    assert code == 2
    assert "heron.json" in said


def test_without_a_terminal_and_without_answers_nothing_is_guessed(house, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO())
    code, said = house.run("heron")
    assert code == 2
    assert "--answers" in said
    assert house.files() == {}
