from html.parser import HTMLParser

import pytest
from made_run import make_run

from residuekit.figures import write_figure
from residuekit.report import page as report_page
from residuekit.report import write_report

VOID = {"meta", "img", "br", "link"}


class Page(HTMLParser):
    """The tags of a page, whether they close in order, and its text."""

    def __init__(self, text):
        super().__init__()
        self.open, self.tags, self.words, self.errors = [], [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.errors.append(tag)

    def handle_data(self, data):
        if "style" not in self.open:
            self.words.append(data)

    def all(self, *names):
        return [attrs for tag, attrs in self.tags if tag in names]

    @property
    def text(self):
        return " ".join("".join(self.words).split())


def made(folder, **options):
    result = make_run(folder, **options)
    write_figure(result, folder)
    return result, write_report(result, folder)


def test_the_page_is_whole_and_asks_nothing_of_a_network(tmp_path):
    _, text = made(tmp_path, paints=("alkyd", "acrylic"))
    page = Page(text)
    assert page.errors == []
    assert page.open == []
    assert not {"script", "link", "iframe", "object", "base"} & {tag for tag, _ in page.tags}
    for attrs in page.all("img", "a", "source", "form"):
        target = attrs.get("src") or attrs.get("href") or attrs.get("action")
        assert target.startswith("data:image/svg+xml;base64,")
    style = text[text.index("<style>") : text.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style
    assert "@media print" in style
    assert len(text.encode()) < 1_000_000


def test_the_page_can_be_read_aloud(tmp_path):
    _, text = made(tmp_path)
    page = Page(text)
    assert page.all("html") == [{"lang": "en"}]
    assert len(page.all("title")) == len(page.all("h1")) == len(page.all("main")) == 1
    assert all(attrs.get("scope") in ("row", "col") for attrs in page.all("th"))
    assert len(page.all("caption")) == len(page.all("table")) >= 4
    assert len(page.all("img")[0]["alt"]) > 80
    named = {attrs["aria-labelledby"] for attrs in page.all("section")}
    assert named == {attrs["id"] for attrs in page.all("h2")}


def test_the_summary_comes_first_and_no_absence_stands_without_its_limits(tmp_path):
    result, text = made(tmp_path, paints=("alkyd", "acrylic"))
    words = Page(text).text
    summary = words[words.index("In a minute") : words.index("Due-diligence") if "Due-diligence"
                    in words else words.index("What was tested")]  # fmt: skip
    assert words.index("In a minute") < words.index("What this cannot say") < words.index("Figure")
    assert "4 arms: 4 not detected." in summary
    assert summary.count("detection limit 0.812, upper bound 0.735 µg cm⁻²") == 4
    assert summary.count("0 of 4 mock-ups above the limit for one mock-up") == 4
    assert summary.count("less than 1.93 µg cm⁻² may be missed") == 4
    assert "not the work of art" in summary
    for row in result.verdicts.to_dict("records"):
        assert row["reason"].replace("ug cm-2", "µg cm⁻²") in words


def test_names_of_the_study_are_only_ever_text(tmp_path):
    nasty = '<script>alert("1")</script>'
    _, text = made(
        tmp_path,
        paints=(f"{nasty} & $title",),
        treatment=nasty,
        title=f"{nasty} $figure",
        markers=(f"{nasty} 1092",),
        failures={f"data/{nasty}.nc": nasty},
    )
    page = Page(text)
    assert page.errors == []
    assert "script" not in {tag for tag, _ in page.tags}
    assert nasty in page.text
    assert "$title" in page.text


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"blanks": False}, "The figure could not be drawn: found alkyd without a blank mock-up"),
        ({"failures": {"data/x.nc": "the file ends early"}}, "the file ends early"),
        ({"acceptance": None}, "No acceptance limit was set beforehand, so nothing can be"),
        ({"points": True}, "Point spectra only"),
    ],
)
def test_what_is_missing_is_said(tmp_path, options, words):
    assert words in Page(made(tmp_path, **options)[1]).text


def test_a_long_table_is_cut_and_it_is_said(tmp_path, monkeypatch):
    monkeypatch.setattr(report_page, "MOST_ROWS", 5)
    words = Page(made(tmp_path)[1]).text
    assert "15 further rows stand in mockups.csv." in words
    assert "15 further files stand in provenance.json." in words
