"""Places, and small simulated studies, that many tests share. All simulated data are invented."""

from __future__ import annotations

import csv
import gc
import hashlib
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from threadpoolctl import threadpool_limits

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests"))

# Compiler, tables and pictures make millions of objects that stay: look for dead ones less often.
gc.set_threshold(50_000, 20, 50)

if "PYTEST_XDIST_WORKER" in os.environ:
    # Each worker has a core of its own; more threads of linear algebra would fight for it, also
    # in the processes that tests start.
    threadpool_limits(1, "blas")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

#: What takes long comes first: workers that share out files then end together.
FIRST = ("notebooks/", "tests/test_wheel.py", "tests/test_validate.py", "tests/study/",
         "tests/report/", "tests/decision/", "tests/figures/", "tests/trial/")  # fmt: skip

QUESTION = {
    "treatment": "PVA cryogel",
    "working_exposure_min": 2,
    "acceptance_limit_ug_cm2": 4.0,
    "acceptance_reason": "invented for the tests",
}
BAND_ONLY = ('scores = ["band", "net signal"]', 'scores = ["band"]')


@pytest.fixture(scope="session", autouse=True)
def _own_state(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Tests seal what they keep with a key of their own, not in the user's state folder."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        yield


@pytest.fixture(scope="session")
def root() -> Path:
    """The checkout."""
    return ROOT


@pytest.fixture(scope="session")
def shared() -> Path:
    """Published check values and data that are part of the project."""
    return ROOT / "shared"


def read_works() -> dict[str, dict[str, str]]:
    """The bibliography: key -> its fields, braces left out."""
    text = (ROOT / "shared/references.bib").read_text(encoding="utf-8")
    return {
        found["key"]: {
            name: value.replace("{", "").replace("}", "")
            for name, value in re.findall(r"^  (\w+)\s*= \{(.*)\},?$", found["body"], re.M)
        }
        for found in re.finditer(r"^@\w+\{(?P<key>\w+),\n(?P<body>.*?)\n\}$", text, re.M | re.S)
    }


@pytest.fixture(scope="session")
def works() -> dict[str, dict[str, str]]:
    """The works of shared/references.bib."""
    return read_works()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--sources", action="store_true", help="list where the expected values of tests are from"
    )


def pytest_configure(config: pytest.Config) -> None:
    """Workers take files in the order below, not by how many tests a file holds."""
    config.option.loadscopereorder = False


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    def place(item: pytest.Item) -> int:
        return next((n for n, part in enumerate(FIRST) if item.nodeid.startswith(part)), len(FIRST))

    items.sort(key=place)


def pytest_collection_finish(session: pytest.Session) -> None:
    """What is loaded by now stays; a run looks for dead objects several times, and would go through
    all of it again. With --sources, list each test that has one: test, kind, key of the
    bibliography, its state, the value.
    """
    gc.collect()
    gc.freeze()
    if not session.config.option.sources:
        return
    known = read_works()
    rows = {
        (item.nodeid.split("[")[0], *mark.args)
        for item in session.items
        if (mark := item.get_closest_marker("source"))
    }
    table = [("test", "kind", "key", "record", "value")]
    for test, kind, key, value in sorted(rows):
        record = known[key]["note"].split(":")[0] if key else ""
        table.append((test, kind, key, record, value))
    widths = [max(len(row[column]) for row in table) for column in range(4)]
    print()
    for row in table:
        print("  ".join([*(f"{cell:{w}}" for cell, w in zip(row, widths, strict=False)), row[4]]))


def pytest_runtestloop(session: pytest.Session) -> bool | None:
    """With --sources nothing is run."""
    return True if session.config.option.sources else None


@pytest.fixture(scope="session")
def local() -> Path:
    """Open data read where they lie, beside the checkout; the test skips where they are absent."""
    folder = ROOT.parent / "shared" / "data" / "local"
    if not folder.is_dir():
        pytest.skip("local data absent")
    return folder


