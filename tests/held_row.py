"""A row of held speeds, for tests that begin with a recorded hold drive."""

from tests.drives import CAR, RPM_AT_0V, RPM_PER_V, Plan

TARGETS = (1500.0, 2000.0, 3000.0, 4000.0, 5000.0, 6000.0)
ROW = ",".join(f"{rpm:.0f}" for rpm in TARGETS)
CAR_TEXT = CAR.format(slope=RPM_PER_V * 1.2, zero=RPM_AT_0V)


def hold_plan(seed: int, targets: tuple[float, ...] = TARGETS, seconds: float = 6.0) -> Plan:
    """Idle, then each target held by foot."""
    plan = Plan(seed)
    plan.now = 900.0
    plan.hold(900.0, 6.0, 6.0)
    for rpm in targets:
        plan.ramp(rpm, 500.0).hold(rpm, seconds)
    return plan.ramp(2000.0, 900.0)
