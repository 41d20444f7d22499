"""Examples of the sentences without a code: captions, trial, one-page summary, quality check.

The numbers are invented.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import SimpleNamespace

from residuekit.reprs import sentence_case
from residuekit.schema import FLAGS
from residuekit.words import caption, differences, limits, panels, quality, summary, trial

UNIT = "µg cm⁻²"
ARM = {"paint": "alkyd", "treatment": "gel", "exposure_min": 2.0, "estimate": 0.11,
       "standard_error": 0.1, "decision_limit": 0.46, "detection_limit": 0.84,
       "identification_limit": 0.98, "upper_bound": 0.36, "positive_mockups": 0, "n_mockups": 4,
       "n_blank_mockups": 6, "verdict": "not detected", "unit": "ug cm-2"}  # fmt: skip
STUDY = {"title": "A tram shelter (invented data)", "treatment": "gel", "alpha": 0.05,
         "beta": 0.05, "working_exposure_min": 2.0, "acceptance_limit_ug_cm2": 2.0,
         "acceptance_reason": "Invented.", "density_g_cm3": 1.25}  # fmt: skip


def _block() -> SimpleNamespace:
    def group(words: str, **own: object) -> SimpleNamespace:
        return SimpleNamespace(words=words, values=SimpleNamespace(size=4), verdict=None,
                               pairs=(1, 2), **own)  # fmt: skip

    arm = group("exposed 2 min")
    arm.verdict = ARM
    at = {"values": SimpleNamespace(size=256), "masked": 3, "position_unit": "um",
          "steps": (25.0, 25.0), "extent": (0.0, 400.0, 0.0, 400.0), "mockup": "E1",
          "short": "2 min"}  # fmt: skip
    one = SimpleNamespace(words="exposed 2 min", rule="the highest at the working exposure",
                          role="exposed", flags={"spike": 3}, **at)  # fmt: skip
    return SimpleNamespace(
        words="alkyd", score="net signal", maps=(one,), pixel_limit=2.47, gel=(1,), gel_factor=0.5,
        groups=(arm, group("water-only blank")), residue="gel", unit="ug cm-2",
        scored=("own 1092",), blind=("own 1092",),
        spiking=SimpleNamespace(spread_percent=5.1, k=6, loadings=(2.0, 4.0, 6.0)),
    )  # fmt: skip


def _plan() -> SimpleNamespace:
    block = _block()
    return SimpleNamespace(
        unit="ug cm-2", residues=["gel"], photo=SimpleNamespace(name="photo.png"), blocks=[block],
        lettered=[("A", block)], acceptance_limits=[2.0], scale=(-2.0, 6.0),
        left_out=(caption.arms_not_drawn(block, 3),),
        remarks=(caption.page_of(1, 2), caption.no_working_arm("2 min", [block]),
                 *caption.other_residues([{**ARM, "residue": "citrate"}, {**ARM, "residue": ""}],
                                         ["gel"])),
    )  # fmt: skip


def _candidate(**own: object) -> SimpleNamespace:
    known = {
        "treatment": "gel", "block": ("alkyd", "soot"), "standing": "no veto", "reason": "",
        "best_set": True, "residue": "not detected", "residue_arm": "gel 2 min, cleared 2 min",
        "residue_arms": 2, "residue_estimate": 0.03, "detection_limit": 0.4, "upper_bound": 0.31,
        "mockup_detection_limit": 1.0, "unit": "ug cm-2", "residue_positive": 0,
        "residue_mockups": 6, "residue_blanks": 6, "residue_share_bound": 0.39,
        "pickup": "not seen", "pickup_positive": 0, "pickup_mockups": 4, "pickup_swabs": 12,
        "pickup_share_bound": 0.53, "soil_removal_percent": 85.0, "soil_removal_sd": 3.0,
        "soil_removal_mockups": 4, "soiling_de": 15.0, "soiling_left_de": 2.2,
        "repeatability_de": 0.3, "gloss_change_gu": -0.5, "gloss_change_sd": 0.4,
        "gloss_angle": 60.0, "gloss_mockups": 4, "ease": 4.0, "ease_low": 3.0, "ease_high": 4.0,
        "ease_ratings": 4, "health_safety": 5.0, "health_safety_low": 5.0,
        "health_safety_high": 5.0, "health_safety_ratings": 4,
    }  # fmt: skip
    return SimpleNamespace(**{**known, **own})


def _trial() -> Iterator[tuple[str, str]]:
    one, vetoed = _candidate(), _candidate(
        treatment="agar", standing="vetoed", reason="pigment picked up", best_set=None,
        pickup="seen", pickup_positive=2, pickup_share_bound=0.9)  # fmt: skip
    for name, cell in trial.cells(one, 0.05).items():
        yield f"cell {name}", sentence_case(cell)
    yield "standing", sentence_case(trial.standing_words(vetoed))
    yield "key of the picture", trial.veto_words(one)
    yield "foot of the picture", trial.picture_foot(5.0, 0.05)
    yield "picture in words", trial.picture_alternative([one, vetoed])
    yield "how", " ".join(trial.HOW)
    yield "no working exposure", trial.NO_WORKING_EXPOSURE
    yield "gloss too high", sentence_case(trial.gloss_too_high("alkyd", 95.0, 60, 1.7, 91.0))
    yield "gloss angle", sentence_case(trial.gloss_angle("alkyd", 60, 85.0, 20))
    yield "gloss not at 60", sentence_case(trial.gloss_angle("alkyd", 20, float("nan"), 20))
    yield "other soiling", sentence_case(trial.other_soiling(
        ("gel", "alkyd", "soot"), [{"soiling": "none", "verdict": "not detected"}]))  # fmt: skip
    yield "no soil removal", sentence_case(trial.no_soil_removal(("gel", "alkyd", "soot"), 1, 4))


def _captions() -> Iterator[tuple[str, str]]:
    plan = _plan()
    yield "in full", caption.caption(plan, STUDY)
    yield "for a journal", caption.short_caption(plan, STUDY)
    yield "below the figure", " ".join(caption.foot({1: "own 1092"}, plan.lettered, True, True))
    yield "figure in words", caption.figure_alternative([ARM])
    for code in ("no map", "pixel positions", "overlap", "outside"):
        yield f"image not drawn: {code}", caption.photo_not_drawn(code, ("E1", "E2"))
    yield "image", f"{caption.PHOTO_MIRRORED} {caption.frames_outside(['A1'])}"
    yield (
        "calibration",
        limits.calibration_caption(
            [(("alkyd", "none", 0.0), "net signal", "ug cm-2", 6, [(2.0, [1.9, 2.0, 2.2])])], 1
        ),
    )
    yield "comparisons", panels.comparisons_caption(0.05, 6, [2.0], "ug cm-2", 1, 2)
    yield "recovery", panels.RECOVERY_CAPTION
    yield "difference maps", differences.differences_caption(4, "ug cm-2", 10)
    yield "difference in the viewer", differences.difference_layer(9, 0, 256, f"0.82 {UNIT}")


def _summary() -> Iterator[tuple[str, str]]:
    yield "question", summary.question(STUDY)
    yield "below the table", summary.below_the_table(STUDY, UNIT, 2)
    yield "caption", summary.picture_caption("2 min", [2.0], 3)
    yield "picture in words", summary.picture_alternative([ARM])
    yield "foot", summary.foot("2026-11-24 09:30 UTC", "0.1.0", "0a1b")


def _quality() -> Iterator[tuple[str, str]]:
    counts = {**dict.fromkeys(FLAGS, 0), "spike": 3, "dead": 2, "fringe": 4}
    numbers = {"fringe_period": 90.0, "fringe_thickness_um": 37.0, "fringe_amplitude": 0.01,
               "vapour_excess": 5.0, "vapour": 0.002}  # fmt: skip
    failed = quality.too_few_valid(0.4, 256, {"dead": 150})
    yield "of a map", " ".join(quality.map_sentences(
        counts, {"dead": 2}, 256, numbers, failed, 3.0))  # fmt: skip
    row = {"n_pixels": 256, "n_valid": 250, "n_spike": 3, "failed": "", "words": ["x"]}
    yield "of a run", " ".join(quality.run_sentences([row, row]))
    yield (
        "one bad channel",
        quality.bridged_channel({"wavenumber": 1092.0, "n_files": 7, "n_all": 8}),
    )
    yield "points", quality.points_only()
    taken = [{"assumed": {"quantity": "absorbance", "wavenumber": "cm-1", "position unit": "um"}}]
    yield "assumed", " ".join((*quality.assumed(taken), *quality.how_to_state(taken)))


#: Heading -> what it is called and what it prints.
TEXTS = {
    "Captions": dict(_captions()),
    "Trial": dict(_trial()),
    "One-page summary": dict(_summary()),
    "Quality check": dict(_quality()),
}