def small_design() -> Any:
    """One paint, 8 x 8 pixels, 171 channels; a clean arm and one with 5 ug cm-2."""
    from residuekit.simulate import Arm, StudyDesign, Variation

    return StudyDesign(
        arms=(Arm(2.0, n_mockups=3), Arm(60.0, n_mockups=3, loading_ug_cm2=5.0)),
        n_blanks=4,
        spiked_ug_cm2=(2.0, 6.0),
        n_spiked=2,
        maps_per_mockup=1,
        shape=(8, 8),
        axis=(900.0, 1850.0, 5.6),
        variation=Variation(session=0.2),
        question=QUESTION,
        steps=({"step": "crop", "low": 910, "high": 1840},),
    )


@dataclass(frozen=True)
class StudyCopy:
    """A copy of a small study that a test may break."""

    folder: Path

    @property
    def table(self) -> Path:
        return self.folder / "measurements.csv"

    @property
    def settings(self) -> Path:
        return self.folder / "study.toml"

    def rows(self) -> list[dict[str, str]]:
        with self.table.open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    def write_rows(self, rows: list[dict[str, str]]) -> None:
        with self.table.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)

    def files(self, role: str, **cells: str) -> list[str]:
        """The files of a role whose cells are as given."""
        return [
            row["file"] for row in self.rows()
            if row["role"] == role and all(row[name] == cell for name, cell in cells.items())
        ]  # fmt: skip

    def keep(self, wanted: Any) -> None:
        """Keep the rows for which `wanted(row)` is true."""
        self.write_rows([row for row in self.rows() if wanted(row)])

    def change(self, wanted: Any, **cells: str) -> None:
        """Give new cells to the rows for which `wanted(row)` is true."""
        self.write_rows([{**row, **cells} if wanted(row) else row for row in self.rows()])

    def edit(self, old: str, new: str, file: str = "study.toml") -> None:
        """Replace text that stands there."""
        path = self.folder / file
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    def snapshot(self) -> dict[str, tuple[int, str]]:
        """Everything below the folder: time of the last change, and content."""
        return {
            str(path.relative_to(self.folder)): (
                path.lstat().st_mtime_ns,
                hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "",
            )
            for path in sorted(self.folder.rglob("*"))
        }

    def run(self) -> Any:
        from residuekit.study import Study

        return Study.open(self.folder).run()

    def arrays(self, files: list[str], *, pure: bool = False) -> list[Any]:
        """Files as a run measures them: checked and through the procedure."""
        import residuekit as rk
        from residuekit.study import Study

        procedure = Study.open(self.folder).manifest.procedure
        if pure:
            procedure = procedure.for_pure_materials()
        return [procedure.apply(rk.check_quality(rk.read(self.folder / file)).array)
                for file in files]  # fmt: skip

    def loads(self) -> list[float]:
        """The loadings of the spiked rows."""
        return [float(row["loading_ug_cm2"]) for row in self.rows() if row["role"] == "spiked"]

    def judged_in_memory(self, **arm: Any) -> Any:
        """The arm of 60 min by `judge_arm`; `arm` says how its mock-ups are compared."""
        import residuekit as rk
        from residuekit.study import Study

        manifest = Study.open(self.folder).manifest
        return rk.judge_arm(
            blanks=self.arrays(self.files("blank")),
            exposed=self.arrays(self.files("exposed", exposure_min="60")),
            spiked=[*zip(self.loads(), self.arrays(self.files("spiked")), strict=True)],
            references=self.arrays(self.files("reference"), pure=True),
            acceptance_limit=manifest.acceptance_limit,
            markers=manifest.markers,
            **arm,
        )


@pytest.fixture(scope="session")
def _pattern_study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from residuekit.simulate import simulate_study

    folder = tmp_path_factory.mktemp("pattern") / "study"
    simulate_study(folder, small_design(), seed=1)
    return folder


