"""Telling content that looks encrypted from content that does not, by samples and by the endings of names."""

from __future__ import annotations

import os
import random
import zlib

import pytest

from otherroof.copying.home.looks_encrypted import (
    HEAD,
    LEAST,
    MOST_SAMPLES,
    EncryptionSampler,
    cannot_be_compressed,
    count_new_endings,
    has_new_ending,
)

WORDS = ("the", "quick", "brown", "fox", "jumps", "over", "a", "lazy", "dog", "seven", "wizards", "box", "liquor")


def prose(seed: int) -> bytes:
    chance = random.Random(seed)
    return " ".join(chance.choice(WORDS) for _ in range(2000)).encode()


def test_random_bytes_cannot_be_compressed_and_prose_can() -> None:
    assert all(cannot_be_compressed(os.urandom(HEAD)) for _ in range(50))
    assert all(cannot_be_compressed(os.urandom(LEAST)) for _ in range(50))
    assert not any(cannot_be_compressed(prose(seed)[:HEAD]) for seed in range(50))
    assert not any(cannot_be_compressed(prose(seed)[:LEAST]) for seed in range(50))
    assert not cannot_be_compressed(bytes(HEAD))


def test_compressed_content_looks_the_same_which_is_why_only_a_change_counts() -> None:
    big = zlib.compress(b"".join(prose(seed) for seed in range(40)), 9)
    assert cannot_be_compressed(big[100 : 100 + HEAD])


@pytest.mark.parametrize(
    ("went", "came", "said"),
    [
        (b"a/b.txt", b"a/b.txt.locked", True),
        (b"a/b.txt", b"a/b.locked", True),
        (b"a/b", b"a/b.locked", True),
        (b"a/b.txt", b"c/b.txt.locked", False),
        (b"a/b.txt", b"a/b.txt", False),
        (b"a/b.txt", b"a/c.txt", False),
        (b"a.d/b", b"a.d/c", False),
        (b".profile", b".config", False),
    ],
)
def test_a_further_or_other_ending_is_seen(went: bytes, came: bytes, said: bool) -> None:
    assert has_new_ending(went, came) is said


def test_a_million_files_cost_a_few_hundred_samples_more() -> None:
    sampler = EncryptionSampler()
    encrypted, plain = os.urandom(LEAST), bytes(LEAST)
    for place in range(100_000):
        sampler.look(encrypted if place % 4 == 0 else plain)
    seen = sampler.signs()
    assert MOST_SAMPLES < seen.sampled < MOST_SAMPLES * 10
    assert seen.endings_changed == 0, "of names it knows nothing"


def test_small_heads_say_nothing() -> None:
    sampler = EncryptionSampler()
    sampler.look(b"x" * (LEAST - 1))
    assert sampler.signs().sampled == 0


def test_the_later_files_of_a_large_change_are_looked_into_as_well() -> None:
    """Of the first 400 each, of the next 800 every second, of the next 1600 every fourth."""
    sampler, noise, dull = EncryptionSampler(), os.urandom(LEAST), bytes(LEAST)
    for number in range(7 * MOST_SAMPLES):
        sampler.look(noise if number >= MOST_SAMPLES else dull)
    assert (sampler.signs().sampled, sampler.signs().dense) == (3 * MOST_SAMPLES, 2 * MOST_SAMPLES)


def test_every_file_that_got_a_further_ending_is_counted_once() -> None:
    changes = sorted(
        [(b"a/letter.txt", False), (b"a/letter.txt.locked", True), (b"b/one.doc", False), (b"b/one.enc", True)]
    )
    assert count_new_endings(changes) == 2


def test_files_that_only_came_or_only_went_are_no_new_endings() -> None:
    assert count_new_endings([(b"a.txt", True), (b"a.txt.bak", True), (b"b.txt", False), (b"c.txt", False)]) == 0
