"""The command: parses, calls, prints; computes nothing."""

from __future__ import annotations

import argparse
import signal
import sys
import threading
import time
from _thread import interrupt_main
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from . import __version__

if TYPE_CHECKING:
    from .results import StudyResult

DONE, REFUSED = 0, 1
_QUIET_SECONDS = 2.0
#: What people open of a run, with a word each.
_OPENED = (
    ("report.html", "the answer and all behind it; read this first"),
    ("summary.pdf", "one page for the responsible conservator"),
    ("figure.pdf, .svg, .png", "the figure"),
    ("caption.md, caption.tex", "its caption, short and in full"),
    ("methods.md, supplement.md", "methods for a paper, the rest beside; .tex, references.bib"),
    ("tables.xlsx, tables.tex", "the tables, for a sheet and for a paper"),
    ("verdicts.csv, scores.csv, ...", "the tables in full; mockups.csv and markers.csv too"),
    ("maps/", "the score maps, NetCDF"),
    ("changes.md, provenance.json", "what changed; every input and setting"),
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command and return its exit code: 0 done, 1 refused or a map failed, 2 wrong use."""
    options = _parser().parse_args(arguments)
    from .errors import ResiduekitError

    try:
        with _stoppable():
            code: int = options.call(options)
    except ResiduekitError as problem:
        count = len(problem.faults)
        print(f"{count} fault{'s' * (count != 1)} found; nothing was written.", file=sys.stderr)
        for number, fault in enumerate(problem.faults, start=1):
            print(f"{number:3d}. {fault}", file=sys.stderr)
        return REFUSED
    except KeyboardInterrupt:
        print("\nStopped; nothing half-written was left.", file=sys.stderr)
        return 130
    return code


@contextmanager
def _stoppable() -> Iterator[None]:
    """Let Ctrl-C stop where its exception is dropped too.

    Python drops it in destructors and callbacks, and says so to a hook: it is raised again. Where
    a library takes it for an error of its own, the next file that is done raises it.
    """
    hook = sys.unraisablehook

    def interrupt(_number: int, _frame: Any) -> None:
        _Progress.stopped = True
        raise KeyboardInterrupt

    def dropped(what: Any) -> None:
        if issubclass(what.exc_type, KeyboardInterrupt):
            threading.Timer(0.05, interrupt_main).start()
        else:
            hook(what)

    by_default = signal.getsignal(signal.SIGINT) is signal.default_int_handler
    if not by_default or threading.current_thread() is not threading.main_thread():
        yield
        return
    _Progress.stopped = False
    signal.signal(signal.SIGINT, interrupt)
    sys.unraisablehook = dropped
    try:
        yield
    finally:
        sys.unraisablehook = hook
        signal.signal(signal.SIGINT, signal.default_int_handler)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="residuekit",
        description="Spectroscopic residue studies of cleaning gels: an absence is never claimed "
        "without its detection limit, its controls and its n.",
        epilog="Mock-ups stand for a work of art only as far as they resemble it: the responsible "
        "conservator decides.",
    )
    parser.add_argument("--version", action="version", version=f"residuekit {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    demo = commands.add_parser("demo", help="make the demo study (invented data) and run it")
    demo.add_argument("--out", default="demo-study", metavar="DIR", help="a new folder for it")
    demo.add_argument(
        "--residues",
        action="store_true",
        help="the smaller demo of several residues: chelators, a surfactant, gums, silicone",
    )
    demo.set_defaults(call=_demo)

    new = commands.add_parser("new", help="make a study folder to fill in, with notebooks")
    new.add_argument("folder", metavar="DIR")
    new.add_argument(
        "--from", dest="delivery", metavar="DELIVERY", help="begin its table from delivered files"
    )
    new.add_argument(
        "--pattern", action="append", default=[], metavar="NAMES",
        help='how their names are made: "{paint}_{treatment}_{mockup}_{map}"; may be given again',
    )  # fmt: skip
    new.add_argument("--copy", action="store_true", help="copy the delivery into data/")
    new.set_defaults(call=_new)

    check = commands.add_parser(
        "check", help="say what a study, a file or a run is, and its faults"
    )
    check.add_argument("path", metavar="PATH")
    check.set_defaults(call=_check)

    register = commands.add_parser(
        "register", help="fix question, limits, procedure and planned mock-ups, with the time"
    )
    register.add_argument("folder", metavar="DIR")
    register.set_defaults(call=_register)

    run = commands.add_parser("run", help="compute a study: verdicts, limits, figure, report")
    run.add_argument("folder", metavar="DIR")
    run.add_argument("--workers", type=_count, default=1, metavar="N", help="local processes (1)")
    run.add_argument(
        "--scheduler", metavar="ADDRESS", help="a running dask.distributed cluster, tcp://HOST:PORT"
    )
    run.add_argument(
        "--notebooks",
        action="store_true",
        help="then execute notebooks/ into the folder of the run",
    )
    run.add_argument("--again", action="store_true", help="anew, although nothing has changed")
    run.add_argument(
        "--dry", action="store_true", help="say what would be computed, why, in about how long"
    )
    run.set_defaults(call=_run)
    compare = commands.add_parser(
        "compare", help="say what differs between two runs, and which difference changed what"
    )
    compare.add_argument("first", metavar="RUN", help="a run, or a study (its newest)")
    compare.add_argument("second", metavar="RUN")
    compare.set_defaults(call=_compare)

    deposit = commands.add_parser(
        "deposit", help="write one archive that a repository takes and others can run again"
    )
    deposit.add_argument("folder", metavar="DIR")
    deposit.add_argument("--out", metavar="FILE", help="a new ZIP archive (STUDY-RUN.zip)")
    deposit.set_defaults(call=_deposit)
    _add_plan(commands)
    return parser


def _add_plan(commands: Any) -> None:
    plan = commands.add_parser(
        "plan", help="how many mock-ups and maps for which detection limit, and the hours"
    )
    plan.add_argument(
        "--limit", type=_above_zero, required=True, metavar="LOADING", help="that must be seen"
    )
    plan.add_argument("--unit", choices=("ug cm-2", "nm"), default="ug cm-2", help="(ug cm-2)")
    plan.add_argument("--run", metavar="DIR", help="a finished run, as pilot; else simulated")
    plan.add_argument(
        "--paint", metavar="NAME", help="of the run (its first), or simulated (alkyd)"
    )
    plan.add_argument(
        "--gel", default="PVA cryogel", metavar="NAME", help="simulated (PVA cryogel)"
    )
    numbers = {"mockups": (3, 4, 6, 8, 12), "maps": (1, 2, 3), "pixels": (256,), "scans": (64,)}
    for name, usual in numbers.items():
        plan.add_argument(
            f"--{name}", type=_count, nargs="+", default=usual, metavar="N",
            help=f"({' '.join(map(str, usual))})",
        )  # fmt: skip
    plan.add_argument(
        "--pilot-scans", type=_count, default=64, metavar="N", help="a spectrum of the run (64)"
    )
    plan.add_argument("--blanks", type=_count, metavar="N", help="(as many as exposed)")
    plan.add_argument(
        "--seconds-per-scan", type=_above_zero, default=0.3, metavar="S", help="(0.3)"
    )
    plan.add_argument("--pixels-at-once", type=_count, default=1, metavar="N", help="(1)")
    plan.add_argument(
        "--minutes-per-map", type=_above_zero, default=10.0, metavar="MIN", help="(10)"
    )
    area = {"type": _above_zero, "metavar": "CM2"}
    plan.add_argument("--patch", **area, help="one round patch that must not be missed")
    plan.add_argument("--mockup-area", **area, default=25.0, help="of one mock-up (25)")
    plan.add_argument(
        "--field", type=_above_zero, default=0.4, metavar="MM", help="side of one map (0.4)"
    )
    plan.add_argument("--figure", metavar="FILE", help="draw it: .pdf, .svg or .png")
    plan.set_defaults(call=_plan)


def _register(options: argparse.Namespace) -> int:
    from .study.manifest import REGISTRATION
    from .study.registration import register

    done = register(options.folder)
    there = len(done["exposed"])
    print(f"{Path(options.folder) / REGISTRATION} written at {done['time']}.")
    print(f"Exposed files that were there already: {there or 'none'}.")
    print(f"For a public registry, the sha256 of what is fixed: {done['sha256']}")
    return DONE


def _demo(options: argparse.Namespace) -> int:
    from .simulate import write_demo
    from .study import Study
    from .study.template import copy_notebooks

    out = Path(options.out)
    truth = out.with_name(out.name + "-truth.json")
    print(f"Making the demo study in {out} (invented data) ...", flush=True)
    write_demo(out, sealed=truth, residues=options.residues, progress=_Progress("made"))
    copy_notebooks(out)
    result = Study.open(out).run(progress=_Progress("measured"))
    print(f"\nThe truth of the invented data is sealed in {truth}: look there last.")
    return _report(result)


def _new(options: argparse.Namespace) -> int:
    from .study.template import new_study, notebook_titles, study_from

    if options.delivery:
        folder, said = study_from(
            options.folder, options.delivery, options.pattern, copy=options.copy,
            progress=_Progress("looked at"),
        )  # fmt: skip
        print(said)
    else:
        folder = new_study(options.folder)
    print(f"{folder} is ready: fill in measurements.csv and study.toml, then")
    print(f"  residuekit check {folder}\n  residuekit run {folder}")
    print("\nnotebooks/ is yours to read and change; `run --notebooks` executes it with the study.")
    print("Without measurements each works on a small invented study:")
    for name, title in notebook_titles(folder).items():
        print(f"  {name:<38} {title}")
    return DONE


def _check(options: argparse.Namespace) -> int:
    path = Path(options.path)
    if path.name == "latest" and path.is_file():
        path = path.with_name(path.read_text(encoding="utf-8").strip())
    if path.is_dir():
        from .study.inspect import check_folder

        print(check_folder(path, progress=_Progress("read")))
        return DONE
    from . import io

    print(io.describe(path))
    return DONE


def _run(options: argparse.Namespace) -> int:
    from .study import Study

    study = Study.open(options.folder)
    if options.dry:
        print(study.foreseen(options.workers, again=options.again))
        return DONE
    before = None if options.again or options.notebooks else study.standing()
    if before is not None:
        from .study.standing import unchanged

        print(f"{study}\n\n{unchanged(before)}")
        return _report(before)
    if options.notebooks:
        from .study import notebooks

        books = notebooks.prepare(study.manifest)
    print(study, flush=True)
    result = study.run(_Progress("measured"), options.workers, options.scheduler)
    code = _report(result)
    if options.notebooks:
        failures = notebooks.execute(books, result.folder, _Progress("notebooks executed"))
        print(f"  {notebooks.FOLDER}/ ({len(books) - len(failures)} of {len(books)} executed)")
        for name, why in failures.items():
            print(f"{name} stopped: {why}; kept as far as it came.", file=sys.stderr)
        code = REFUSED if failures else code
    return code


def _compare(options: argparse.Namespace) -> int:
    from .study.two_runs import compare_runs

    print(compare_runs(options.first, options.second), end="")
    return DONE


def _deposit(options: argparse.Namespace) -> int:
    from .study.deposit import write_deposit

    made = write_deposit(options.folder, options.out)
    print(f"{made.path} ({made.n_files} files)\nSHA-256 {made.sha256}\n\n{made.statement}")
    return DONE


def _plan(options: argparse.Namespace) -> int:
    from . import plan

    if options.run:
        from .results import open_run

        run = open_run(options.run)
        pilot = plan.from_run(run, scans=options.pilot_scans, paint=options.paint)
    else:
        run = None
        pilot = plan.from_simulator(options.paint or "alkyd", options.gel)
    made = plan.compare_designs(
        pilot, options.limit, unit=options.unit, mockups=options.mockups, maps=options.maps,
        pixels=options.pixels, scans=options.scans, blanks=options.blanks,
        effort=plan.Effort(
            options.seconds_per_scan, options.pixels_at_once, options.minutes_per_map
        ),
    )  # fmt: skip
    print(made)
    if run is not None:
        gains = plan.gains_from_run(run, paint=options.paint, design=made.best)
        said = [gain.advice for gain in gains] or [
            "What states before treatment or panels would bring is not known: this run has no "
            "three blanks with a state before, nor two panels with two blanks each."
        ]
        print("", *said, sep="\n")
    if options.patch:
        places = plan.places_needed(options.patch, options.mockup_area, options.field)
        print(
            f"\nOne round patch of {options.patch:g} cm2 on {options.mockup_area:g} cm2 is missed "
            f"in 5 of 100 cases by {places} maps of {options.field:g} mm at random places."
        )
    if options.figure:
        plan.write_figure(made, options.figure)
        print(f"\n{options.figure}")
    return DONE


def _above_zero(text: str) -> float:
    number = float(text)
    if not 0 < number < float("inf"):
        raise argparse.ArgumentTypeError("above 0")
    return number


def _count(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError("1 or more")
    return number


def _report(result: StudyResult) -> int:
    print()
    print(result)
    if "first run" not in result.changes:
        print(f"\n{result.changes}")
    print(f"\n{result.folder}")
    for names, words in _OPENED:
        print(f"  {names:<38}{words}")
    if result.failures:
        print(f"{len(result.failures)} files could not be used; the rest is done.", file=sys.stderr)
        return REFUSED
    return DONE


class _Progress:
    """A line that counts, shown once the work has taken over two seconds."""

    stopped = False

    def __init__(self, verb: str):
        self.verb, self.started, self._said = verb, time.monotonic(), 0

    def __call__(self, done: int, total: int, *_what: Any) -> None:
        if self.stopped:
            raise KeyboardInterrupt
        elapsed = time.monotonic() - self.started
        if elapsed < _QUIET_SECONDS:
            return
        left = elapsed / done * (total - done)
        text = f"  {done} of {total} {self.verb}, about {left:.0f} s left"
        if sys.stderr.isatty():
            end = "\n" if done == total else ""
            print(f"\r{text:<60}", end=end, file=sys.stderr, flush=True)
        elif done != self._said and (done == total or done % max(1, total // 5) == 0):
            self._said = done
            print(text, file=sys.stderr, flush=True)
