"""How power and proposals are said, on the screen and on paper alike."""

from stream.study.force.power import PowerBand
from stream.study.tables.gate import AdvanceCell, Advice
from ui.text.figures import interval, one_line, plus_minus
from ui.text.tables import evidence

STEADY = "steady-equivalent, engine side"
STEADY_NOTE = (
    "Steady-equivalent is at the engine's side: the pull's share of the engine's own inertia given back by the usual "
    "mass factor; what driveline and driven tyres lose is not known and not in it."
)
CHANGED_DEG = 0.05


def power_row(band: PowerBand) -> tuple[str, ...]:
    """rpm, force N, torque Nm, power at the wheels kW, steady-equivalent kW, pulls."""
    pairs = (
        (band.force_n, band.u_force_n),
        (band.wheel_torque_nm, band.u_wheel_torque_nm),
        (band.wheel_power_kw, band.u_wheel_power_kw),
        (band.steady_equivalent_kw, band.u_steady_equivalent_kw),
    )
    return f"{band.rpm:.0f}", *(plus_minus(value, u) for value, u in pairs), str(band.n)


def place(cell: AdvanceCell, axis: str) -> str:
    """Where a cell lies on the second axis."""
    if cell.second_axis is None:
        return "full load"
    return f"{cell.second_axis:g} {'kPa' if axis == 'manifold_pressure' else '%'}"


def ignition_rows(advice: Advice) -> list[tuple[str, ...]]:
    """rpm, load, now, proposed, 95 % interval of the best advance, pulls or stretches, evidence."""
    return [
        (
            f"{cell.rpm:.0f}",
            place(cell, advice.axis),
            _degrees(cell.now),
            proposal(cell),
            interval(cell.low, cell.high, 1),
            str(cell.n),
            one_line(evidence(cell)),
        )
        for cell in advice.cells
    ]


def proposal(cell: AdvanceCell) -> str:
    """The proposed advance, with the way it goes as a shape and in words."""
    step = step_of(cell)
    if step is None:
        return "none"
    if abs(step) < CHANGED_DEG:
        return f"{_degrees(cell.proposed)} hold"
    return f"{_degrees(cell.proposed)} {'▲ more' if step > 0 else '▼ less'}"


def step_of(cell: AdvanceCell) -> float | None:
    """Proposed less now; None where either is not known."""
    return None if cell.proposed is None or cell.now is None else cell.proposed - cell.now


def _degrees(value: float | None) -> str:
    return "" if value is None else f"{value:.1f}°"


def ignition_title(advice: Advice) -> tuple[str, str, str]:
    """(state shape, the answer, what it rests on). More advance is the way that can do harm."""
    steps = [step for cell in advice.cells if (step := step_of(cell)) is not None]
    more, less = sum(step > CHANGED_DEG for step in steps), sum(step < -CHANGED_DEG for step in steps)
    rest = len(advice.cells) - more - less
    title = f"Proposed: more advance in {more}, less in {less}, unchanged in {rest} of {len(advice.cells)} cells"
    detail = "Degrees before top dead centre. The interval is that of the best advance, 95 %."
    return ("caution" if more or not less else "ok"), title, detail
