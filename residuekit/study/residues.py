"""The residues that a study asks for: which treatments may leave which material, and its limit."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from ..calibration import Density, film_loading_ug_cm2
from ..errors import Fault, ResiduekitError, did_you_mean
from ..markers import Marker, in_deciding_order, resolve
from ..validator import Fields, Place, listed, number, text
from .measurements import Measurement

#: The acceptance limit in either unit, and what turns one into the other.
AMOUNTS: Fields = {
    "acceptance_limit_ug_cm2": number(above=0, example="0.5"),
    "acceptance_limit_nm": number(above=0, example="4"),
    "density_g_cm3": number(unit="g cm-3", least=0.1, most=25, example="1.27"),
}
#: What may stand in a table [[residue]].
RESIDUE: Fields = {
    "material": text(example='"PVA"', needed=True),
    "left_by": listed(text(), "a list of treatments", '["PVA cryogel"]', 1, needed=True),
    **AMOUNTS,
    "acceptance_reason": text(least=0, default=""),
    "use": listed(example='["pva C-O 1092"]', default=()),
}


@dataclass(frozen=True)
class Residue:
    """A material that treatments may leave, the loading that would still be accepted, its markers.

    In the short form of a study (one residue, named by its treatment) `by_treatment` is true: then
    the rows of that treatment are of the material too.
    """

    material: str
    left_by: tuple[str, ...]
    acceptance_limit: float | None
    acceptance_reason: str = ""
    markers: tuple[Marker, ...] = ()
    by_treatment: bool = False
    density: float | None = None

    def holds(self, row: Measurement) -> bool:
        """Whether a reference is of the material, or a spiked mock-up carries it."""
        return row.carried == self.material or (
            self.by_treatment and row.treatment == self.material
        )

    def record(self) -> dict[str, Any]:
        """What the record of a run says of it."""
        return {
            "material": self.material,
            "left_by": list(self.left_by),
            "acceptance_limit_ug_cm2": self.acceptance_limit,
            "density_g_cm3": self.density,
            "acceptance_reason": self.acceptance_reason,
            "markers": [marker.name for marker in self.markers],
        }


def read_residues(
    tables: Iterable[Mapping[str, Any]], place: Place
) -> tuple[tuple[Residue, ...], list[Fault]]:
    """The tables [[residue]] of study.toml, checked by `RESIDUE`, and what is wrong with them."""
    made: dict[str, Residue] = {}
    faults = []
    for k, table in enumerate(tables):
        material, markers = table.get("material", ""), tuple[Marker, ...]()
        try:
            markers = in_deciding_order(resolve(list(table["use"])))
        except ResiduekitError as problem:
            faults += [place.fault(one.found, one.needed, one.fix, "residue", k, "use")
                       for one in problem.faults]  # fmt: skip
        if material in made:
            faults.append(place.fault(
                f"a second [[residue]] of {material!r}", "one table a material",
                "both lists left_by in one table", "residue", k, "material"))  # fmt: skip
        limit, density, wrong = amounts_of(table, place, "residue", k)
        faults += wrong
        made[material] = Residue(
            material, tuple(table.get("left_by", ())), limit, table["acceptance_reason"], markers,
            density=density,
        )  # fmt: skip
    return tuple(made.values()), faults


def unreasoned(residue: Residue) -> str:
    """That an acceptance limit has no reason; empty where it has one, or there is no limit."""
    if residue.acceptance_limit is None or residue.acceptance_reason.strip():
        return ""
    return (
        f"The acceptance limit of {residue.acceptance_limit:.3g} ug cm-2 for {residue.material} "
        "has no acceptance_reason: say why so much may stay, in a line beside it."
    )


def loading_of(thickness_nm: float, density_g_cm3: float) -> float:
    """The loading in ug cm-2 of a film of this thickness."""
    return float(film_loading_ug_cm2(thickness_nm, Density(density_g_cm3, "study.toml")))


def amounts_of(
    table: Mapping[str, Any], place: Place, *where: str | int
) -> tuple[float | None, float | None, list[Fault]]:
    """The acceptance limit of a table in ug cm-2, the density, and what is wrong with them."""
    limit, thick, density = (table.get(name) for name in AMOUNTS)
    said: tuple[str, str, str] | None = None
    if limit is not None and thick is not None:
        said = ("an acceptance limit in ug cm-2 and one in nm", "one of them",
                "leave one of them out")  # fmt: skip
    elif thick is not None and density is None:
        said = ("acceptance_limit_nm without density_g_cm3", "the density of the residue",
                "density_g_cm3 = 1.27")  # fmt: skip
    elif thick is not None and density is not None:
        limit = loading_of(thick, density)
    faults = [] if said is None else [place.fault(*said, *where, "acceptance_limit_nm")]
    amount, heavy = (None if one is None else float(one) for one in (limit, density))
    return amount, heavy, faults


def short_form(
    treatment: str,
    acceptance_limit: float | None,
    acceptance_reason: str,
    markers: tuple[Marker, ...],
    rows: Iterable[Measurement],
    density: float | None = None,
) -> tuple[Residue, ...]:
    """The residues of a study that names one treatment: its own, and that of every other treatment
    that has a reference of its own."""
    listed_rows = list(rows)
    pure = {row.treatment for row in listed_rows if row.role == "reference"}
    exposed = [row.treatment for row in listed_rows if row.role == "exposed"]
    return tuple(
        Residue(name, (name,), acceptance_limit, acceptance_reason, markers, True, density)
        for name in dict.fromkeys([treatment, *(name for name in exposed if name in pure)])
    )


def residue_faults(
    residues: Iterable[Residue], rows: Iterable[Measurement], file: str
) -> Iterator[Fault]:
    """Say which treatments of the tables [[residue]] no exposed row has."""
    listed_rows = list(rows)
    exposed = {row.treatment for row in listed_rows if row.role == "exposed"}
    for residue in residues:
        for name in residue.left_by:
            known = any(row.may_be(role="exposed", treatment=name) for row in listed_rows)
            if exposed and not known:
                yield Fault(
                    f"left_by {name!r} of {residue.material!r}, which no exposed row has",
                    "treatments of exposed rows",
                    did_you_mean(name, exposed),
                    file,
                )


def residue_notes(residues: Iterable[Residue], rows: Iterable[Measurement]) -> Iterator[str]:
    """Say which exposed treatments cannot be assessed: no residue names them, or no reference."""
    listed_rows = list(rows)
    references = [row for row in listed_rows if row.role == "reference"]
    asked = {
        name: [one for one in residues if name in one.left_by]
        for name in dict.fromkeys(row.treatment for row in listed_rows if row.role == "exposed")
    }
    for name, own in asked.items():
        if not own:
            yield (
                f"No residue is named for {name!r}: its arms will be not assessable. A [[residue]] "
                f"with {name!r} in left_by, or a reference row with that treatment, mends it."
            )
    for residue in residues:
        if not any(map(residue.holds, references)):
            yield (
                f"No reference of {residue.material!r}: arms that met "
                f"{' or '.join(map(repr, residue.left_by))} will be not assessable for it. A row "
                f"of role reference with material {residue.material} mends it."
            )
