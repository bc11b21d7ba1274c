"""Pictures of every screen and state, from the real window: `python -m tests.bench.pictures FOLDER [NAMES …]`.

Both themes at 1280 × 800, at 1920 × 1080 and at twice the pixels; `--readme` makes the five of the README
instead, in ui/pictures. The sessions are those of the rehearsal car, driven once and kept beside the pictures; what
Road shows is a scripted drive, the same on every machine.
"""

import argparse
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import astuple, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("PYQTGRAPH_QT_LIB", "PySide6")

import numpy as np
from pyqtgraph.Qt import QtGui, QtWidgets

from stream.drive.day_coach import NextStep
from stream.drive.guide_plan import RoadHint
from stream.drive.status import BesideStatus
from stream.live.records import Health, PullNow
from stream.record.change import undo_session, write_note
from stream.record.tables import PullMark
from stream.sources.rehearsal.engine import TUNES
from stream.sources.rehearsal.scenario import TARGETS, demo_car_text, hold_drive
from stream.sources.rehearsal.sensors import Chain, Converter
from stream.study.compare.coach import coach
from stream.study.dataset import open_datasets
from stream.study.edit import Marks, mark_session
from stream.study.pulls import all_traces
from tests.array_session import write_session
from tests.controller_log import write_controller_log
from tests.stream.study.rehearsed import BEGAN, kept, session
from tests.ui.cli import test_coastdown
from tests.ui.cli.test_align import LOG_CAR
from tests.ui.window.fake_feed import FakeFeed, hold, pull, steady
from ui.window.main import MainWindow
from ui.window.memory import Memory
from ui.window.start_screen import PAGES
from ui.window.theme import THEMES, load_face

ROOT = Path(__file__).resolve().parents[2]

README = {
    "road-hold": "dark",
    "road-pull": "dark",
    "calibrate": "light",
    "compare-resolved": "dark",
    "mixture": "light",
}
EXTRA = ("lambda", "manifold_pressure", "throttle")
SIZES = ((1280, 800), (1920, 1080))
TARGET = "manifold_pressure,60,100\n5000,1.0,0.88\n4000,1.0,0.88\n3000,1.0,0.88\n"


class Clock:
    """Seconds that only a scene moves."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


class Day:
    """Sessions of the rehearsal car in folders of their own, made where they are missing."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.car = folder / "car.toml"
        self.turns = self._sessions("turns", ("heron", "plover", "heron", "plover"), 4)
        self.alike = self._sessions("alike", ("heron", "wren", "heron", "wren"), 3)
        self.holds = self._holds("turns", Chain(), TARGETS)
        faulty = Chain(converter=Converter(dead_below_rpm=2300.0, ceiling_rpm=5600.0))
        self.faulty = self._holds("faulty", faulty, (1500.0, 2000.0, 2500.0, 3000.0, 3500.0, 4000.0, 5000.0, 6000.0))
        if not self.car.exists():
            self.car.write_text(demo_car_text(()))
            rows = [
                f"{tune.name},{rpm:g},{deg}"
                for tune in TUNES.values()
                for rpm, deg in zip(tune.rpm, tune.advance_deg, strict=True)
            ]
            (folder / "advance.csv").write_text("\n".join(["tune,rpm,advance", *rows]) + "\n")
            (folder / "lambda.csv").write_text(TARGET)
            (folder / "log.toml").write_text(LOG_CAR)

    def _sessions(self, name: str, tunes: tuple[str, ...], pulls: int) -> list[Path]:
        folder = self.folder / name
        folder.mkdir(parents=True, exist_ok=True)
        paths = [folder / f"2026-05-02-{9 + place}00-{tune}.h5" for place, tune in enumerate(tunes)]
        for place, (path, tune) in enumerate(zip(paths, tunes, strict=True)):
            if not path.exists():
                driven = TUNES[tune] if tune in TUNES else replace(TUNES["heron"], name=tune)
                began = BEGAN + timedelta(minutes=15 * place)
                recording = session(path, 40 + place, driven, began, pulls=pulls, chain=Chain(extra=EXTRA))
                if name == "turns" and place == 1:
                    write_controller_log(recording, self.folder / "log.csv", seed=3)
        return paths

    def _holds(self, name: str, chain: Chain, targets: tuple[float, ...]) -> Path:
        folder = self.folder / name
        path = folder / "2026-05-02-0800-holds.h5"
        if not path.exists():
            folder.mkdir(parents=True, exist_ok=True)
            recording = hold_drive(3, chain=chain, targets=targets)
            kept(path, recording, BEGAN - timedelta(hours=1), demo_car_text(chain.extra), None, 2)
        return path


