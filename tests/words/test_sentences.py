"""The sentences that have a code: listed in the guide as they are printed, and short."""

from __future__ import annotations

from statistics import fmean

from examples import FINDINGS, LIST, NOTES, examples, listed, sentences_of

from residuekit.words.codes import CODES
from residuekit.words.findings import HEADINGS

MOST_WORDS, LONGEST = 18, 34


def test_the_guide_lists_every_code_with_the_sentence_that_it_makes():
    assert list(NOTES) == list(CODES)
    assert list(FINDINGS) == list(HEADINGS)
    assert LIST.read_text(encoding="utf-8") == listed(), "run python tests/words/examples.py"


def test_the_sentences_of_codes_and_findings_are_short():
    lengths = {said: len(said.split()) for _, text in examples() for said in sentences_of(text)}
    assert fmean(lengths.values()) <= MOST_WORDS
    assert max(lengths.values()) <= LONGEST, max(lengths, key=lengths.get)


def test_a_text_is_parted_where_a_sentence_ends():
    assert sentences_of("Mean 0.5 of 4. None stood out (n = 4). Why? It is so.") == [
        "Mean 0.5 of 4.", "None stood out (n = 4).", "Why?", "It is so.",
    ]  # fmt: skip
