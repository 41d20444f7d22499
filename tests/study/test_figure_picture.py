"""The keys of the visible image in study.toml, each fault with its line; a run that shows it."""

import json

import numpy as np
import pytest
from PIL import Image

from residuekit.errors import StudyError
from residuekit.study.inspect import check_folder
from residuekit.study.manifest import load_manifest

AFFINE = "image_affine = [0.1, 0, 5, 0, -0.1, 40]\n"


def add(study, text, picture=True):
    """Put lines under [figure] and a picture into the study."""
    settings = study.settings.read_text("utf-8")
    if "[figure]" not in settings:
        settings += "\n[figure]\n"
    study.settings.write_text(settings.replace("[figure]\n", f"[figure]\n{text}"), "utf-8")
    if picture:
        Image.fromarray(np.full((60, 90, 3), 90, np.uint8)).save(study.folder / "data/photo.png")


FAULTS = {
    'image = "data/other.png"\n' + AFFINE: "image = 'data/other.png', which is not there",
    'image = "../photo.png"\n' + AFFINE: "which is not below the study folder",
    'image = "measurements.csv"\n' + AFFINE: "which is no picture",
    'image = "data/photo.png"\n': "an image without image_affine; needed six numbers",
    'image = "data/photo.png"\nimage_affine = [1, 0, 0, 1]\n': "needed six numbers",
    'image = "data/photo.png"\nimage_affine = [1, 0, 0, 0, "a", 0]\n': "needed six numbers",
    'image = "data/photo.png"\nimage_affine = [1, 0, 0, 0, nan, 0]\n': "needed six numbers",
    'image = "data/photo.png"\nimage_affine = [1, 2, 0, 2, 4, 0]\n': "folds the stage onto a line",
    'image = "data/photo.png"\nimage_mockup = "me"\n' + AFFINE: "'me', which is no mock-up",
    "image = 3\n": "image = 3; needed a text in quotes",
    AFFINE: "image_affine without image",
    'image_mockup = "me"\n': "image_mockup without image",
}


@pytest.mark.parametrize(("text", "words"), FAULTS.items(), ids=range(len(FAULTS)))
def test_each_fault_of_the_picture_is_named_with_its_line(study, text, words):
    add(study, text)
    with pytest.raises(StudyError) as caught:
        load_manifest(study.folder)
    (fault,) = caught.value.faults
    assert words in str(fault)
    assert str(fault).startswith("study.toml, line ")
    assert study.settings.read_text("utf-8").splitlines()[fault.line - 1].startswith("image")


def test_a_run_shows_its_picture_and_pins_it(study):
    mockup = next(row["mockup"] for row in study.rows() if row["role"] == "blank")
    add(study, f'image = "data/photo.png"\n{AFFINE}')
    result = study.run()
    record = json.loads((result.folder / "figure.json").read_text(encoding="utf-8"))
    assert "data/photo.png" in result.provenance["inputs"]
    assert record["image"] is None
    assert "lie at one place of the stage" in record["remarks"][0]
    study.edit("[figure]\n", f'[figure]\nimage_mockup = "{mockup}"\n')
    assert load_manifest(study.folder).figure["image_mockup"] == mockup
    Image.fromarray(np.zeros((60, 90, 3), np.uint8)).save(study.folder / "data/photo.png")
    with pytest.raises(StudyError, match=r"data/photo\.png: found a file whose content has chang"):
        check_folder(result.folder)
