"""The far box's reply: a slip, a stranger's change, another kit's reply and a mangled mail are all noticed."""

from __future__ import annotations

import subprocess
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.base.errors import WrongUse
from otherroof.pairing.reply import Reply, is_complete, make_seal, read_reply
from support.pairing import reply_text, some_host_key, some_reply, some_shared_key, some_tunnel_key
from support.quick import examples

KIT = "7764d013"
SHARED = some_shared_key()
REPLY = some_reply(KIT)
TEXT = reply_text(REPLY, SHARED)


def read(text: str) -> Reply:
    return read_reply(text, kit=KIT, shared_key=SHARED)


def test_a_reply_is_read_as_it_was_printed():
    assert read(TEXT) == REPLY


@pytest.mark.parametrize(
    "mangled",
    [
        "Hello,\n\nit worked! Here it is:\n\n" + TEXT + "\nLove, Ruth\n",
        "".join(f"> {line}\n" for line in TEXT.splitlines()),
        TEXT.replace("\n", "\r\n"),
        TEXT.replace(" ", "\n"),
        TEXT.replace("otherroof reply", "Otherroof Reply").replace("seal", "Seal"),
        "".join(f"   {line}   \n\n" for line in TEXT.splitlines()),
        TEXT[: TEXT.index("seal")] + TEXT[TEXT.index("seal") :].upper(),
        "\n".join(TEXT[at : at + 33] for at in range(0, len(TEXT), 33)),
        "".join(f"> > {TEXT[at : at + 33]}\n" for at in range(0, len(TEXT), 33)),
        f"\u201c{TEXT.strip()}\u201d, she says",
        "".join(f'"{line}"\n' for line in TEXT.splitlines()),
        "".join(f"\u2022 {line}\n" for line in TEXT.splitlines()),
        TEXT.replace("-", "\u2011").replace(" ", "\u00a0"),
        TEXT.replace("\n", "<br>\n"),
        TEXT[: TEXT.index("seal")] + TEXT[TEXT.index("seal") :].replace("-", " "),
        f"{TEXT.strip()}\nDad is well.",
        f"otherroof reply was asked for, and otherroof reply 1 is this:\n{TEXT}",
    ],
    ids=[
        "in a mail",
        "quoted",
        "line ends",
        "wrapped",
        "capitals",
        "spaced out",
        "seal in capitals",
        "wrapped within the keys",
        "wrapped within the keys and quoted twice",
        "in quote marks",
        "each line in quote marks",
        "as a list",
        "with typographer's dashes and blanks",
        "cut out of a web page",
        "seal read out and typed with blanks",
        "words after it that begin like hex digits",
        "words before it that sound like it",
    ],
)
def test_what_mail_programs_do_to_a_reply_does_no_harm(mangled):
    assert read(mangled) == REPLY


@examples(300)
@given(place=st.integers(0, len(TEXT) - 1), letter=st.sampled_from("abcdefXYZ0189+/="))
def test_no_single_slip_passes(place, letter):
    if TEXT[place].isspace() or TEXT[place] == letter:
        return
    slipped = TEXT[:place] + letter + TEXT[place + 1 :]
    try:
        read_as = read(slipped)
    except WrongUse:
        return
    assert read_as == REPLY, "a slip that is let pass must not change what is read"


@pytest.mark.parametrize("field", ["host_key", "tunnel_key"])
def test_a_stranger_cannot_put_another_key_in(field):
    other = {"host_key": some_host_key(), "tunnel_key": some_tunnel_key()}[field]
    forged = Reply(**{**{name: getattr(REPLY, name) for name in ("kit", "host_key", "tunnel_key")}, field: other})
    with pytest.raises(WrongUse, match="seal does not fit"):
        read(forged.body() + TEXT[TEXT.index("seal") :])
    with pytest.raises(WrongUse, match="seal does not fit"):
        read(reply_text(forged, "x" * 44))


def test_a_seal_that_is_only_begun_does_not_fit():
    with pytest.raises(WrongUse, match="seal does not fit"):
        read(TEXT.strip()[:-1] + "\n")
    with pytest.raises(WrongUse, match="no whole reply"):
        read(TEXT[: TEXT.index("seal")])


