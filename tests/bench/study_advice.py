"""How often coastdown, best advance, mixture and alignment hold the model's truth, by seeds.

PYTHONPATH=. python tests/bench/study_advice.py 100 [FIRST_SEED] [coast own-coast ignition mixture refusals]

The truth is the rehearsal model's own: its road load, best advance, planted error of the fuel table and clocks. Each
seed draws car, weather, engine and fuel table (`study_advice_days.py`). 'needed u' is the root mean square error: a
stated u that is much larger is too wide.
"""

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from stream.car import parse_car
from stream.errors import InputError
from stream.sources.log_columns import read_controller_log
from stream.sources.rehearsal.car import GRAVITY, Body
from stream.sources.rehearsal.record import Recording
from stream.sources.rehearsal.script import Stop, Track
from stream.sources.rehearsal.sensors import target_lambda
from stream.study.clock import align_log
from stream.study.dataset import open_dataset, open_datasets
from stream.study.force.coastdown import session_coastdown
from stream.study.force.power import power
from stream.study.tables.ignition import advise_ignition
from stream.study.tables.mixture import advise_mixture
from stream.study.tables.user_table import read_advance, read_target
from tests.bench.study_advice_days import TABLE_RPM, Day, coast_script, draw, driven, pulls
from tests.controller_log import write_controller_log

Z95 = 1.959964
TUNES = ("heron", "plover", "wren")
JUMP_RPM = 2000.0  # the planted error jumps at this very breakpoint, so the truth there is one of two
KPA = (30, 40, 50, 64.9, 80, 92.2, 100)
MIXTURE = ("lambda", "manifold_pressure", "throttle")
LOG_CAR = '[car]\nname = "log"\n[[channel]]\nname = "rpm"\nrole = "engine_speed"\nunit = "rpm"\n'
LOG_CAR += '[[channel]]\nname = "time"\nrole = "time"\n'
Row = tuple[float, float, float]  # error, stated u, whether the 95 % interval held the truth (0 or 1)
Rows = dict[str, list[Row]]


def stated(found: float, doubt: float, truth: float) -> Row:
    return found - truth, doubt, float(abs(found - truth) <= Z95 * doubt)


def interval(estimate: float, low: float, high: float, truth: float) -> Row:
    return estimate - truth, (high - low) / 2 / Z95, float(low <= truth <= high)


def road_load(body: Body) -> tuple[float, float]:
    """What the model's own constants amount to in still air: force at rest, N, and its share of speed squared."""
    rolling = body.rolling_coefficient * body.mass * GRAVITY + body.driveline_drag / body.rolling_radius
    return rolling, 0.5 * body.air_density * body.drag_area


def coast(folder: Path, seed: int, own_car: bool = False) -> Rows:
    """Two coastdowns, the second the other way; A, B, C and the force they make."""
    day = draw(seed, own_car)
    path, _ = driven(folder, day, coast_script(), rate_hz=200.0, extras=("road_speed",), zeros=False)
    found = session_coastdown(open_dataset(path))
    force_n, per_speed2 = road_load(day.body)
    rows = {
        "A, N": stated(found.a_n, found.u_a, force_n),
        "B, N/(m/s)": stated(found.b_n_per_mps, found.u_b, 0.0),
        "C, N/(m/s)2": stated(found.c_n_per_mps2, found.u_c, per_speed2),
    }
    for speed in (10.0, 20.0, 28.0):
        one = np.array([1.0, speed, speed**2])
        doubt = float(np.sqrt(one @ np.array(found.covariance) @ one))
        true = force_n + per_speed2 * speed**2
        rows[f"force at {speed:.0f} m/s, N"] = stated(found.force_n(speed), doubt, true)
    return {what: [row] for what, row in rows.items()}