class Stage:
    """One window and what a scene does with it: the drive goes on in frames, work comes to its end."""

    def __init__(self, day: Day) -> None:
        self.day = day
        self.clock = Clock()
        self.window: Any = None
        self.feed: FakeFeed | None = None

    def open(self, feed: FakeFeed | None = None, folder: Path | None = None, *, caution: bool = False) -> Any:
        """A fresh window, its job in a folder."""
        memory = Memory()
        memory.kept.car = str(self.day.car) if folder is not None else ""
        if folder is not None:
            memory.set_folder(folder)
        self.feed = feed
        self.window = window = MainWindow(feed, caution=caution, clock=self.clock, memory=memory)
        window.timer.stop()
        window.show()
        self.until(lambda: window.desk.worker.task is None)
        return window

    def until(self, done: Callable[[], bool], patience_s: float = 240.0) -> None:
        """Let the window work until something holds. Raises RuntimeError where it never does."""
        end = time.monotonic() + patience_s
        self.window.poll()
        while not done():
            if time.monotonic() > end:
                raise RuntimeError("the screen to be pictured was not ready in time")
            QtWidgets.QApplication.processEvents()
            time.sleep(0.005)
            self.window.poll()

    def quiet(self, *workers: Any) -> None:
        """Until these workers have nothing to do."""
        self.until(lambda: all(worker.task is None for worker in workers))

    def drive(self, until_s: float, **changes: Any) -> None:
        """Let the scripted drive go on, in frames of 50 ms."""
        if self.feed is None:
            return
        while self.feed.time_s < until_s - 1e-9:
            self.clock.now += 0.05
            self.feed.run_to(min(until_s, self.feed.time_s + 0.05), **changes)
            self.window.poll()
        self.clock.now += 0.11
        self.window.poll()

    def screen(self, name: str) -> Any:
        """A screen, in front."""
        self.window.show_screen(name)
        return self.window.screens[name]

    def compare(self, paths: list[Path], page: str = "") -> Any:
        """Sessions in Compare, worked out; a page beside the comparison in front."""
        window = self.open(None, paths[0].parent)
        window.open_in_compare([str(path) for path in paths])
        compare = window.screens["Compare"]
        self.quiet(compare.worker)
        if page:
            compare.show_page(page)
            self.quiet(compare.studies[page].worker)
        return compare

    def page(self, key: str, what: Any = None, folder: Path | None = None) -> Any:
        """A page of the start screen."""
        window = self.open(None, self.day.turns[0].parent if folder is None else folder)
        window.go(key, what)
        page = window.screens["Start"].page
        for worker in (getattr(page, "worker", None), getattr(page, "writer", None)):
            if worker is not None:
                self.quiet(worker)
        return page


HOLDS = [(0.0, 900.0, 0.02), (2.0, 2000.0, 0.1), (9.0, 2000.0, 0.1), (11.0, 2980.0, 0.2), (60.0, 2980.0, 0.2)]
PULLS = [(0.0, 2300.0, 0.2), (18.0, 2300.0, 0.2), (24.0, 5840.0, 0.83), (26.0, 6900.0, 0.8), (28.0, 1000.0, 0.0)]
PULLS += [(60.0, 1000.0, 0.0)]
RECORDING: dict[str, Any] = {"recording": True, "path": Path("2026-05-02-1432-heron.h5"), "tune": "heron"}
GUIDED: dict[str, Any] = {
    "targets": TARGETS,
    "next_target_rpm": 3000.0,
    "target_road_kmh": 38.0,
    "target_hint": RoadHint(False, 2, 38.0, 24.0),
    "targets_taken": 2,
    "target_speed_rpm": float("nan"),
    "uncertainty_rpm": 31.0,
    "until_u_rpm": 15.0,
}
SCENES: dict[str, Callable[[Stage], Any]] = {}


