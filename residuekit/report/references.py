"""The works that the methods name: author, year, where.

Year, volume and pages as the entries of shared/references.bib, which were verified in reference
lists; not every work was read again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

REFERENCES = {
    "Armitage": "Armitage, P. (1955). Biometrics 11, 375-386.",
    "Baek 2015": "Baek, S.-J., et al. (2015). Analyst 140, 250-257.",
    "Barnes 1989": "Barnes, R. J., et al. (1989). Applied Spectroscopy 43, 772-777.",
    "Clopper and Pearson 1934": "Clopper, C. J., and Pearson, E. S. (1934). Biometrika 26, "
    "404-413.",
    "Cochran": "Cochran, W. G. (1954). Biometrics 10, 417-451.",
    "Currie 1968": "Currie, L. A. (1968). Analytical Chemistry 40, 586-593.",
    "Currie 1995": "Currie, L. A. (1995). Pure and Applied Chemistry 67, 1699-1723 (IUPAC).",
    "DIN 32645": "DIN 32645:2008-11. Chemical analysis: decision limit, detection limit and "
    "determination limit under repeatability conditions.",
    "Eilers and Boelens 2005": "Eilers, P. H. C., and Boelens, H. F. M. (2005). Report, Leiden "
    "University Medical Centre.",
    "Firth 1993": "Firth, D. (1993). Biometrika 80, 27-38.",
    "Harrick 1967": "Harrick, N. J. (1967). Internal Reflection Spectroscopy. Interscience.",
    "Hubaux and Vos 1970": "Hubaux, A., and Vos, G. (1970). Analytical Chemistry 42, 849-855.",
    "ISO 11843-2": "ISO 11843-2:2000. Capability of detection, part 2: methodology in the linear "
    "calibration case (used as in memory, without its corrigendum of 2007).",
    "Jonckheere": "Jonckheere, A. R. (1954). Biometrika 41, 133-145.",
    "Kubelka and Munk 1931": "Kubelka, P., and Munk, F. (1931). Zeitschrift für technische Physik "
    "12, 593-601.",
    "Lieber and Mahadevan-Jansen 2003": "Lieber, C. A., and Mahadevan-Jansen, A. (2003). "
    "Applied Spectroscopy 57, 1363-1367.",
    "Lorber 1986": "Lorber, A. (1986). Analytical Chemistry 58, 1167-1172.",
    "Page's": "Page, E. B. (1963). Journal of the American Statistical Association 58, 216-230.",
    "Patterson and Thompson 1971": "Patterson, H. D., and Thompson, R. (1971). Biometrika 58, "
    "545-554.",
    "Rocke and Lorenzato 1995": "Rocke, D. M., and Lorenzato, S. (1995). Technometrics 37, "
    "176-184.",
    "Ryan 1988": "Ryan, C. G., et al. (1988). Nuclear Instruments and Methods B 34, 396-402.",
    "Satterthwaite 1946": "Satterthwaite, F. E. (1946). Biometrics Bulletin 2, 110-114.",
    "Savitzky and Golay 1964": "Savitzky, A., and Golay, M. J. E. (1964). Analytical Chemistry 36, "
    "1627-1639.",
}

#: The work behind a step of the procedure, or behind one of its methods.
_STEPS: dict[tuple[str, Any], str] = {
    ("correct_baseline", "arpls"): "Baek 2015",
    ("correct_baseline", "asymmetric least squares"): "Eilers and Boelens 2005",
    ("correct_baseline", "iterated polynomial"): "Lieber and Mahadevan-Jansen 2003",
    ("correct_baseline", "snip"): "Ryan 1988",
    ("normalise", "snv"): "Barnes 1989",
    ("smooth", None): "Savitzky and Golay 1964",
    ("correct_atr_depth", None): "Harrick 1967",
    ("kubelka_munk", None): "Kubelka and Munk 1931",
}


def of_step(step: Mapping[str, Any]) -> str:
    """The work behind a step of the procedure; nothing where none is named."""
    return _STEPS.get((step["step"], step.get("method")), "")


def listed(texts: Iterable[str]) -> tuple[str, ...]:
    """The works whose short names stand in the texts, in the order of the alphabet.

    >>> listed(["Hubaux and Vos (1970), prediction band"])
    ('Hubaux, A., and Vos, G. (1970). Analytical Chemistry 42, 849-855.',)
    """
    said = " ".join(texts).replace("(", "").replace(")", "")
    return tuple(full for short, full in REFERENCES.items() if short in said)
