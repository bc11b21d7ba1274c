"""What people wait for, each in a process of its own: commands over a day, over eight hours and over 500 sessions, the
memory of a drive, judging late pulls, the window's first frame, the Road screen, and bytes to the screen.

python -m tests.bench.waits [PART…] [--hours H], parts: day report shelf hours judging memory window road chain
Processor seconds, so that other work beside it stretches them little; a part prints its lines as it ends.
"""

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench.figure import Figure

TOP = Path(__file__).parents[2]
SHELF = 500
HOURS = 8.0
MEGABYTE = 1e6


@dataclass
class Taken:
    """Processor seconds, wall seconds and the largest resident memory of a process and those it waited for, and its
    standard output."""

    cpu_s: float
    wall_s: float
    peak_mb: float
    out: str


def taken(*words: str | Path, module: str = "ui.cli.main", rounds: int = 1) -> Taken:
    """The cheapest of `rounds` runs of a command in a process of its own. Raises RuntimeError where it fails."""
    path = os.pathsep.join(filter(None, (str(TOP), os.environ.get("PYTHONPATH", ""))))
    environment = {**os.environ, "PYTHONPATH": path, "QT_QPA_PLATFORM": "offscreen", "PYQTGRAPH_QT_LIB": "PySide6"}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)  # people's Python keeps what it compiled
    runs = []
    for _ in range(rounds):
        begun = time.perf_counter()
        with tempfile.TemporaryFile("w+") as out, tempfile.TemporaryFile("w+") as said:
            child = subprocess.Popen(
                [sys.executable, "-m", module, *map(str, words)], stdout=out, stderr=said, env=environment
            )
            _, status, used = os.wait4(child.pid, 0)
            child.returncode = os.waitstatus_to_exitcode(status)
            out.seek(0)
            said.seek(0)
            if child.returncode not in (0, 1) or (child.returncode and module != "ui.cli.main"):
                raise RuntimeError(f"{' '.join(map(str, words))} ended with {child.returncode}: {said.read()[-500:]}")
            wall = time.perf_counter() - begun
            runs.append(Taken(used.ru_utime + used.ru_stime, wall, used.ru_maxrss * 1024 / MEGABYTE, out.read()))
    return min(runs, key=lambda one: one.cpu_s)


def _own(name: str, *words: object, rounds: int = 1) -> dict[str, float]:
    """What a function of this module, run in a process of its own, found; with that process's own cost."""
    run = taken("--own", name, *map(str, words), module="tests.bench.waits", rounds=rounds)
    return {**json.loads(run.out.splitlines()[-1]), "cpu_s": run.cpu_s, "peak_mb": run.peak_mb}


# -- a day of five sessions --------------------------------------------------------------------------------------------


def _rehearsed(folder: Path) -> list[Path]:
    """The rehearsal's day: a hold row, and two tunes turn and turn about."""
    words = ("rehearse", "--quick", "--headless", "--json", "--seed", "7", "-o", folder)
    return [Path(name) for name in json.loads(taken(*words).out)["sessions"]]


def day(rounds: int) -> list[Figure]:
    """Commands over a day, Python's own start in them."""
    with tempfile.TemporaryDirectory() as name:
        holds, *pulls = _rehearsed(Path(name))
        commands: dict[str, tuple[str | Path, ...]] = {
            "compare": ("compare", *pulls, "--base", "heron", "--trial", "plover"),
            "coach": ("coach", *pulls),
            "curve": ("curve", *pulls),
            "fit": ("fit", holds, "--targets", "1500,2000,3000,4000,5000,6000,6500"),
            "survey": ("survey", holds),
            "power": ("power", *pulls),
        }
        return [
            Figure(f"a day: {name}, s", run.cpu_s, 0.6, "at most", measured={"wall_s": run.wall_s, "MB": run.peak_mb})
            for name, words in commands.items()
            for run in [taken(*words, rounds=rounds)]
        ]


def report(rounds: int) -> list[Figure]:
    """The day's report."""
    figures = []
    with tempfile.TemporaryDirectory() as name:
        sessions = _rehearsed(Path(name))
        for kind, goal in (("html", 1.5), ("pdf", 2.5)):
            run = taken("report", *sessions, "-o", Path(name) / f"day.{kind}", "--force", rounds=rounds)
            figures.append(Figure(f"report {kind}, s", run.cpu_s, goal, "at most", measured={"wall_s": run.wall_s}))
    return figures


