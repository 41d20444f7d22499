"""Judge the decision on mock-ups whose scatter is that of real spectra.

    python benchmarks/real_scatter.py [--studies N] [--seed N] [--only NAME ...] [--json]

Spectra of one kind of material, among which there is no difference, are dealt at random into blank,
exposed and spiked mock-ups, without putting back. To the spiked ones the spectrum of a gel is
added; to the exposed ones nothing, then as much as the study's own detection limit. Skew, heavy
tails and common variation are those of the real spectra; what is added is known. The data are not
part of the project (`shared/README.md` has sources); a set that is absent is left out and said.
"""

from __future__ import annotations

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # two processes share two cores

import argparse
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path
from zipfile import ZipFile

import numpy as np
import pandas as pd

import residuekit as rk
from residuekit.decision.arm import judge_values
from residuekit.decision.assessment import Rules
from residuekit.decision.controls import controls_of
from residuekit.decision.permutation import permuted_labels
from residuekit.decision.scores import scores_on
from residuekit.kernels.limit_statistics import clopper_pearson_interval
from residuekit.markers import resolve
from residuekit.simulate import gel_response

LOCAL = Path(__file__).resolve().parents[2] / "shared" / "data" / "local"
MARKERS = ("pva C-O 1092", "acetate C=O 1735")
GEL = "PVA cryogel"
#: In units of the loading at which the gel's highest band is as high as spectra scatter there.
LOADINGS = (0.5, 0.5, 1.0, 1.0, 2.0, 2.0)
#: For scores that see less.
STRONG = (2.0, 2.0, 4.0, 4.0, 8.0, 8.0)


@dataclass(frozen=True)
class Design:
    """One way of dealing a set: spectra a mock-up, kinds of score, mock-ups of each role."""

    name: str
    spectra: Callable[[], tuple[np.ndarray, np.ndarray]]
    per_mockup: int
    kinds: tuple[str, ...] = ("band", "net signal")
    n: int = 6
    m: int = 6
    loadings: tuple[float, ...] = LOADINGS


@cache
def purees() -> tuple[np.ndarray, np.ndarray]:
    """632 fruit purees by ATR (Holland, Kemsley and Wilson 1998), standardised by their archive."""
    table = pd.read_csv(LOCAL / "puree" / "spectra.csv.gz")
    return np.array(table.columns, dtype=float), table.to_numpy(dtype=float)


@cache
def oils() -> tuple[np.ndarray, np.ndarray]:
    """120 spectra of 60 olive oils by ATR (Tapp and others 2003)."""
    path = LOCAL / "oils" / "FTIR_Spectra_olive_oils.csv.gz"
    table = pd.read_csv(path, header=None, skiprows=3).to_numpy(dtype=float)
    return table[:, 0], table[:, 1:].T


@cache
def cotton() -> tuple[np.ndarray, np.ndarray]:
    """14 dyed cotton fibres by ATR (FasTEX-KCL, MIT licence), as absorbance."""
    with ZipFile(LOCAL / "fibres" / "raw_csv_subset.zip") as archive:
        names = sorted(name for name in archive.namelist() if name.startswith("Cotton"))
        tables = [pd.read_csv(archive.open(name), skiprows=2, header=None) for name in names]
    axis = tables[0][0].to_numpy(dtype=float)[::-1]
    kept = (axis > 950) & (axis < 1850)
    percent = np.array([table[1].to_numpy(dtype=float)[::-1] for table in tables])
    return axis[kept], -np.log10(percent[:, kept] / 100)


@cache
def diamond() -> tuple[np.ndarray, np.ndarray]:
    """The pixels of one map of a clean diamond (`shared/README.md`): noise and air."""
    found = rk.crop(rk.read(LOCAL / "diamond_map" / "map.nc"), low=950, high=1850)
    return found.wavenumber.values, found.values[found.valid.values].astype(float)


DESIGNS = (
    Design("purees, 3 spectra a mock-up", purees, 3),
    Design("purees, net signal alone", purees, 3, ("net signal",)),
    Design("purees, band alone, single spectra", purees, 1, ("band",), loadings=STRONG),
    Design("purees, single spectra, 12 mock-ups", purees, 1, n=12, m=12, loadings=STRONG),
    Design("oils, 3 spectra a mock-up", oils, 3),
    Design("oils, net signal alone", oils, 3, ("net signal",)),
    Design("oils, band alone", oils, 3, ("band",)),
    Design(
        "cotton fibres, band alone, single spectra",
        cotton,
        1,
        ("band",),
        4,
        4,
        (4.0, 4.0, 8.0, 8.0),
    ),
    Design("pixels of one map of diamond", diamond, 3),
)