def test_a_reply_is_whole_with_the_last_digit_of_its_seal_and_not_before():
    last = len(TEXT.strip())
    assert [is_complete(TEXT[:end]) for end in (last - 1, last)] == [False, True]
    assert is_complete("".join(f"> {line}\n" for line in TEXT.splitlines()))
    assert is_complete(TEXT.replace("seal", "seal 0000")), "a wrong one is whole too, so that it is judged"


def test_a_reply_to_an_earlier_kit_says_so():
    with pytest.raises(WrongUse, match="kit 00000000"):
        read(reply_text(some_reply("00000000"), SHARED))


def test_a_later_format_says_so():
    with pytest.raises(WrongUse, match="format 2"):
        read(TEXT.replace("reply 1", "reply 2"))


@pytest.mark.parametrize(
    ("host_key", "tunnel_key", "said"),
    [
        ("ssh-ed25519 AAAA", some_tunnel_key(), "host key"),
        (some_host_key(), "c2hvcnQ=", "tunnel key"),
    ],
    ids=["host key", "tunnel key"],
)
def test_a_sealed_reply_without_real_keys_is_refused(host_key, tunnel_key, said):
    with pytest.raises(WrongUse, match=said):
        read(reply_text(Reply(KIT, host_key, tunnel_key), SHARED))


def test_the_seal_of_a_known_reply_is_this_one():
    """Worked out once with sha256sum; a far box that was set up years ago must still be understood."""
    body = "otherroof reply 1\nkit 7764d013\nhost-key ssh-ed25519 AAAA\ntunnel-key BBBB=\n"
    assert make_seal(body, "k" * 43 + "=") == "4ff3-bd4b-1402-b1dd-2b33"


def test_the_seal_is_the_one_that_a_shell_makes_with_sha256sum():
    """As the set-up script on the far box does it, with no program but that one."""
    script = (
        'inner=$({ printf "%s\\n" "$KEY"; printf "%s" "$BODY"; } | sha256sum | cut -c1-64)\n'
        '{ printf "%s\\n" "$KEY"; printf "%s\\n" "$inner"; } | sha256sum | cut -c1-20'
    )
    env = {"PATH": "/usr/bin:/bin", "KEY": SHARED, "BODY": REPLY.body()}
    done = subprocess.run(["sh", "-c", script], env=env, capture_output=True, text=True, check=True, timeout=20)
    assert make_seal(REPLY.body(), SHARED).replace("-", "") == done.stdout.strip()


def test_the_seal_depends_on_every_line_and_on_the_key():
    seals = {make_seal(REPLY.body(), SHARED), make_seal(REPLY.body(), "y" * 44), make_seal(REPLY.body() + "\n", SHARED)}
    assert len(seals) == 3
    assert all(len(seal) == 24 and seal.count("-") == 4 for seal in seals)


@pytest.mark.parametrize(
    "half",
    [
        "otherroof reply 1\nkit ",
        "otherroof reply 1\nkit 7764d013\nhost-key ssh-ed25519 AAAA",
        TEXT[: TEXT.index("seal")],
        "otherroof reply 1",
        "<br",
        "1",
    ],
)
def test_a_long_text_without_a_reply_is_read_in_time_that_grows_with_its_length(half: str) -> None:
    """What took a second for some pages took an hour for a thick mail."""

    def seconds(size: int) -> float:
        text = "otherroof reply " + half * (size // len(half))
        begun = time.process_time()
        with pytest.raises(WrongUse):
            read(text)
        return time.process_time() - begun

    assert seconds(1_600_000) < 8 * max(0.02, *(seconds(400_000) for _ in range(2)))


def test_a_reply_that_is_typed_after_many_other_lines_is_found_at_once() -> None:
    text, marks = "", []
    for number in range(4_001):
        if number % 500 == 0:
            marks.append(time.process_time())
        text += "and so on and on\n"
        assert not is_complete(text)
    assert marks[-1] - marks[-2] < 3 * (marks[2] - marks[1]), "a line costs as much after many as after few"
    assert is_complete(text + TEXT)
    assert read(text + TEXT) == REPLY
