"""The visible image: where the frames lie, which way round it stands, what is refused."""

import numpy as np
import pytest
from made_run import make_photo_run
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from residuekit.errors import ContractError, ReadError
from residuekit.figures.contents import plan_figure
from residuekit.figures.residue import draw
from residuekit.figures.stage_panel import Frame, Photo, draw_photo, image_corners
from residuekit.io.image_file import open_picture

GREY = np.full((420, 900, 3), 128, np.uint8)
AFFINE = [0.1, 0, 20, 0, -0.1, 400]


def run(folder, picture=GREY, affine=AFFINE, **options):
    settings = {"image_affine": list(affine), **options.pop("settings", {})}
    return make_photo_run(folder, picture, settings, **{"apart": True, **options})


def test_the_frame_lies_on_what_the_stage_has_there():
    """A white field of 30 columns and 20 rows, its middle 60 right and 15 above the picture's
    lower left corner; the stage turned by a right angle against the picture."""
    picture = np.zeros((100, 150, 3), np.uint8)
    picture[75:95, 45:75] = 255
    # Stage x runs up the picture, y to the left: column = 99.5 - y / 2, row = 114.5 - x / 2.
    corners = image_corners([0, -0.5, 99.5, -0.5, 0, 114.5], (40, 80, 50, 110))
    assert corners.min(axis=0).tolist() == [44.5, 74.5]
    assert corners.max(axis=0).tolist() == [74.5, 94.5]
    photo = Photo("p", picture, (100, 150), 2.0, (Frame("A1", "", "", corners),), False)
    figure = Figure(figsize=(3, 2), dpi=100, facecolor="black")
    canvas = FigureCanvasAgg(figure)
    ax = draw_photo(figure.add_axes((0, 0.1, 1, 0.9)), photo, 76.2)
    canvas.draw()
    drawn = np.asarray(canvas.buffer_rgba())[..., :3].mean(axis=-1)
    inside = ax.transData.transform(corners.mean(axis=0))
    column, row = int(inside[0]), drawn.shape[0] - 1 - int(inside[1])
    assert drawn[row, column] == 255
    rows, columns = np.nonzero(drawn[: int(drawn.shape[0] * 0.85)] == 255)
    assert abs(columns.mean() - column) < 3
    assert abs(rows.mean() - row) < 3
    assert row > 0.6 * drawn.shape[0]
    assert column < 0.45 * drawn.shape[1]


def test_the_scale_bar_of_the_image_is_that_of_the_stage(tmp_path):
    plan = plan_figure(run(tmp_path))
    assert plan.photo.um_per_pixel == pytest.approx(10)
    figure = draw(plan)
    ax = next(ax for ax in figure.axes if len(ax.patches) == 2 * len(plan.photo.frames))
    (bar,) = [line for line in ax.lines if line.get_linewidth() == 1.5]
    assert [text.get_text() for text in ax.texts] == ["2 mm"]
    assert bar.get_xdata()[1] * 900 * 10 == pytest.approx(2000)


def test_each_drawn_map_has_its_frame_and_its_tag(tmp_path):
    plan = plan_figure(run(tmp_path))
    assert [frame.tag for frame in plan.photo.frames] == ["A1", "A2", "A3", "A4"]
    for frame, panel in zip(plan.photo.frames, plan.blocks[0].maps, strict=True):
        left, right, lower, upper = panel.extent
        np.testing.assert_allclose(frame.corners[0], [20 + left / 10, 400 - lower / 10])
        np.testing.assert_allclose(frame.corners[2], [20 + right / 10, 400 - upper / 10])
    assert plan.remarks == ()


def test_maps_at_one_place_of_the_stage_are_not_framed_together(tmp_path):
    plan = plan_figure(run(tmp_path / "all", apart=False))
    assert plan.photo is None
    assert "image_mockup in [figure] says whose it is" in plan.remarks[0]
    worst = plan.blocks[0].maps[1].mockup
    own = plan_figure(run(tmp_path / "own", apart=False, settings={"image_mockup": worst}))
    assert [frame.tag for frame in own.photo.frames] == ["A2"]
    other = run(tmp_path / "other", apart=False, settings={"image_mockup": "nobody"})
    assert "no map of its mock-up nobody is drawn" in plan_figure(other).remarks[0]


@pytest.mark.parametrize(
    ("affine", "words"),
    [
        ([0.1, 0, 5000, 0, -0.1, 400], "no frame of a drawn map lies on it"),
        ([0.1, 0, -155, 0, -0.1, 400], "not on it: the frames of A1"),
        ([0.1, 0, 20, 0, 0.1, 50], "mirrored against the maps"),
    ],
)
def test_what_is_wrong_with_a_placement_is_said(tmp_path, affine, words):
    plan = plan_figure(run(tmp_path, affine=affine))
    assert words in " ".join(plan.remarks)
    assert words in " ".join(plan.foot)


@pytest.mark.parametrize("change", ["other", "gone"])
def test_a_picture_that_the_run_did_not_see_is_refused(tmp_path, change):
    result = run(tmp_path)
    path = tmp_path / "data" / "photo.png"
    if change == "gone":
        path.unlink()
    else:
        Image.fromarray(GREY + 1).save(path)
    with pytest.raises(ContractError, match="the picture that the run saw; to mend it: put it"):
        plan_figure(result)


def test_a_picture_is_turned_as_its_camera_says(tmp_path):
    picture = np.zeros((20, 30, 3), np.uint8)
    picture[:10, :15] = 255
    exif = Image.Exif()
    exif[0x0112] = 6  # turned by a right angle, clockwise: Exif 2.32, tag Orientation
    Image.fromarray(picture).save(tmp_path / "a.png", exif=exif)
    seen = np.asarray(open_picture(tmp_path / "a.png"))
    assert seen.shape == (30, 20, 3)
    np.testing.assert_array_equal(seen, np.rot90(picture, -1))


def test_what_is_no_picture_of_8_bits_is_refused(tmp_path):
    (tmp_path / "text.png").write_text("no picture", encoding="utf-8")
    Image.fromarray(np.zeros((4, 4), np.uint16)).save(tmp_path / "deep.png")
    for name in ("text.png", "deep.png"):
        with pytest.raises(ReadError, match="with 8 bits a channel; to mend it: save it as PNG"):
            open_picture(tmp_path / name)