def ignition(folder: Path, seed: int, tunes: tuple[str, ...] = (*TUNES, *TUNES)) -> Rows:
    """Two turns of three tunes, three pulls each, advance logged: best advance of each rev band."""
    day = draw(seed)
    paths = [driven(folder, day, pulls(), n, tune, extras=("advance",))[0] for n, tune in enumerate(tunes)]
    advice = advise_ignition(open_datasets(paths), read_advance(advance_table(folder, day)), tunes[-1])
    rows: Rows = {"best advance, deg": [], "open interval": [], "no best": []}
    for cell in advice.cells:
        truth = float(day.best(np.array([cell.rpm]))[0])
        if cell.estimate is None:
            rows["no best"].append((0.0, 0.0, 1.0))
        elif cell.low is None or cell.high is None:
            held = (cell.low is None or cell.low <= truth) and (cell.high is None or truth <= cell.high)
            rows["open interval"].append((cell.estimate - truth, np.nan, float(held)))
        else:
            rows["best advance, deg"].append(interval(cell.estimate, cell.low, cell.high, truth))
    return rows


def advance_table(folder: Path, day: Day) -> Path:
    path = folder / "advance.csv"
    lines = [
        f"{name},{rpm:g},{degrees + off:.2f}"
        for name, off in day.off_best.items()
        for rpm, degrees in zip(TABLE_RPM, day.best(TABLE_RPM), strict=True)
    ]
    path.write_text("\n".join(["tune,rpm,advance", *lines]))
    return path


def target_table(folder: Path) -> Path:
    path = folder / "target.csv"
    wanted = ",".join(f"{float(target_lambda(np.array((kpa - 22) / 78))):.4f}" for kpa in KPA)
    rows = [f"{rpm},{wanted}" for rpm in range(1000, 7500, 500)]
    path.write_text("\n".join([f"manifold_pressure [kPa],{','.join(map(str, KPA))}", *rows]))
    return path


def mixture(folder: Path, seed: int) -> Rows:
    """Two sessions of three pulls: the error of each cell at its breakpoint; a controller's log beside the first."""
    day = draw(seed)
    made = [driven(folder, day, pulls(), number, extras=MIXTURE) for number in (0, 1)]
    paths = [path for path, _ in made]
    rows: Rows = {
        "centred cell, %": [],
        "one-sided cell, %": [],
        "cell on the jump, %": [],
        "log's offset, ms": [offset(folder, *made[0], seed)],
    }
    for cell in advise_mixture(open_datasets(paths), read_target(target_table(folder))).cells:
        if cell.estimate is None or cell.low is None or cell.high is None or cell.second_axis is None:
            continue
        truth = 1 + float(day.mixture(np.array(cell.rpm), np.array((cell.second_axis - 22) / 78)))
        row = interval(100 * cell.estimate, 100 * cell.low, 100 * cell.high, 100 * truth)
        kind = "one-sided cell" if not cell.why.values.get("centred", True) else "centred cell"
        rows[f"{'cell on the jump' if cell.rpm == JUMP_RPM else kind}, %"].append(row)
    return rows


def offset(folder: Path, path: Path, recording: Recording, seed: int) -> Row:
    """The offset of a controller's log at 20 Hz, its rpm in steps of 10."""
    log = folder / "log.csv"
    write_controller_log(recording, log, seed=seed)
    found = align_log(open_dataset(path), read_controller_log(log, parse_car(LOG_CAR, "log")))
    return stated(1e3 * found.offset_s, 1e3 * found.u_offset_s, 1e3 * recording.truth.controller.offset_s)


def own_coast(folder: Path, seed: int) -> Rows:
    return coast(folder, seed, own_car=True)


KINDS: dict[str, Callable[[Path, int], Rows]] = {
    "coast": coast,
    "own-coast": own_coast,
    "ignition": ignition,
    "mixture": mixture,
}


def measure(kind: str, seeds: int, first: int = 1000) -> tuple[Rows, list[str]]:
    """(rows of all seeds, the words of refusals)."""
    rows: Rows = {}
    refused = []
    for seed in range(first, first + seeds):
        with tempfile.TemporaryDirectory() as folder:
            try:
                found = KINDS[kind](Path(folder), seed)
            except InputError as error:
                refused.append(f"seed {seed}: {str(error).split(': ', 1)[-1]}")
                continue
        for what, more in found.items():
            rows.setdefault(what, []).extend(more)
    return rows, refused


