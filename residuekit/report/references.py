"""The works that the methods name: author, year, where.

The details are from memory and kept short; whoever prints them checks them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

REFERENCES = {
    "Armitage": "Armitage, P. (1955). Biometrics.",
    "Baek 2015": "Baek, S.-J., et al. (2015). Analyst.",
    "Barnes 1989": "Barnes, R. J., et al. (1989). Applied Spectroscopy.",
    "Clopper and Pearson 1934": "Clopper, C. J., and Pearson, E. S. (1934). Biometrika.",
    "Cochran": "Cochran, W. G. (1954). Biometrics.",
    "Currie 1968": "Currie, L. A. (1968). Analytical Chemistry.",
    "Currie 1995": "Currie, L. A. (1995). Pure and Applied Chemistry (IUPAC).",
    "DIN 32645": "DIN 32645. Decision limit, detection limit and determination limit.",
    "Eilers and Boelens 2005": "Eilers, P. H. C., and Boelens, H. F. M. (2005). Report, Leiden.",
    "Firth 1993": "Firth, D. (1993). Biometrika.",
    "Harrick 1967": "Harrick, N. J. (1967). Internal Reflection Spectroscopy. Book.",
    "Hubaux and Vos 1970": "Hubaux, A., and Vos, G. (1970). Analytical Chemistry.",
    "ISO 11843-2": "ISO 11843-2. Capability of detection, the linear calibration case.",
    "Jonckheere": "Jonckheere, A. R. (1954). Biometrika.",
    "Kubelka and Munk 1931": "Kubelka, P., and Munk, F. (1931). Zeitschrift für technische Physik.",
    "Lieber and Mahadevan-Jansen 2003": "Lieber, C. A., and Mahadevan-Jansen, A. (2003). "
    "Applied Spectroscopy.",
    "Lorber 1986": "Lorber, A. (1986). Analytical Chemistry.",
    "Patterson and Thompson 1971": "Patterson, H. D., and Thompson, R. (1971). Biometrika.",
    "Rocke and Lorenzato 1995": "Rocke, D. M., and Lorenzato, S. (1995). Technometrics.",
    "Ryan 1988": "Ryan, C. G., et al. (1988). Nuclear Instruments and Methods B.",
    "Satterthwaite 1946": "Satterthwaite, F. E. (1946). Biometrics Bulletin.",
    "Savitzky and Golay 1964": "Savitzky, A., and Golay, M. J. E. (1964). Analytical Chemistry.",
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
    ('Hubaux, A., and Vos, G. (1970). Analytical Chemistry.',)
    """
    said = " ".join(texts).replace("(", "").replace(")", "")
    return tuple(full for short, full in REFERENCES.items() if short in said)