@pytest.fixture(scope="session")
def _pattern_points(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with one averaged spectrum a file, two a mock-up, judged by bands alone."""
    from residuekit import io
    from residuekit.schema import make_points
    from residuekit.simulate import simulate_study

    folder = tmp_path_factory.mktemp("points") / "study"
    design = replace(small_design(), maps_per_mockup=2, shape=(4, 4), map_suffixes=(".csv",))
    simulate_study(folder, design, seed=2)
    for path in sorted((folder / "data").glob("*.csv")):
        array = io.read(path)
        mean = array.mean(("y", "x")).values
        io.write(make_points(mean, array["wavenumber"].values), path)
    settings = folder / "study.toml"
    settings.write_text(settings.read_text("utf-8").replace(*BAND_ONLY), encoding="utf-8")
    return folder


@pytest.fixture
def study(_pattern_study: Path, tmp_path: Path) -> StudyCopy:
    """A copy of the small study."""
    return StudyCopy(Path(shutil.copytree(_pattern_study, tmp_path / "study")))


@pytest.fixture
def study_of_six(tmp_path: Path) -> StudyCopy:
    """A small study with six blanks, judged by bands alone."""
    from residuekit.simulate import simulate_study

    design = replace(small_design(), n_blanks=6, shape=(4, 4))
    simulate_study(tmp_path / "study", design, seed=3)
    study = StudyCopy(tmp_path / "study")
    study.edit(*BAND_ONLY)
    return study


@pytest.fixture
def point_study(_pattern_points: Path, tmp_path: Path) -> StudyCopy:
    """A copy of the small study of point spectra, band score only."""
    return StudyCopy(Path(shutil.copytree(_pattern_points, tmp_path / "points")))


@pytest.fixture
def without_pictures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Runs write tables and maps, but neither figure nor report."""
    monkeypatch.setattr("residuekit.study.run._present", lambda *_: None)


@pytest.fixture
def without_identification(monkeypatch: pytest.MonkeyPatch) -> None:
    """Arms are judged without the identification limit, which is simulated: most of the time of an
    arm, and no part of its verdict."""
    monkeypatch.setattr(
        "residuekit.decision.identification.Identifier.limit", lambda *_: float("nan")
    )


@dataclass(frozen=True)
class Finished:
    """One run without pictures, only to be read: the study, its files before, the result."""

    study: StudyCopy
    before: dict[str, tuple[int, str]]
    result: Any


@pytest.fixture(scope="session")
def finished(_pattern_study: Path, tmp_path_factory: pytest.TempPathFactory) -> Finished:
    folder = tmp_path_factory.mktemp("finished") / "study"
    copy = StudyCopy(Path(shutil.copytree(_pattern_study, folder)))
    before = copy.snapshot()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("residuekit.study.run._present", lambda *_: None)
        return Finished(copy, before, copy.run())


@pytest.fixture(scope="session")
def warm_copy(finished: Finished) -> Callable[[Path], StudyCopy]:
    """Makes copies of the small study that keep what an earlier run has computed, but no run."""
    runs = shutil.ignore_patterns("2*Z*", "latest")
    return lambda folder: StudyCopy(
        Path(shutil.copytree(finished.study.folder, folder, ignore=runs))
    )


@pytest.fixture
def warm_study(warm_copy: Callable[[Path], StudyCopy], tmp_path: Path) -> StudyCopy:
    """One of them."""
    return warm_copy(tmp_path / "warm")


def command(*arguments: Any, folder: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "residuekit", *map(str, arguments)],
        cwd=folder, capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip


@pytest.fixture(scope="session", name="command")
def _command() -> Any:
    return command


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Chromium; the test skips where there is none."""
    sync_api = pytest.importorskip("playwright.sync_api")
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("no chromium on this machine")
    quiet = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
             "--disable-background-networking", "--disable-component-update"]  # fmt: skip
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=chromium, args=quiet)
        yield running
        running.close()


@pytest.fixture(scope="session")
def barriers() -> Callable[[Any], list[tuple[str, str]]]:
    """What an accessibility checker finds on an open page: each rule that is broken, and where."""
    checker = pytest.importorskip("axe_playwright_python.base").AXE_SCRIPT

    def found(page: Any) -> list[tuple[str, str]]:
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true })")
        page.evaluate(checker)
        broken = page.evaluate("axe.run().then((found) => found.violations)")
        return [(one["id"], one["nodes"][0]["html"][:200]) for one in broken]

    return found
