"""Tests for a trend over ordered exposures or ages, and a model with mock-ups and sessions."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from math import comb, nan, prod, sqrt
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


#: Below so many mock-ups the tests of Jonckheere and of Cochran and Armitage are exact.
EXACT_BELOW = 20


class Trend(NamedTuple):
    """A test statistic, its standard normal deviate, and the one-sided p-value for an increase.

    `exact` where the p-value counts labellings of the mock-ups; else it is that of z. Where nothing
    varies there is no test: z and the p-value are NaN.
    """

    statistic: float
    z: float
    p_value: float
    exact: bool = False


def jonckheere(groups: Sequence[npt.ArrayLike]) -> Trend:
    """Test whether values rise over ordered groups of independent mock-ups.

    J counts the pairs that rise from an earlier to a later group, ties as one half. Below
    `EXACT_BELOW` mock-ups the p-value is the share of all labellings with J as high or higher, ties
    kept; above, and with ties in a dozen groups or more, that of the normal approximation with the
    variance corrected for ties, without continuity correction. Source: Jonckheere, Biometrika 41
    (1954) 133; ties after Kendall, from memory.

    Parameters
    ----------
    groups : two or more arrays of one value a mock-up, in the order of exposure.

    >>> jonckheere([[1, 2, 3], [4, 5, 6]])
    Trend(statistic=9.0, z=1.9639610121239315, p_value=0.05, exact=True)
    """
    from scipy.special import ndtr

    values = [np.asarray(group, float) for group in groups]
    sizes = [group.size for group in values]
    if len(values) < 2 or 0 in sizes:
        raise ValueError(f"groups of {sizes} values; needed two or more, none empty")
    levels, level = np.unique(np.concatenate(values), return_inverse=True)
    table = np.zeros((len(values), levels.size), int)
    np.add.at(table, (np.repeat(np.arange(len(values)), sizes), level), 1)
    below = np.cumsum(np.cumsum(table, axis=0), axis=1)
    twice = sum(
        int(table[k] @ (2 * below[k - 1] - table[:k].sum(axis=0))) for k in range(1, len(values))
    )
    variance = _jonckheere_variance(table)
    if not variance > 0:
        return Trend(twice / 2, nan, nan)
    n = sum(sizes)
    z = (twice / 2 - (n**2 - sum(size**2 for size in sizes)) / 4) / sqrt(variance)
    tied = n > levels.size
    if n >= EXACT_BELOW or (tied and prod(size + 1 for size in sizes) > _MOST_STATES):
        return Trend(twice / 2, z, float(ndtr(-z)))
    packed = _ways_with_ties(sizes, table.sum(axis=0).tolist()) if tied else _ways(sizes)
    ways = _unpacked(packed)
    return Trend(twice / 2, z, sum(ways[twice:]) / sum(ways), exact=True)


def _jonckheere_variance(table: npt.NDArray[np.int64]) -> float:
    """The variance of J over all labellings, of counts (groups, levels)."""
    sizes, ties, n = table.sum(axis=1), table.sum(axis=0), np.array([table.sum()])

    def weight(k: npt.NDArray[np.int64]) -> float:
        return float(np.sum(k * (k - 1) * (2 * k + 5)))

    def pairs(k: npt.NDArray[np.int64]) -> float:
        return float(np.sum(k * (k - 1)))

    def triples(k: npt.NDArray[np.int64]) -> float:
        return float(np.sum(k * (k - 1) * (k - 2)))

    variance = (weight(n) - weight(sizes) - weight(ties)) / 72
    variance += triples(sizes) * triples(ties) / (36 * max(triples(n), 1.0))
    return variance + pairs(sizes) * pairs(ties) / (8 * pairs(n))


#: Numbers of labellings with 2 J = 0, 1, 2, ... stand in one integer, so many bits each: below 20
#: mock-ups there are fewer than 19!, which is below 2^57.
_BITS = 64
_MOST_STATES = 2**14


def _ways(sizes: Sequence[int]) -> int:
    """Labellings for each 2 J without ties: the q-multinomial coefficient, q^2 in place of q."""
    q = 1 << 2 * _BITS

    def factorial(n: int) -> int:
        return prod((q**k - 1) // (q - 1) for k in range(1, n + 1))

    return factorial(sum(sizes)) // prod(map(factorial, sizes))


def _ways_with_ties(sizes: Sequence[int], ties: Sequence[int]) -> int:
    """Labellings for each 2 J, level by level from the lowest.

    Kept between levels: the places already taken in each group -> the labellings so far.
    """
    taken: dict[tuple[int, ...], int] = {(0,) * len(sizes): 1}
    for tied in ties:
        following: dict[tuple[int, ...], int] = defaultdict(int)
        for before, ways in taken.items():
            free = [size - held for size, held in zip(sizes, before, strict=True)]
            for share, choices in _shares(free, tied):
                twice = lower = same = 0
                for held, new in zip(before, share, strict=True):
                    twice += new * (2 * lower + same)
                    lower, same = lower + held, same + new
                after = tuple(held + new for held, new in zip(before, share, strict=True))
                following[after] += (choices * ways) << (_BITS * twice)
        taken = following
    (packed,) = taken.values()
    return packed


def _unpacked(packed: int) -> list[int]:
    width = _BITS // 8
    raw = packed.to_bytes(width * (packed.bit_length() // _BITS + 1), "little")
    return [int.from_bytes(raw[k : k + width], "little") for k in range(0, len(raw), width)]


def _shares(free: Sequence[int], tied: int) -> Iterator[tuple[tuple[int, ...], int]]:
    """Each way to share `tied` mock-ups among groups with `free` places, and its choices."""
    if not free:
        if tied == 0:
            yield (), 1
        return
    for own in range(min(free[0], tied) + 1):
        for rest, choices in _shares(free[1:], tied - own):
            yield (own, *rest), choices * comb(tied, own)


def cochran_armitage(positive: npt.ArrayLike, total: npt.ArrayLike, score: npt.ArrayLike) -> Trend:
    """Test whether the share of positive mock-ups rises with a score (exposure, dose).

    `statistic` is chi-square with one degree of freedom, the square of z. Below `EXACT_BELOW`
    mock-ups the p-value is exact: the share of all choices of as many positive mock-ups whose sum
    of scores is as high or higher; above, that of z. Source: Armitage, Biometrics 11 (1955) 375;
    the exact form is the permutation test of the same sum.

    Parameters
    ----------
    positive, total, score : (k,) positives, mock-ups and score of each ordered group.

    >>> round(cochran_armitage([0, 0, 6], [4, 4, 6], [0, 1, 2]).p_value, 5)
    0.00033
    """
    from scipy.special import comb as choose
    from scipy.special import ndtr

    hits, n, x = (np.asarray(part, float) for part in (positive, total, score))
    share = hits.sum() / n.sum()
    centred = x - (n @ x) / n.sum()
    variance = share * (1 - share) * float(n @ centred**2)
    if not variance > 1e-12 * float(np.abs(x).max()) ** 2:
        return Trend(nan, nan, nan)
    found = float(centred @ hits)
    z = found / sqrt(variance)
    if n.sum() >= EXACT_BELOW:
        return Trend(z**2, z, float(ndtr(-z)))
    chosen, sums, ways = np.zeros(1), np.zeros(1), np.ones(1)
    for size, place in zip(n, centred, strict=True):
        here = np.arange(size + 1)
        chosen, sums = np.add.outer(chosen, here).ravel(), np.add.outer(sums, place * here).ravel()
        ways = np.outer(ways, choose(size, here)).ravel()
        possible = chosen <= hits.sum()
        chosen, sums, ways = chosen[possible], sums[possible], ways[possible]
    ways = np.where(chosen == hits.sum(), ways, 0.0)
    reached = sums >= found - 1e-9 * float(np.abs(centred).max())
    return Trend(z**2, z, float(ways[reached].sum() / ways.sum()), exact=True)


class MixedFit(NamedTuple):
    """Fixed effects with their covariance and Satterthwaite degrees of freedom, and variances.

    `variances` holds one value a grouping and the residual last.
    """

    effects: Floats
    covariance: Floats
    degrees_of_freedom: Floats
    variances: Floats


def mixed_model(
    y: npt.ArrayLike, fixed: npt.ArrayLike, groupings: Sequence[npt.ArrayLike]
) -> MixedFit:
    """Fit y = X b + random intercepts of each grouping (mock-up, session) + residual by REML.

    Parameters
    ----------
    y : (n,). fixed : (n, p) design. groupings : arrays (n,) of labels, crossed or nested.

    The restricted likelihood is maximised over the logarithms of the variance ratios. Degrees of
    freedom by Satterthwaite: 2 v^2 / (g' A g), with g the gradient of a coefficient's variance v in
    the variance components and A their covariance from the REML information (Fai & Cornelius
    1996). Source: Pinheiro & Bates, Mixed-Effects Models in S and S-PLUS, 2000.
    """
    from scipy.optimize import minimize

    response, design = np.asarray(y, float), np.asarray(fixed, float)
    n, p = design.shape
    blocks = []
    for labels in groupings:
        _, place = np.unique(np.asarray(labels), return_inverse=True)
        member = np.eye(place.max() + 1)[place]
        blocks.append(member @ member.T)
    kernels = [*blocks, np.eye(n)]

    def parts(variances: Floats) -> tuple[Floats, Floats, Floats, float]:
        covariance = sum(v * k for v, k in zip(variances, kernels, strict=True))
        inverse = np.linalg.inv(covariance)
        cross = inverse @ design
        of_effects = np.linalg.inv(design.T @ cross)
        projection = inverse - cross @ of_effects @ cross.T
        determinant = np.linalg.slogdet(covariance)[1] - np.linalg.slogdet(of_effects)[1]
        return of_effects, of_effects @ (cross.T @ response), projection, determinant

    scale = float(np.var(response)) or 1.0

    def loss(logs: Floats) -> float:
        ratios = np.append(np.exp(logs), 1.0)
        _, _, projection, determinant = parts(ratios)
        quadratic = float(response @ projection @ response)
        return float(determinant + (n - p) * np.log(max(quadratic, 1e-300 * scale) / (n - p)))

    starts = [np.full(len(blocks), start) for start in (-4.0, 0.0, 3.0)]
    bounds = [(-16.0, 12.0)] * len(blocks)
    fits = [minimize(loss, s, method="L-BFGS-B", bounds=bounds, tol=1e-12) for s in starts]
    best = min(fits, key=lambda fit: float(fit.fun))
    ratios = np.append(np.exp(best.x), 1.0)
    residual = float(response @ parts(ratios)[2] @ response) / (n - p)
    variances = ratios * residual
    of_effects, effects, projection, _ = parts(variances)
    inverse = np.linalg.inv(sum(v * k for v, k in zip(variances, kernels, strict=True)))
    moved = [projection @ kernel for kernel in kernels]
    information = np.array([[np.sum(a * b.T) for b in moved] for a in moved]) / 2
    spread = np.linalg.pinv(information)
    cross = inverse @ design
    gradients = np.array(
        [np.diag(of_effects @ cross.T @ kernel @ cross @ of_effects) for kernel in kernels]
    )
    uncertain = np.einsum("kp,kl,lp->p", gradients, spread, gradients)
    freedom = 2 * np.diag(of_effects) ** 2 / np.maximum(uncertain, 1e-300)
    return MixedFit(effects, of_effects, freedom, variances)


def page(table: npt.ArrayLike) -> Trend:
    """Test whether repeated measures of the same mock-ups rise: Page's L, exact for small tables.

    Source: Page, J. Am. Stat. Assoc. 58 (1963) 216; p-value by `scipy.stats.page_trend_test`. With
    two columns it is the sign test, exact, without mock-ups that did not move. Where no mock-up
    moved there is no test.

    Parameters
    ----------
    table : (n, k) values, a row a mock-up, columns in the order of exposure or age.
    """
    from scipy.stats import binomtest, page_trend_test, rankdata

    values = np.asarray(table, float)
    n, k = values.shape
    mean = n * k * (k + 1) ** 2 / 4
    variance = n * k**2 * (k + 1) ** 2 * (k - 1) / 144
    if not np.ptp(values, axis=1).any():
        return Trend(mean, nan, nan)
    if k == 2:
        statistic = float((rankdata(values, axis=1) @ [1, 2]).sum())
        steps = np.diff(values, axis=1)
        moved = int(np.count_nonzero(steps))
        rises = int((steps > 0).sum())
        p, exact = float(binomtest(rises, moved, 0.5, alternative="greater").pvalue), True
    else:
        found = page_trend_test(values)
        statistic, p = float(found.statistic), float(found.pvalue)
        exact = found.method == "exact"
    return Trend(statistic, (statistic - mean) / sqrt(variance), p, exact)


class Permutation(NamedTuple):
    """One-sided p-value for a higher mean, and the least that so few mock-ups can give."""

    p_value: float
    least_p: float
    labellings: int

    def decides(self, alpha: float = 0.05) -> bool:
        """Whether the test can fall below `alpha` at all: 3 against 3 cannot fall below 1 in 20."""
        return self.least_p <= alpha


def permutation(exposed: npt.ArrayLike, blank: npt.ArrayLike) -> Permutation:
    """Test by relabelling mock-ups whether exposed means lie above blank ones.

    Every labelling up to 20 000, else as many drawn with a fixed seed (least p-value 1 / 20 001).

    >>> permutation([4, 5, 6], [1, 2, 3])
    Permutation(p_value=0.05, least_p=0.05, labellings=20)
    """
    from scipy.stats import permutation_test

    values = [np.asarray(part, float) for part in (exposed, blank)]
    number = comb(values[0].size + values[1].size, values[0].size)
    drawn = min(number, 20_000)
    found = permutation_test(
        values,
        lambda a, b, axis: a.mean(axis=axis) - b.mean(axis=axis),
        n_resamples=drawn,
        alternative="greater",
        vectorized=True,
        rng=np.random.default_rng(0),
    )
    least = 1 / number if drawn == number else 1 / (drawn + 1)
    return Permutation(float(found.pvalue), least, number)