def shelf(rounds: int) -> list[Figure]:
    """500 sessions: the list without an index and with it, and one tune over all of them."""
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        _, *pulls = _rehearsed(root / "day")
        place = root / "shelf"
        place.mkdir()
        heron = [_another(pulls[0], place / f"{number:03d}.h5", number) for number in range(SHELF)]
        saved = os.environ.get("XDG_CACHE_HOME")
        figures = []
        try:
            os.environ["XDG_CACHE_HOME"] = str(root / "cache")
            cold, warm = taken("shelf", place), taken("shelf", place, rounds=rounds)
        finally:
            os.environ.pop("XDG_CACHE_HOME")
            if saved is not None:
                os.environ["XDG_CACHE_HOME"] = saved
        trend = taken("trend", *heron, "--tune", "heron")
        for what, run, goal in (("cold", cold, 2.0), ("through its index", warm, 1.0)):
            figures.append(
                Figure(f"shelf of {SHELF}, {what}, s", run.cpu_s, goal, "at most", measured={"wall_s": run.wall_s})
            )
        figures.append(Figure(f"trend over {SHELF}, s", trend.cpu_s, 2.0, "at most", measured={"wall_s": trend.wall_s}))
    return figures


def _another(session: Path, path: Path, number: int) -> Path:
    """The session as if it had been driven on another day, with other noise in the last place."""
    import h5py

    shutil.copy(session, path)
    with h5py.File(path, "r+") as file:
        file["raw/samples"][:] += np.float32(1e-6 * (1 + number))
        began = datetime.fromisoformat(file.attrs["started_utc"]) - timedelta(hours=12 * number)
        file.attrs["started_utc"] = began.isoformat()
    return path


# -- eight hours -------------------------------------------------------------------------------------------------------


def hours(_: int) -> list[Figure]:
    """Eight hours, 2 channels × 1 kHz, two pulls a minute: replay to a new session, whether that grows faster than the
    hours, and what is asked of the session afterwards."""
    from tests.bench.replaying import record_drive

    figures = []
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        runs = []
        for number, part in enumerate((HOURS / 4, HOURS)):
            seconds = record_drive(root / f"raw{number}.h5", 3600.0 * part)
            runs.append((seconds, taken("replay", root / f"raw{number}.h5", "-o", root / f"day{number}.h5")))
        (quarter_s, quarter), (whole_s, whole) = runs
        label = f"{HOURS:g} h at 2 × 1 kHz"
        measured = {"wall_s": whole.wall_s, "MB": whole.peak_mb, "x_real_time": whole_s / whole.cpu_s}
        figures.append(Figure(f"{label}: replay -o, s", whole.cpu_s, 30.0, "at most", measured=measured))
        growth = (whole.cpu_s / whole_s) / (quarter.cpu_s / quarter_s)
        figures.append(Figure(f"{label}: replay -o, cost an hour / that of {HOURS / 4:g} h", growth, 1.2, "at most"))
        session = root / "day1.h5"
        zeroed = ("zero", session, "--from", "0.5", "--to", "3.5")
        coach = ("coach", session)
        for words, goal in ((("survey", session), 3.0), (zeroed, 1.0), (coach, 1.0)):
            run = taken(*words)
            measured = {"wall_s": run.wall_s, "MB": run.peak_mb}
            figures.append(Figure(f"{label}: {words[0]}, s", run.cpu_s, goal, "at most", measured=measured))
            figures.append(Figure(f"{label}: {words[0]}, MB", run.peak_mb, 300.0, "at most"))
    return figures


def judging(_: int) -> list[Figure]:
    """What judging one pull takes, early in three hours and late."""
    got = _own("judge", 3.0)
    goal = 8.0
    return [
        Figure("judging the 200th pull of 3 h, ms", got["late_ms"], goal, "at most", measured=got),
        Figure("judging the 200th pull / the 20th", got["late_ms"] / got["early_ms"], 1.3, "at most"),
    ]


def _judge(hours_text: str) -> dict[str, float]:
    from stream.live.pull_finder import PullFinder
    from tests.drives import Plan, run_stage

    spent: list[float] = []
    judge = PullFinder._judge

    def timed(self: PullFinder, *, final: bool) -> None:
        begun, before = time.thread_time(), len(self._found)
        judge(self, final=final)
        if len(self._found) > before:
            spent.append(1e3 * (time.thread_time() - begun))

    PullFinder._judge = timed  # type: ignore[method-assign]
    plan = Plan(5, 200.0).hold(900, 5)
    while plan.time_s < 3600.0 * float(hours_text):
        plan.hold(2200, 30).ramp(7000, 600).ramp(2200, 700)
    run_stage(plan.samples(), 200.0)
    if len(spent) < 210:
        raise RuntimeError(f"only {len(spent)} pulls were judged")
    late, early = np.array(spent[190:210]), np.array(spent[25:45])
    return {"late_ms": float(np.median(late)), "late_max_ms": float(late.max()), "early_ms": float(np.median(early))}