def told(kind: str, seeds: int, first: int) -> None:
    began = time.perf_counter()
    rows, refused = measure(kind, seeds, first)
    print(f"{kind}: {seeds} seeds from {first}, {time.perf_counter() - began:.0f} s, {len(refused)} refused")
    print("  what                    n    held   mean error  needed u  mean u  median u  largest |error|/u")
    for what, values in rows.items():
        if not values:
            continue
        error, doubt, held = np.array(values).T
        with np.errstate(invalid="ignore", divide="ignore"):
            worst = np.max(np.abs(error) / doubt)
        print(
            f"  {what:20s} {len(values):5d} {100 * held.mean():6.1f} % {error.mean():+10.3f} "
            f"{np.sqrt((error**2).mean()):9.3f} {doubt.mean():8.3f} {np.median(doubt):8.3f} {worst:10.1f}"
        )
    for words in refused:
        print("  refused:", words)
    sys.stdout.flush()


def refusals(seeds: int, first: int) -> None:
    """What must not look like a number: counted over seeds."""
    ways = {"in gear": Track(1500.0, rate_rpm_s=60.0)}
    ways |= {f"brake of {newtons} N": Stop(float(newtons)) for newtons in (150, 300, 600, 1200, 2500)}
    for name, way in ways.items():
        words = [_coast_answer(seed, way) for seed in range(first, first + seeds)]
        print(f"coastdown, {name}: {sum(word.startswith('refused') for word in words)} of {seeds} refused; {words[0]}")
    told_best = cells = 0
    for seed in range(first, first + seeds):
        with tempfile.TemporaryDirectory() as folder:
            rows = ignition(Path(folder), seed, ("heron", "plover") * 2)
            told_best += len(rows["best advance, deg"]) + len(rows["open interval"])
            cells += sum(map(len, rows.values()))
    print(f"two advance settings: {told_best} of {cells} cells give a best")
    few = blank = 0
    for seed in range(first, first + seeds):
        with tempfile.TemporaryDirectory() as folder:
            path, _ = driven(Path(folder), draw(seed), pulls(1), extras=MIXTURE)
            advice = advise_mixture(open_datasets([path]), read_target(target_table(Path(folder))))
            thin = [cell for cell in advice.cells if cell.n < 10]
            few += len(thin)
            blank += sum(cell.proposed is None and cell.low is None for cell in thin)
    print(f"under 10 hits: {blank} of {few} cells blank")
    doubts = []
    for seed in range(first, first + seeds):
        with tempfile.TemporaryDirectory() as folder:
            path, _ = driven(Path(folder), draw(seed, own_car=True), pulls())
            found = power([open_dataset(path)])
            scale, doubt = found.force_per_unit_n, found.u_force_per_unit_n
            doubts.append(np.inf if scale is None or doubt is None else 100 * doubt / scale)
    said = "; ".join(word for word in found.warnings if "gear" in word)
    print(f"power from one gear: u of the scale {np.median(doubts):.0f} % ({min(doubts):.0f} at least); said: {said}")


def _coast_answer(seed: int, way: Track | Stop) -> str:
    with tempfile.TemporaryDirectory() as folder:
        path, _ = driven(
            Path(folder),
            draw(seed, own_car=True),
            coast_script(how=way),
            rate_hz=200.0,
            extras=("road_speed",),
            zeros=False,
        )
        try:
            found = session_coastdown(open_dataset(path))
        except InputError as error:
            return f"refused: {str(error).split(': ', 1)[-1]}"
    return f"A = {found.a_n:.0f} ± {found.u_a:.0f} N; {'; '.join(found.warnings)}"


def main(seeds: int, first: int, kinds: list[str]) -> None:
    for kind in kinds or [*KINDS, "refusals"]:
        if kind == "refusals":
            refusals(min(seeds, 10), first)
        else:
            told(kind, seeds, first)


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:] if word.isdigit()]
    main(
        given[0] if given else 100,
        given[1] if len(given) > 1 else 1000,
        [word for word in sys.argv[1:] if not word.isdigit()],
    )
