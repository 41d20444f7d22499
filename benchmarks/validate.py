"""Judge the library's statistical claims on data whose truth is known.

    python benchmarks/validate.py [--quick | --middle | --full] [--json] [--store] [--out DIR]

Three levels: scores of mock-ups drawn from a known distribution, maps through the library's own
path, whole studies through the files and the command. Each rate stands with its binomial interval
(99 %, as nearly 300 claims are judged at once) beside what is claimed; a claim fails when the
interval does not reach it, and then the exit code is 1. Every number comes from fixed seeds. The
quick form (some three minutes on two cores) does fewer runs, so its intervals are wider and it
finds only coarse faults; the middle form takes about half an hour, the full form some hours. The
claims of a level go to the error output as soon as it is judged; `--store` keeps them as
`validated.json`.
"""

from __future__ import annotations

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # two processes share two cores
os.environ["OMP_NUM_THREADS"] = "1"

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from validation import (
    ageing_level,
    film_level,
    loads_level,
    paired_level,
    panel_level,
    score_level,
    spectral_level,
    stored,
    study_level,
)
from validation.claims import SEED, Claim, spread, table, whole

from residuekit.simulate import Scorecard, scorecard_figure


@dataclass(frozen=True)
class Size:
    """How many runs each level does: a configuration of scores, of pixels, of maps; studies by the
    command and without pictures, studies of mock-ups before and after, on panels, of two ages."""

    scores: int
    pixels: int
    maps: int
    studies: int
    plain: int
    paired: int
    panels: int
    ageing: int


QUICK = Size(scores=2_000, pixels=1_000, maps=50, studies=1, plain=2, paired=1, panels=1, ageing=1)
MIDDLE = Size(
    scores=10_000, pixels=10_000, maps=200, studies=4, plain=6, paired=4, panels=4, ageing=3
)
FULL = Size(
    scores=10_000, pixels=10_000, maps=2_000, studies=40, plain=160, paired=24, panels=24, ageing=24
)


def judge(size: Size) -> tuple[list[Claim], Scorecard]:
    """Do all three levels; the claims, and the scorecard of the studies.

    The levels fill two processes together, what takes long first, the many short runs of maps last.
    """
    spread(abs, [0])  # the processes start while there is no thread beside this one
    with ThreadPoolExecutor(16) as threads:
        card = threads.submit(study_level.run_studies, size.studies, size.plain)

        def of(run_studies: Callable[[int], Scorecard], count: int, place: str) -> Iterable[Claim]:
            return study_level.claims(run_studies(count), place)

        levels = [
            partial(whole, score_level.claims, size.scores),
            partial(whole, score_level.naive_claims, size.pixels),
            partial(whole, paired_level.claims, size.scores),
            partial(whole, panel_level.claims, size.scores),
            partial(whole, loads_level.claims, size.scores // 2),
            partial(whole, film_level.claims, size.scores // 10),
            lambda: study_level.claims(card.result()),
            partial(of, paired_level.run_studies, size.paired, "paired studies"),
            partial(of, panel_level.run_studies, size.panels, "panel studies"),
            partial(ageing_level.claims, size.ageing),
            partial(spectral_level.claims, size.maps),
        ]
        claims = []
        for found in threads.map(lambda level: list(level()), levels):
            for claim in found:
                print(claim.line(0), file=sys.stderr, flush=True)
            claims += found
    return claims, card.result()


def report(claims: Sequence[Claim], *, as_json: bool, quick: bool) -> int:
    """Print the claims and return the exit code: 1 when one of them fails."""
    failed = [claim for claim in claims if claim.holds is False]
    if as_json:
        print(json.dumps([claim.row() for claim in claims], indent=1))
        return int(bool(failed))
    print(table(claims))
    judged = sum(claim.holds is not None for claim in claims)
    print(f"\n{judged - len(failed)} of {judged} claims hold; seed {SEED}.")
    if quick:
        print("Quick form: fewer runs and wider intervals than the full form; faults may hide.")
    for claim in failed:
        print(f"FAILS: {claim.name}: {claim.value:.3g}, claimed {claim.claim}")
    return int(bool(failed))


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the form that is asked for (the quick one unless said otherwise)."""
    parser = argparse.ArgumentParser(description="Judge the statistical claims on known truth.")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--quick", action="store_true", help="fewer runs (the default)")
    form.add_argument("--middle", action="store_true", help="200 of maps a paint, 10 studies")
    form.add_argument("--full", action="store_true", help="2,000 of maps a paint, 200 studies")
    parser.add_argument("--json", action="store_true", help="one JSON list on the terminal")
    parser.add_argument("--store", action="store_true", help="keep as benchmarks/validated.json")
    parser.add_argument("--out", metavar="DIR", help="where the picture of the studies goes")
    options = parser.parse_args(arguments)
    claims, card = judge(FULL if options.full else MIDDLE if options.middle else QUICK)
    if options.store:
        stored.store(claims)
        print(stored.readme_table(json.loads(stored.STORED.read_text(encoding="utf-8"))))
    if options.out:
        out = Path(options.out)
        out.mkdir(parents=True, exist_ok=True)
        scorecard_figure(card).savefig(out / "verdicts-beside-truth.png", dpi=150)
    return report(claims, as_json=options.json, quick=not (options.full or options.middle))


if __name__ == "__main__":
    sys.exit(main())
