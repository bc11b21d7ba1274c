"""`advise-ignition`: from sessions, the advance in them, and the tune in the car now, to proposals per cell."""

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from stream.errors import InputError
from stream.findings import Finding, warning
from stream.study.bands import DEFAULT_WIDTH_RPM
from stream.study.compare.scatter import PRIOR, Scatter, known_scatter
from stream.study.dataset import Dataset
from stream.study.pulls import SIDE_S, all_traces, gear_findings
from stream.study.tables.gate import DEFAULT_STEP_DEG, Advice, cautions, check_step
from stream.study.tables.ignition_full import Asked, LoggedPull, full_load
from stream.study.tables.ignition_part import part_load
from stream.study.tables.ignition_table import Step, kept_steps, odd_cells
from stream.study.tables.knock import ROLES, ROWS_HZ, Listening, knock_map, one_car
from stream.study.tables.load_axis import second_axis
from stream.study.tables.user_table import AdvanceList, UserTable
from stream.units import Floats

NOTHING_SAID = Listening()


def advise_ignition(
    sessions: Sequence[Dataset],
    advance: AdvanceList | UserTable,
    now: str,
    listening: Listening = NOTHING_SAID,
    step: float = DEFAULT_STEP_DEG,
    width: float = DEFAULT_WIDTH_RPM,
    confirmed: Sequence[float] = (),
    scatter: Scatter | None = None,
) -> Advice:
    """Full-load cells from pulls, part-load cells from steady stretches, and what was found.

    confirmed   rpm of cells of the table that are far off their neighbours and meant so
    scatter     what is known of the car's scatter; None: what earlier sessions in their folders teach

    Raises InputError where the step is not a bounded one, the sessions are of different cars, nothing can be used, or
    `now` has no clean pull.
    """
    check_step(step)
    one_car(sessions)
    traces, words = all_traces(sessions)
    odd = odd_cells(advance, confirmed)
    most = [one.car.engine.advance_max_deg for one in sessions if one.car.engine.advance_max_deg is not None]
    steps = {str(one.path): kept_steps(one, advance.path) for one in sessions}
    if scatter is None:
        scatter = known_scatter(traces, None, width) if traces else PRIOR
    asked = Asked(advance, now, step, width, min(most, default=None), odd, steps, scatter)
    knock = knock_map(sessions, advance, now, listening, width, steps)
    logged: dict[tuple[str, float | None], LoggedPull] = {}
    for session in sessions:
        logged.update(_logged(session, advance))
    cells, findings = full_load(traces, logged, asked, knock) if traces else ([], [])
    part, found = part_load(sessions, asked, knock)
    lacks = isinstance(advance, UserTable) and all(one.first(advance.axis) is None for one in sessions)
    if not traces and not part and isinstance(advance, UserTable) and lacks:
        raise InputError(
            f"{sessions[0].path}: no channel with role {advance.axis!r}, the axis of {advance.path}, and no pull; log "
            "it, use a table with the other axis, or drive clean pulls on two tunes or more",
            "nothing-to-learn-from",
        )
    if not traces and not part:
        raise InputError(
            f"{sessions[0].path}: no pull and no steady stretch of {now!r} to learn from; drive clean pulls on "
            "two tunes or more",
            "nothing-to-learn-from",
        )
    whole: list[Finding] = [*knock.findings, *(one.finding() for one in odd)]
    if any(finding.code == "advance-not-driven" for cell in (*cells, *part) for finding in cell.evidence):
        whole += _stepped(steps, now)
    if lacks and isinstance(advance, UserTable):
        whole.append(warning("part-load-axis", axis=advance.axis, table=advance.path.name))
        found = [one for one in found if one.code != "part-load-none"]
    whole += [*words, *gear_findings(traces), *findings, *found]
    if not most:
        whole.append(warning("advance-most-unknown"))
    axis = "" if not part else (advance.axis if isinstance(advance, UserTable) else "manifold_pressure")
    unit = advance.unit if isinstance(advance, UserTable) else "kPa"
    return Advice(cells=(*cells, *part), findings=(*whole, *cautions()), axis=axis, unit=unit if axis else "")


def _stepped(steps: Mapping[str, Sequence[Step]], now: str) -> list[Finding]:
    """That more advance was proposed from these pulls before."""
    names = tuple(Path(path).name for path, kept in steps.items() if any(step.tune == now for step in kept))
    return [warning("advised-before", where=names, now=now)] if names else []


def _logged(session: Dataset, advance: AdvanceList | UserTable) -> dict[tuple[str, float | None], LoggedPull]:
    """What was logged beside each pull of a session, on its ticks."""
    degrees, second = session.channel("advance"), None
    time = session.time_s
    if isinstance(advance, UserTable) and session.first(advance.axis) is not None:
        rows = session.even(ROLES, ROWS_HZ)
        found_second = second_axis(session, rows, advance)[0]
        if found_second is not None:
            second = np.interp(time, rows.time_s, found_second, left=np.nan, right=np.nan)
    found: dict[tuple[str, float | None], LoggedPull] = {}
    driven = [pull for pull in session.pulls if pull.verdict == "clean"]
    if degrees is not None and driven:
        inside = np.any([(time >= pull.start_s) & (time <= pull.end_s) for pull in driven], axis=0)
        seen = degrees[inside & np.isfinite(degrees)]
        if len(seen) and float(np.median(seen)) < 0:
            raise InputError(
                f"{session.path}: the advance logged in its pulls is below 0 ({np.median(seen):.3g}); degrees before "
                "top dead centre are above 0: log it with that sign, or give the channel role other",
                "advance-sign",
            )
    for pull in session.pulls:
        part = slice(*np.searchsorted(time, [pull.start_s - SIDE_S, pull.end_s + SIDE_S]))
        found[str(session.path), pull.start_s] = LoggedPull(_seen(degrees, part), _seen(second, part))
    return found


def _seen(values: Floats | None, part: slice) -> Floats | None:
    """What was logged in a part; None where nothing was."""
    return None if values is None or not np.isfinite(values[part]).any() else values[part]
