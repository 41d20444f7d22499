"""What the quality check found: of one map, and of all files of a run."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence

from ..schema import FLAGS
from .common import Row, counted, number, spectra_words

Rows = Sequence[Row]


def map_sentences(
    counts: Mapping[str, int],
    removed: Mapping[str, int],
    size: int,
    numbers: Mapping[str, float],
    failed: str,
    vapour_ratio: float,
) -> Iterator[str]:
    """One sentence a flag of a map, then what it means; `removed` counts the pixels left out."""
    for name, count in counts.items():
        if not count:
            continue
        out = removed.get(name, 0)
        fate = "left out" if out == count else f"{out} of them left out" if out else "kept"
        yield f"{count} of {size} pixels {name}: {FLAGS[name][1]}; {fate}."
    if counts["fringe"]:
        yield (
            f"Fringes of {numbers['fringe_period']:.3g} cm-1 (a layer of "
            f"{numbers['fringe_thickness_um']:.3g} um), amplitude "
            f"{numbers['fringe_amplitude']:.2g}: no step removes them. Under a local line of "
            "width w they leave up to 1 - cos(pi w / period) of it."
        )
    if numbers["vapour_excess"] > vapour_ratio:
        yield (
            f"Vapour lines of {numbers['vapour']:.2g} RMS in 1800 to 1900 cm-1 of the mean, "
            f"{numbers['vapour_excess']:.1f} times its noise. Near 1735 cm-1 they are about four "
            "times as strong."
        )
    if failed:
        yield f"Not fit to be judged: {failed}."


def too_few_valid(share: float, size: int, excluded: Mapping[str, int]) -> str:
    """Why a map is not fit to be judged."""
    words = ", ".join(f"{count} {name}" for name, count in excluded.items() if count)
    return f"only {share:.0%} of {size} pixels are valid ({words})"


#: What to do about a flag that takes pixels out.
_REMEDIES = {
    "missing": "a step crop that leaves the gap out, or a new measurement",
    "dead": "measure again",
    "noisy": "measure again, or noise_ratio = 10 under [quality]",
    "spike": '{step = "despike"} in [procedure], or spike_ratio = 20 under [quality]',
    "contact": "measure again with better contact, or least_contact = 0.3 under [quality]",
    "derivative": "measure again at another place or by ATR, or most_dispersive = 1 under "
    "[quality]",
    "saturated": "a thinner sample, a crop or another marker, or saturation = 3 under [quality]",
}


def to_mend(excluded: Mapping[str, int]) -> str:
    """What to do, and to type, about the flag that took most pixels out."""
    most = max(_REMEDIES, key=lambda name: excluded.get(name, 0))
    return _REMEDIES[most] if excluded.get(most) else "measure again, or leave the file out"


def bridged_channel(channel: Row) -> str:
    """A channel that is bad in file after file, and what was done about it."""
    return (
        f"At {channel['wavenumber']:.1f} cm-1 one channel stands out in {channel['n_files']} of "
        f"{channel['n_all']} files. It is the instrument's. A straight line between its "
        "neighbours bridges it in every file."
    )


def run_sentences(rows: Rows) -> Iterator[str]:
    """How much was checked, how much was left out, what was flagged most."""
    pixels = sum(int(row["n_pixels"]) for row in rows)
    excluded = sum(int(row["n_pixels"] - row["n_valid"]) for row in rows)
    yield (
        f"{counted(len(rows), 'file')} with {spectra_words(pixels)} were checked before the "
        f"procedure. {spectra_words(excluded)} could not be used and were left out of every "
        "mean."
    )
    flags = flag_counts(rows)
    flagged = sum(any(row.get(f"n_{name}") for name in flags) for row in rows)
    remarked = sum(bool(row.get("words")) for row in rows)
    failed = sum(bool(row["failed"]) for row in rows)
    unfit = f"{failed} {'was' if failed == 1 else 'were'} not" if failed else "All were"
    yield (
        f"{counted(flagged, 'file')} had flagged spectra, {remarked} a remark. "
        f"{unfit} fit to be judged."
    )
    yield from flags_found(rows)


def flags_found(rows: Rows) -> Iterator[str]:
    """What was flagged, in how many files and pixels; nothing where nothing was."""
    listed = [
        f"{name} ({FLAGS[name][1]}): {counted(files, 'file')}, {spectra_words(pixels)}"
        for name, (files, pixels) in flag_counts(rows).items()
    ]
    if listed:
        yield f"Flags: {'; '.join(listed)}."


#: What a reader may assume -> how that is said, and by which option it is stated.
_ASSUMED = {
    "quantity": ("{}", "quantity"),
    "wavenumber": ("an axis in {}", "x_unit"),
    "position unit": ("positions in {}", ""),
}


def assumed(rows: Rows) -> Iterator[str]:
    """What files do not say and was assumed of them, each with its count of files.

    >>> [*assumed([{"assumed": {"quantity": "absorbance"}}, {}])]
    ['Not stated in the files, and assumed: absorbance (1 file).']
    """
    kinds = Counter(item for row in rows for item in row.get("assumed", {}).items())
    listed = [f"{words.format(value)} ({counted(n, 'file')})"
              for what, (words, _) in _ASSUMED.items()
              for (own, value), n in sorted(kinds.items()) if own == what]  # fmt: skip
    if listed:
        yield f"Not stated in the files, and assumed: {', '.join(listed)}."


def how_to_state(rows: Rows) -> Iterator[str]:
    """Where to type what was assumed and is known.

    >>> [*how_to_state([{"assumed": {"quantity": "absorbance"}}])]
    ['Where it is known, state quantity in study.toml below [[reading]].']
    """
    taken = {what for row in rows for what in row.get("assumed", {})}
    names = (option for what, (_, option) in _ASSUMED.items() if what in taken)
    if options := " and ".join(filter(None, names)):
        yield f"Where it is known, state {options} in study.toml below [[reading]]."


def flag_counts(rows: Rows) -> dict[str, tuple[int, int]]:
    """Each flag that was set -> in how many files and pixels."""
    counts = {name: [int(row.get(f"n_{name}") or 0) for row in rows] for name in FLAGS}
    return {name: (sum(map(bool, own)), sum(own)) for name, own in counts.items() if any(own)}


def flag_rows(rows: Rows) -> list[tuple[str, str, str, str]]:
    """The same as rows of a table: flag, meaning, files, pixels."""
    return [
        (name.replace("_", " "), FLAGS[name][1], str(files), str(pixels))
        for name, (files, pixels) in flag_counts(rows).items()
    ]


def panel_flags(flags: Mapping[str, int], masked: int, size: int) -> str:
    """What the quality check flagged on a map that is drawn.

    A pixel may carry more than one flag; one that is masked was left out of every mean.
    """
    counts = ", ".join(f"{number(count)} {name.replace('_', ' ')}" for name, count in flags.items())
    of = f"{size} pixels, {masked or 'none'} masked"
    return f"{counts} of {of}" if counts else of


def points_only() -> str:
    """That no exposed file is a map, so that the figure shows none."""
    return (
        "The exposed files hold points, no map: the figure will show spectra and no score map. If "
        "they are pixels of a map, type shape, order and start in study.toml below [[reading]]. "
        "Names with places, such as x25 y0, need none of it."
    )