def scene(make: Callable[[Stage], Any]) -> Callable[[Stage], Any]:
    """Keep a scene by its name."""
    SCENES[make.__name__.replace("_", "-")] = make
    return make


def _road(stage: Stage, script: list[tuple[float, float, float]], until_s: float, **changes: Any) -> Any:
    feed = FakeFeed(script)
    stage.open(feed)
    feed.start_recording()
    stage.drive(until_s, **{**RECORDING, **changes})
    return stage.screen("Road")


@scene
def start_fresh(stage: Stage) -> None:
    stage.open()


@scene
def start_job(stage: Stage) -> None:
    stage.open(None, stage.day.turns[0].parent)


@scene
def cautions(stage: Stage) -> None:
    stage.open(FakeFeed(HOLDS), caution=True)


@scene
def closing(stage: Stage) -> None:
    _road(stage, HOLDS, 8.0, steady=steady(2010, 40, 3.4, holding=True))
    stage.window.close()


@scene
def road_empty(stage: Stage) -> None:
    stage.open()
    stage.screen("Road")


@scene
def road_moving(stage: Stage) -> None:
    _road(stage, HOLDS, 10.0, steady=steady(2400, 380), last_hold=hold(2.1, 9.0, 2010), holds=1)


@scene
def road_hold(stage: Stage) -> None:
    known: dict[str, Any] = {"last_hold": hold(2.1, 9.0, 2010), "holds": 1, **GUIDED}
    _road(stage, HOLDS, 12.0, **known)
    stage.drive(15.0, steady=steady(2970, 30, 3.0, holding=True), target_steady_s=3.0)


@scene
def road_targets_done(stage: Stage) -> None:
    known = {**GUIDED, "next_target_rpm": None, "target_hint": None, "targets_taken": 7, "uncertainty_rpm": 14.0}
    _road(stage, HOLDS, 20.0, steady=steady(2980, 40, 2.0), last_hold=hold(12.0, 18.0, 2980), holds=7, **known)


@scene
def road_pull(stage: Stage) -> None:
    _road(stage, PULLS, 18.0, last_pull=pull(2.0, 9.0), pulls=1, redline_rpm=7400.0)
    stage.drive(24.0, steady=steady(5800, 900), pull_now=PullNow(18.1, 2310.0, 590.0))


@scene
def road_limit(stage: Stage) -> None:
    _road(stage, PULLS, 18.0, redline_rpm=7400.0)
    stage.drive(24.0, steady=steady(5800, 900), pull_now=PullNow(18.1, 2310.0, 590.0))
    if stage.feed is not None:
        stage.feed.events.add(24.0, "limit", "knock 3.4 V, above 2", 3.4, details={"channel": "knock"})
    stage.drive(24.2)


def _between(stage: Stage, sessions: int, **step: Any) -> None:
    pulls = all_traces(open_datasets([str(path) for path in stage.day.turns[:sessions]]))[0]
    advice = coach(pulls, "heron", "plover")
    told = NextStep(
        **{"number": 1, "pulls": 2, "advice": advice, "tune": "heron", "faults": (), "wants_zero": False, **step}
    )
    faults = step.get("faults", ())
    _road(stage, PULLS, 29.0, redline_rpm=7400.0, steady=steady(1000, 40, 1.2))
    stage.drive(33.0, last_pull=pull(18.1, 26.0, faults), pulls=2, next_step=told)


@scene
def road_between(stage: Stage) -> None:
    _between(stage, 2)


@scene
def road_between_flawed(stage: Stage) -> None:
    _between(stage, 3, faults=("wheelspin",))


@scene
def road_enough(stage: Stage) -> None:
    _between(stage, 4)


@scene
def road_further_device(stage: Stage) -> None:
    values = (("rpm", "rpm", 3012.4), ("lambda", "λ", 0.8741), ("knock", "V", float("nan")))
    beside = (BesideStatus("controller", "running", values, ("knock",)), BesideStatus("probe", "away"))
    _road(stage, HOLDS, 15.0, steady=steady(2970, 60, 1.4), beside=beside, blind_limits=("knock",))