def one_study(design: Design, seed: int) -> dict[str, object]:
    """Deal one study; what became of its clean arm, and of the same with gel at its own limit."""
    rng = np.random.default_rng(seed)
    axis, spectra = design.spectra()
    response = gel_response(GEL, axis)
    peak = int(np.argmax(response))
    unit = response * float(spectra[:, peak].std()) / response[peak]
    count = design.n + design.m + len(design.loadings)
    drawn = rng.permutation(len(spectra))[: count * design.per_mockup]
    mockups = spectra[drawn.reshape(count, design.per_mockup)]
    blanks, exposed, spiked = np.split(mockups, [design.n, design.n + design.m])
    points = partial(rk.make_points, wavenumber=axis)
    rules = Rules(acceptance_limit=1e6)
    controls = controls_of(
        [points(one) for one in blanks],
        points(unit),
        [(x, points(one + x * unit)) for x, one in zip(design.loadings, spiked, strict=True)],
    )
    scores = scores_on(controls, resolve(list(MARKERS)), rules, design.kinds)
    means = exposed.mean(axis=1)
    clean = judge_values(controls, scores, means, rules)
    numbers = clean.deciding
    limit = numbers.detection_limit
    loaded = judge_values(controls, scores, means + limit * unit, rules)
    again = loaded.deciding
    opinions = [permuted_labels(one.blanks, one.mockups).p for one in (numbers, again)]
    return {
        "score": numbers.score,
        "all blind": numbers.blindness.blind,
        "clean above": numbers.above,
        "clean detected": clean.verdict == "detected",
        "missed at own limit": not again.above,
        "detected at own limit": loaded.verdict == "detected",
        "clean, second opinion": opinions[0] <= rules.alpha,
        "own limit, second opinion": opinions[1] <= rules.alpha,
        "bound holds 0": numbers.upper_bound >= 0,
        "bound holds the limit": again.upper_bound >= limit,
        "limit": limit,
        "beyond the spikes": limit > max(design.loadings),
    }


#: What is measured, and the range it should lie in (None: told, not judged).
AIMS: dict[str, tuple[float, float] | None] = {
    "clean above": (0.0, 0.07),
    "clean detected": (0.0, 0.015),
    "missed at own limit": (0.0, 0.07),
    "bound holds 0": (0.93, 1.0),
    "bound holds the limit": (0.93, 1.0),
    "detected at own limit": None,
    "clean, second opinion": None,
    "own limit, second opinion": None,
    "beyond the spikes": None,
}


def summary(design: Design, studies: Sequence[dict[str, object]]) -> dict[str, object]:
    """The rates of one design with their 95 % intervals; blind studies apart."""
    seen = pd.DataFrame([study for study in studies if not study["all blind"]])
    row: dict[str, object] = {"set": design.name, "studies": len(studies),
                              "blind": len(studies) - len(seen)}  # fmt: skip
    for name in AIMS:
        hits = int(seen[name].sum())
        row[name] = (hits / len(seen), *map(float, clopper_pearson_interval(hits, len(seen), 0.05)))
    row["judged"] = design.per_mockup >= 3 and "net signal" in design.kinds
    row["median limit"] = float(seen["limit"].median())
    row["net signal decides"] = float((seen["score"] == "net signal").mean())
    return row


def measure(names: Sequence[str], count: int, seed: int) -> Iterator[dict[str, object]]:
    """One row a design whose data are at hand."""
    with ProcessPoolExecutor(2) as pool:
        for design in DESIGNS:
            if names and not any(name in design.name for name in names):
                continue
            try:
                design.spectra()
            except FileNotFoundError:
                print(f"{design.name}: the data are absent, left out", file=sys.stderr)
                continue
            seeds = range(seed, seed + count)
            yield summary(design, list(pool.map(partial(one_study, design), seeds, chunksize=8)))


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure every design and print a table, or JSON."""
    parser = argparse.ArgumentParser(description="Judge the decision on real scatter.")
    parser.add_argument("--studies", type=int, default=40, help="studies a design (default: 40)")
    parser.add_argument("--seed", type=int, default=1, help="of the first study (default: 1)")
    parser.add_argument("--only", action="append", default=[], help="designs whose name holds this")
    parser.add_argument("--json", action="store_true", help="one JSON list on the terminal")
    options = parser.parse_args(arguments)
    rows = []
    for row in measure(options.only, options.studies, options.seed):
        rows.append(row)
        print(line(row), file=sys.stderr, flush=True)
    if options.json:
        print(json.dumps(rows, indent=1))
    judged = [row for row in rows if row["judged"]]
    return int(any(not holds(row, name) for row in judged for name in AIMS))


def holds(row: dict[str, object], name: str) -> bool:
    """Whether the interval of a rate reaches its aim; single spectra have none."""
    aim = AIMS[name]
    _, low, high = row[name]
    return aim is None or (low <= aim[1] and high >= aim[0])


def line(row: dict[str, object]) -> str:
    """A design as one line a rate."""
    head = f"{row['set']}: {row['studies']} studies, {row['blind']} blind, "
    head += f"limit {row['median limit']:.3g}, net signal decides {row['net signal decides']:.0%}"
    rates = []
    for name, aim in AIMS.items():
        share, low, high = 100 * np.array(row[name])
        said = "" if aim is None or not row["judged"] else "holds" if holds(row, name) else "FAILS"
        rates.append(f"    {name:26s} {share:5.1f} % ({low:.1f} to {high:.1f})  {said}".rstrip())
    return "\n".join([head, *rates])


if __name__ == "__main__":
    sys.exit(main())
