"""Tests for a trend over ordered exposures or ages, and a model with mock-ups and sessions."""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


class Trend(NamedTuple):
    """A test statistic, its standard normal deviate, and the one-sided p-value for an increase."""

    statistic: float
    z: float
    p_value: float


def jonckheere(groups: Sequence[npt.ArrayLike]) -> Trend:
    """Test whether values rise over ordered groups of independent mock-ups.

    J counts the pairs that rise from an earlier to a later group, ties as one half; the variance
    is corrected for ties. Normal approximation without continuity correction. Source: Jonckheere,
    Biometrika 41 (1954) 133; ties after Kendall, from memory.

    Parameters
    ----------
    groups : two or more arrays of one value a mock-up, in the order of exposure.
    """
    from scipy.special import ndtr

    values = [np.asarray(group, float) for group in groups]
    sizes = np.array([group.size for group in values])
    if len(values) < 2 or (sizes == 0).any():
        raise ValueError(f"groups of {sizes.tolist()} values; needed two or more, none empty")
    count = 0.0
    for early in range(len(values)):
        for late in range(early + 1, len(values)):
            difference = values[late][None, :] - values[early][:, None]
            count += float((difference > 0).sum() + 0.5 * (difference == 0).sum())
    n = int(sizes.sum())
    ties = np.unique(np.concatenate(values), return_counts=True)[1]

    def weight(k: npt.NDArray[np.int64] | int) -> float:
        return float(np.sum(k * (k - 1) * (2 * k + 5)))

    def pairs(k: npt.NDArray[np.int64] | int) -> float:
        return float(np.sum(k * (k - 1)))

    def triples(k: npt.NDArray[np.int64] | int) -> float:
        return float(np.sum(k * (k - 1) * (k - 2)))

    variance = (weight(n) - weight(sizes) - weight(ties)) / 72
    if n > 2:
        variance += triples(sizes) * triples(ties) / (36 * triples(n))
    variance += pairs(sizes) * pairs(ties) / (8 * pairs(n))
    mean = (n**2 - float((sizes**2).sum())) / 4
    z = (count - mean) / sqrt(variance) if variance > 0 else 0.0
    return Trend(count, z, float(ndtr(-z)))


def cochran_armitage(positive: npt.ArrayLike, total: npt.ArrayLike, score: npt.ArrayLike) -> Trend:
    """Test whether the share of positive mock-ups rises with a score (exposure, dose).

    Source: Armitage, Biometrics 11 (1955) 375; `statistic` is chi-square with one degree of
    freedom, the square of z. Asymptotic: with few mock-ups read it as a hint.

    Parameters
    ----------
    positive, total, score : (k,) positives, mock-ups and score of each ordered group.
    """
    from scipy.special import ndtr

    hits, n, x = (np.asarray(part, float) for part in (positive, total, score))
    share = hits.sum() / n.sum()
    centred = x - (n @ x) / n.sum()
    variance = share * (1 - share) * float(n @ centred**2)
    z = float(centred @ hits) / sqrt(variance) if variance > 0 else 0.0
    return Trend(z**2, z, float(ndtr(-z)))


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
    two columns it is the sign test, exact, without mock-ups that did not move.

    Parameters
    ----------
    table : (n, k) values, a row a mock-up, columns in the order of exposure or age.
    """
    from scipy.stats import binomtest, page_trend_test, rankdata

    values = np.asarray(table, float)
    n, k = values.shape
    mean = n * k * (k + 1) ** 2 / 4
    variance = n * k**2 * (k + 1) ** 2 * (k - 1) / 144
    if k == 2:
        statistic = float((rankdata(values, axis=1) @ [1, 2]).sum())
        steps = np.diff(values, axis=1)
        moved = int(np.count_nonzero(steps))
        rises = int((steps > 0).sum())
        p = float(binomtest(rises, moved, 0.5, alternative="greater").pvalue) if moved else 1.0
    else:
        found = page_trend_test(values)
        statistic, p = float(found.statistic), float(found.pvalue)
    return Trend(statistic, (statistic - mean) / sqrt(variance), p)


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
    from math import comb

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