@scene
def road_map(stage: Stage) -> None:
    _road(stage, PULLS, 18.0, redline_rpm=7400.0)
    stage.window.screens["Road"].map.usual = lambda: stage.day.folder / "lambda.csv"
    stage.window.screens["Road"].turn()
    stage.drive(24.0, steady=steady(5800, 900), pull_now=PullNow(18.1, 2310.0, 590.0))


@scene
def road_marks(stage: Stage) -> None:
    _road(stage, HOLDS, 9.5, steady=steady(2000, 30, 5.0, holding=True))
    for at in (9.6, 9.9, 10.3, 10.8, 11.3, 12.0):
        stage.drive(at, steady=steady(2980, 300), last_hold=hold(2.1, 9.0, 2010), holds=1)
        stage.window.screens["Road"].mark()
        if at == 10.8 and stage.feed is not None:
            stage.feed.knock_heard()
    stage.drive(12.2)


@scene
def road_device_away(stage: Stage) -> None:
    _road(stage, HOLDS, 8.0, steady=steady(2010, 40, 1.0))
    stage.drive(8.1, state="away", steady=None)


@scene
def road_disk(stage: Stage) -> None:
    health = Health(1000.0, 1240, 3, {"link": 0}, {"speed_v": 0.0021, "link": 0.0042})
    _road(stage, HOLDS, 8.0, steady=steady(2010, 40, 1.0), disk_free_bytes=40_000_000, health=health)


@scene
def road_finished(stage: Stage) -> None:
    _road(stage, HOLDS, 15.0, last_hold=hold(2.1, 9.0, 2010), holds=1)
    stage.drive(15.1, state="finished", recording=False, steady=None)


@scene
def road_newtons(stage: Stage) -> None:
    _road(stage, [(0.0, 2300.0, -2.0), (60.0, 2300.0, 2400.0)], 40.0, steady=steady(2300, 40, 1.2), load_unit="N")


@scene
def calibrate_empty(stage: Stage) -> None:
    stage.open()
    stage.screen("Calibrate")


def _calibrate(stage: Stage, path: Path, targets: str, *, load: bool = False) -> Any:
    window = stage.open(None, path.parent)
    window.go("load" if load else "calibrate", str(path))
    screen = window.screens["Calibrate"]
    stage.quiet(screen.opener, screen.surveyor)
    if targets:
        screen.targets.setText(targets)
        screen.targets.editingFinished.emit()
    return screen


@scene
def calibrate_untyped(stage: Stage) -> None:
    _calibrate(stage, stage.day.holds, "")


@scene
def calibrate(stage: Stage) -> None:
    _calibrate(stage, stage.day.holds, ", ".join(f"{rpm:.0f}" for rpm in TARGETS))


@scene
def calibrate_faulty(stage: Stage) -> None:
    _calibrate(stage, stage.day.faulty, "1500, 2000, 2500, 3000, 3500, 4000, 5000, 6000")


@scene
def calibrate_chain(stage: Stage) -> None:
    screen = _calibrate(stage, stage.day.faulty, "")
    stage.until(lambda: screen.pages.count() > 2)
    screen.pages.setCurrentWidget(screen.findings_page)


def _load(stage: Stage, task: str) -> None:
    load = _calibrate(stage, stage.day.turns[0], "", load=True).load
    stage.until(lambda: load.shown is not None and not load.asking.busy)
    load.turn_to(task)
    stage.until(lambda: not load.asking.busy)
    load.picker.setFocus()


@scene
def calibrate_load(stage: Stage) -> None:
    _load(stage, "zero")


@scene
def calibrate_shunt(stage: Stage) -> None:
    _load(stage, "shunt")


@scene
def calibrate_weights(stage: Stage) -> None:
    _load(stage, "weights")


def _traced(stage: Stage, key: str, path: Path) -> None:
    page = stage.page(key, str(path), path.parent)
    stage.until(lambda: page.look is not None and not page.asking.busy)
    page.picker.setFocus()


@scene
def marks(stage: Stage) -> None:
    _traced(stage, "marks", stage.day.turns[0])


