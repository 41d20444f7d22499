"""The sentences that have a code: listed in the guide as they are printed, and short."""

from __future__ import annotations

from itertools import combinations
from statistics import fmean

import pytest
from examples import FINDINGS, LIST, NOTES, examples, listed, sentences_of
from texts import TEXTS

from residuekit.words.codes import CODES
from residuekit.words.findings import HEADINGS

MOST_WORDS, LONGEST = 18, 34
#: Of texts whose numbers stand in short clauses.
MOST_WORDS_BESIDE, LONGEST_BESIDE = 14, 26


def test_the_guide_lists_every_code_with_the_sentence_that_it_makes():
    assert list(NOTES) == list(CODES)
    assert list(FINDINGS) == list(HEADINGS)
    assert LIST.read_text(encoding="utf-8") == listed(), "run python tests/words/examples.py"


def test_the_sentences_of_codes_and_findings_are_short():
    lengths = {said: len(said.split()) for _, text in examples() for said in sentences_of(text)}
    assert fmean(lengths.values()) <= MOST_WORDS
    assert max(lengths.values()) <= LONGEST, max(lengths, key=lengths.get)


@pytest.mark.parametrize("section", TEXTS)
def test_the_sentences_of_captions_trial_summary_and_quality_are_shorter_still(section):
    said = [one for text in TEXTS[section].values() for one in sentences_of(text)]
    lengths = {one: len(one.split()) for one in said}
    assert fmean(lengths.values()) <= MOST_WORDS_BESIDE
    assert max(lengths.values()) <= LONGEST_BESIDE, max(lengths, key=lengths.get)


@pytest.mark.parametrize("section", TEXTS)
def test_no_text_says_a_thing_twice(section):
    for text in TEXTS[section].values():
        said = [set(one.lower().rstrip(".").split()) for one in sentences_of(text)]
        for one, other in combinations(said, 2):
            assert min(len(one), len(other)) < 4 or not (one <= other or other <= one), text


def test_every_text_is_named_once_and_has_no_coined_or_machine_word():
    for texts in TEXTS.values():
        for name, text in texts.items():
            assert name
            assert "SimpleNamespace" not in text
            assert "nan" not in text.lower().split()


def test_a_text_is_parted_where_a_sentence_ends():
    assert sentences_of("Mean 0.5 of 4. None stood out (n = 4). Why? It is so.") == [
        "Mean 0.5 of 4.", "None stood out (n = 4).", "Why?", "It is so.",
    ]  # fmt: skip