def memory(_: int) -> list[Figure]:
    """How the resident memory of a recorded drive grows: with pulls and holds, and going along evenly."""
    figures = []
    for kind in ("pulls", "cruise"):
        got = _own("grow", kind, HOURS)
        figures.append(Figure(f"memory of a drive, {kind}: MB an hour", got["mb_per_h"], 1.0, "at most", measured=got))
    return figures


def _grow(kind: str, hours_text: str) -> dict[str, float]:
    """A drive from memory as fast as it goes, in its real threads, the same quarter of an hour again and again."""
    from stream.block import Block, StreamInfo
    from stream.drive.drive import Drive
    from stream.sources.source import PlainSource
    from tests.drives import Plan, car, info

    rate = 1000.0
    plan = Plan(5, rate).hold(900, 5)
    while plan.time_s < 890.0:
        if kind == "cruise":
            plan.hold(2500, 60)
        else:
            plan.hold(2200, 20).ramp(7000, 600).ramp(2200, 700)
    samples = plan.ramp(900, 800).samples()
    total = int(float(hours_text) * 3600 * rate)
    at_h: list[tuple[float, float]] = []
    slowest = [0.0]

    class Again(PlainSource):
        realtime = False

        def __init__(self) -> None:
            super().__init__()
            self.row, self.told = 0, 0.0

        def open(self) -> StreamInfo:
            return info(rate)

        def read(self, timeout_s: float) -> list[Block]:
            start = self.row % len(samples)
            rows = samples[start : start + round(rate / 2)]
            block = Block(rows, self.row, rate)
            self.row += len(rows)
            if self.row / rate / 3600 >= self.told + 0.25:
                self.told += 0.25
                at_h.append((self.told, _resident_mb()))
            self.finished = self.row >= total
            return [block]

    with tempfile.TemporaryDirectory() as folder:
        drive = Drive(Again(), car(), folder=Path(folder), tune="heron")
        drive.start()
        cursor = None
        while not drive.done.wait(0.05):
            begun = time.thread_time()
            drive.status()
            if drive.info is not None:
                cursor = cursor or drive.live_cursor()
                cursor.read()
            slowest[0] = max(slowest[0], time.thread_time() - begun)
        drive.join()
    told = np.array([row for row in at_h if row[0] >= min(2.0, float(hours_text) / 2)])
    slope = float(np.polyfit(told[:, 0], told[:, 1], 1)[0])
    return {"mb_per_h": slope, "first_mb": told[0, 1], "last_mb": told[-1, 1], "slowest_look_ms": 1e3 * slowest[0]}


def _resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / MEGABYTE


# -- the window --------------------------------------------------------------------------------------------------------


def window(rounds: int) -> list[Figure]:
    """From python -m to the first frame painted, and the interpreter with Qt alone beside it."""
    got = _own("first_frame", rounds=rounds)
    bare = _own("bare_qt", rounds=rounds)
    measured = {**got, "qt_alone_s": bare["cpu_s"]}
    return [Figure("window to first frame, s", got["cpu_s"], 1.0, "at most", measured=measured)]


def _first_frame() -> dict[str, float]:
    from ui.window import start

    start.load_qt()
    start.check_x11()
    from pyqtgraph.Qt import QtWidgets

    from ui.window.main import MainWindow
    from ui.window.memory import Memory
    from ui.window.theme import load_face

    app = QtWidgets.QApplication(["bench"])
    load_face()
    with tempfile.TemporaryDirectory() as name:
        shown = MainWindow(None, memory=Memory(Path(name) / "kept.json"))
        shown.show()
        app.processEvents()
        if shown.grab().isNull():
            raise RuntimeError("nothing was painted")
        shown.close_now()
    return {}


def _bare_qt() -> dict[str, float]:
    import pyqtgraph  # noqa: F401
    from pyqtgraph.Qt import QtWidgets

    app = QtWidgets.QApplication(["bench"])
    shown = QtWidgets.QMainWindow()
    shown.show()
    app.processEvents()
    shown.grab()
    return {}