@scene
def coastdown(stage: Stage) -> None:
    path = stage.day.folder / "roll" / "2026-05-03-0900-roll.h5"
    path.parent.mkdir(exist_ok=True)
    if not path.exists():
        write_session(path, test_coastdown.car_text(), test_coastdown.RATE, test_coastdown.drive(4, grade=0.002))
    _traced(stage, "coastdown", path)


@scene
def changes(stage: Stage) -> None:
    path = stage.day.folder / "changed" / stage.day.turns[0].name
    path.parent.mkdir(exist_ok=True)
    if not path.exists():
        shutil.copy(stage.day.turns[0], path)
        mark_session(path, Marks(pulls={2: PullMark(kept=-1)}))
        write_note(path, "dry, wind from the left")
        undo_session(path)
    window = stage.open(None, path.parent)
    window.redo()
    stage.until(lambda: window.told.isVisible())
    window.undo()
    stage.until(lambda: window.told_text.text().startswith("Undone"))
    window.go("steps")
    stage.quiet(window.screens["Start"].page.worker, window.desk.worker)


@scene
def compare_empty(stage: Stage) -> None:
    stage.open()
    stage.screen("Compare")


@scene
def compare_resolved(stage: Stage) -> None:
    stage.compare(stage.day.turns)


@scene
def compare_bands(stage: Stage) -> None:
    stage.compare(stage.day.turns).lists.setCurrentIndex(1)


@scene
def compare_none(stage: Stage) -> None:
    stage.compare(stage.day.alike)


@scene
def compare_this_order(stage: Stage) -> None:
    stage.compare(stage.day.turns[:2])


@scene
def compare_one_tune(stage: Stage) -> None:
    stage.compare(stage.day.turns[:1])


@scene
def compare_power(stage: Stage) -> None:
    stage.compare(stage.day.turns, "Power")


@scene
def ignition_ask(stage: Stage) -> None:
    stage.compare(stage.day.turns, "Ignition")


def _answers(stage: Stage) -> None:
    from ui.window import ask

    files = {"Advance": "advance.csv", "Table": "lambda.csv", "The": "log.csv", "Car": "log.toml"}
    ask.open_file = lambda _, title, *rest: stage.day.folder / files[title.split()[0]]


@scene
def ignition(stage: Stage) -> None:
    _answers(stage)
    page = stage.compare(stage.day.turns, "Ignition").studies["Ignition"]
    page.choose.click()
    stage.until(lambda: page.found is not None)
    page.knock.setCurrentIndex(page.knock.count() - 1)
    page.knock.activated.emit(page.knock.count() - 1)
    stage.quiet(page.worker)


@scene
def mixture_ask(stage: Stage) -> None:
    stage.compare(stage.day.turns, "Mixture")


@scene
def mixture(stage: Stage) -> None:
    _answers(stage)
    page = stage.compare(stage.day.turns, "Mixture").studies["Mixture"]
    page.choose.click()
    stage.until(lambda: page.found is not None)


@scene
def log_ask(stage: Stage) -> None:
    stage.compare(stage.day.turns, "Controller log")


@scene
def log_laid(stage: Stage) -> None:
    _answers(stage)
    page = stage.compare(stage.day.turns[1:2], "Controller log").studies["Controller log"]
    page.choose_log.click()
    page.choose_car.click()
    stage.until(lambda: page.laid is not None and page.worker.task is None)


@scene
def shelf_empty(stage: Stage) -> None:
    stage.open()
    stage.screen("Shelf")


@scene
def shelf(stage: Stage) -> None:
    stage.open(None, stage.day.turns[0].parent)
    shelf = stage.screen("Shelf")
    shelf.open_folder(stage.day.turns[0].parent)
    stage.quiet(shelf.worker)
    shelf.table.selectRow(0)


@scene
def shelf_trend(stage: Stage) -> None:
    stage.open(None, stage.day.turns[0].parent)
    shelf = stage.screen("Shelf")
    shelf.open_folder(stage.day.turns[0].parent)
    stage.quiet(shelf.worker)
    shelf.table.selectAll()
    shelf.details.trend.click()
    stage.quiet(shelf.worker)


