"""The wrong studies of `benchmarks/wrong_studies.py` are told what is wrong; the list can fail."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from wrong_studies import CELLS, FILES, SETTINGS, Wrong, judge_wrong, wrong_studies

ALL = list(wrong_studies())


def test_a_hundred_studies_are_wrong_in_ways_of_their_own():
    assert len({wrong.name for wrong in ALL}) == len(SETTINGS) + len(CELLS) + len(FILES) > 185


def test_what_settings_and_table_show_is_said(study, tmp_path):
    """The others, whose fault lies in their measured files, are asked by the script alone."""
    came = {
        wrong.name: judge_wrong(study.folder, tmp_path / "wrong", wrong, settled=True)
        for wrong in ALL
    }
    assert {name: words for name, words in came.items() if words and words[0]} == {}
    assert sum(words is not None for words in came.values()) > 140


def test_silence_and_other_words_are_counted_as_harm(study, tmp_path):
    def nothing(_folder):
        pass

    def no_table(folder):
        (folder / "measurements.csv").unlink()

    for spoil, said, harm in (
        (nothing, "no measurements.csv", True),
        (no_table, "no study.toml", True),
        (no_table, r"no measurements\.csv", False),
    ):
        came = judge_wrong(study.folder, tmp_path / "wrong", Wrong("", spoil, said))
        assert came is not None
        assert came[0] is harm