def road(_: int) -> list[Figure]:
    """The Road screen over a replay at the pace of the road: all threads of the process, and its frames."""
    got = _own("road", 20.0)
    return [
        Figure("Road at pace 1: share of a core, %", got["share_pct"], 15.0, "at most", measured=got),
        Figure("Road at pace 1: frames a second", got["frames_per_s"], 60.0, "at least"),
        Figure("Road at pace 1: 99th percentile between frames, ms", got["between_p99_ms"], 25.0, "at most"),
    ]


def _road(seconds_text: str) -> dict[str, float]:
    from pyqtgraph.Qt import QtCore, QtWidgets

    from stream.drive.drive import Drive
    from stream.sources.replay import ReplaySource
    from tests.bench.replaying import record_drive
    from tests.drives import car
    from ui.window.main import MainWindow
    from ui.window.theme import load_face

    seconds = float(seconds_text)
    app = QtWidgets.QApplication(["bench"])
    load_face()
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "drive.h5"
        record_drive(path, seconds + 40.0)
        drive = Drive(ReplaySource(path, 1.0), car(), record=False)
        shown = MainWindow(drive, caution=False, memory=None)
        shown.resize(1280, 800)
        shown.show()
        strip = shown.screens["Road"].strip
        painted: list[float] = []
        real = strip.view.paintEvent

        def paint(event: Any) -> None:
            real(event)
            painted.append(time.perf_counter())

        strip.view.paintEvent = paint
        drive.start()
        _turn(app, 3.0)
        painted.clear()
        begun, wall = time.process_time(), time.perf_counter()
        _turn(app, seconds)
        share = 100 * (time.process_time() - begun) / (time.perf_counter() - wall)
        drive.stop()
        drive.done.wait(10)
        shown.close_now()
    del QtCore
    gaps = 1e3 * np.diff(painted)
    return {
        "share_pct": share,
        "frames_per_s": 1e3 / float(np.mean(gaps)),
        "between_p50_ms": float(np.median(gaps)),
        "between_p99_ms": float(np.quantile(gaps, 0.99)),
    }


def _turn(app: Any, seconds: float) -> None:
    from pyqtgraph.Qt import QtCore

    loop = QtCore.QEventLoop()
    QtCore.QTimer.singleShot(round(1e3 * seconds), loop.quit)
    loop.exec()
    del app


# -- bytes to the screen -----------------------------------------------------------------------------------------------


def chain(_: int) -> list[Figure]:
    """The live chain at 4 channels × 10 kHz through a pseudo-terminal, and how old a row is when a screen has it."""
    got = _own("chain", 20.0)
    label = "live chain, 4 × 10 kHz"
    return [
        Figure(f"{label}: share of a core, %", got["share_pct"], 4.0, "at most", measured=got),
        Figure(f"{label}: sent to readable by the window, 99th percentile, ms", got["late_p99_ms"], 80.0, "at most"),
    ]


def _chain(seconds_text: str) -> dict[str, float]:
    from tests.bench.chain import measured

    return measured(float(seconds_text))


PARTS: dict[str, Callable[[int], list[Figure]]] = {
    "day": day,
    "report": report,
    "shelf": shelf,
    "hours": hours,
    "judging": judging,
    "memory": memory,
    "window": window,
    "road": road,
    "chain": chain,
}
OWN: dict[str, Callable[..., dict[str, float]]] = {
    "judge": _judge,
    "grow": _grow,
    "first_frame": _first_frame,
    "bare_qt": _bare_qt,
    "road": _road,
    "chain": _chain,
}


def run(smoke: bool) -> list[Figure]:
    """For the bench: all parts; a smoke run takes what is quick."""
    names = ("day", "judging") if smoke else tuple(PARTS)
    return [figure for name in names for figure in PARTS[name](1 if smoke else 3)]


def main(words: list[str]) -> None:
    """Run the parts that are named, or all."""
    if words[:1] == ["--own"]:
        print(json.dumps(OWN[words[1]](*words[2:])))
        return
    for name in words or PARTS:
        for figure in PARTS[name](3):
            row = figure.as_dict(False)
            more = ", ".join(f"{key} {value:.4g}" for key, value in row["measured"].items())
            print(
                f"{'MISSED' if row['missed'] else 'ok':7} {row['value']:8.3g}  {row['name']}  "
                f"[{row['sense']} {row['goal']:g}]  {more}",
                flush=True,
            )


if __name__ == "__main__":
    main(sys.argv[1:])