def _pages() -> None:
    """A scene for each page behind the start page."""
    for key in PAGES:
        SCENES[f"page-{key}"] = lambda stage, key=key: stage.page(key)
    SCENES["page-words"] = lambda stage: stage.page("words", "residual")
    SCENES["page-survey"] = lambda stage: stage.page("survey", folder=stage.day.faulty.parent)


_pages()


def looks(scale: int) -> Iterator[tuple[str, tuple[int, int], str]]:
    """(theme, size, its name in the file)."""
    if scale > 1:
        yield from ((theme, SIZES[0], f"{theme}-x{scale}") for theme in ("dark", "light"))
        return
    for theme in ("dark", "light"):
        for size in SIZES:
            yield theme, size, f"{theme}-{size[0]}"


@contextmanager
def put_on(name: str, day: Day) -> Iterator[Any]:
    """A scene's window, ready; closed at the end."""
    stage = Stage(day)
    SCENES[name](stage)
    yield stage.window
    stage.window.close_now()
    stage.window.deleteLater()
    QtWidgets.QApplication.processEvents()


def settle(window: Any, theme: str, size: tuple[int, int]) -> None:
    """Theme and size, drawn out: a layout takes more than one turn."""
    window.set_theme(theme)
    window.resize(*size)
    for _ in range(3):
        QtWidgets.QApplication.processEvents()
    window.poll()
    QtWidgets.QApplication.processEvents()


def keep(window: Any, out: Path, *, small: bool = False) -> None:
    """Write what the window shows; a small file has its theme's colours and the 64 that are there most,
    enough for flat grounds."""
    image = window.grab().toImage().convertToFormat(QtGui.QImage.Format.Format_RGB32)
    if small:
        pixels = np.frombuffer(image.constBits(), np.uint32)
        colours, counts = np.unique(pixels, return_counts=True)
        marks = [QtGui.QColor(text).rgb() for text in astuple(THEMES[window.desk.memory.kept.theme])[1:]]
        table = [*marks, *(int(colour) for colour in colours[np.argsort(-counts)][:64])]
        image = image.convertToFormat(QtGui.QImage.Format.Format_Indexed8, table)
    image.save(str(out), "PNG", 0 if small else 60)


def private_settings(folder: Path) -> None:
    """No picture reads or changes the person's own shelf and settings."""
    import stream.record.shelf as index
    import ui.window.memory as memory

    index.default_index_path = lambda: folder / "index.sqlite"
    memory.default_path = lambda: folder / "window.toml"


def main() -> None:
    """Make the pictures and say which were made."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="where the pictures and the sessions go")
    parser.add_argument("names", nargs="*", help="scenes; all of them without")
    parser.add_argument("--readme", action="store_true", help="the five of the README, into ui/pictures")
    parser.add_argument("--scale", type=int, default=0, help="only at so many pixels a point")
    wish = parser.parse_args()
    unknown = [name for name in wish.names if name not in SCENES]
    if unknown:
        parser.error(f"no scene {', '.join(unknown)}; there are {', '.join(SCENES)}")
    wish.folder.mkdir(parents=True, exist_ok=True)
    if wish.scale > 1:
        os.environ["QT_SCALE_FACTOR"] = str(wish.scale)
    app = QtWidgets.QApplication(["steadypull"])
    load_face()
    private_settings(wish.folder)
    day = Day(wish.folder / "sessions")
    if wish.readme:
        place = ROOT / "ui" / "pictures"
        place.mkdir(exist_ok=True)
        for name, theme in README.items():
            with put_on(name, day) as window:
                settle(window, theme, SIZES[0])
                keep(window, place / f"{name}.png", small=True)
                print(f"{name}: {(place / f'{name}.png').stat().st_size // 1000} kB")
        return
    for name in wish.names or SCENES:
        began = time.monotonic()
        with put_on(name, day) as window:
            for theme, size, kind in looks(wish.scale):
                settle(window, theme, size)
                keep(window, wish.folder / f"{name}-{kind}.png")
        print(f"{name}: {time.monotonic() - began:.1f} s", flush=True)
    del app
    if not wish.scale:
        again = [sys.executable, "-m", "tests.bench.pictures", str(wish.folder), *wish.names, "--scale", "2"]
        subprocess.run(again, check=True)


if __name__ == "__main__":
    main()
