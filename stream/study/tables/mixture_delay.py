"""How long the gas travels and the sensor takes: constant + k / flow, from fuel cuts that end.

When the throttle opens again after an overrun, fuel is back at once and λ falls when the burnt gas arrives: the time
between is the delay, whatever closed loop does. Correlating λ with anything in closed loop would find the loop's own
period instead, so that is never done. The beginning of a cut is not used: controllers wait before they cut.
"""

from dataclasses import dataclass

import numpy as np

from stream.findings import Finding
from stream.study.dataset import EvenRows
from stream.study.stats import t_quantile
from stream.units import Floats

ASSUMED_S = 0.15  # gas and sensor of a wideband probe near the engine; common practice, no source
ASSUMED_U_S = 0.08
# what a slow probe far down the pipe or a late logger may make of it, twice what the ends of cuts can show: nothing is
# leaned that one of these denies
POSSIBLE_S = (0.0, 0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0)
CUT_LAMBDA = 1.5  # a sensor in fresh air
LONGEST_S = 3.0
SHORTEST_S = 1.0  # the throttle stays open at least so long behind a cut
LEAST_EVENTS = 3
FLOW_SPAN = 1.8  # least ratio of the greatest to the least flow that tells k from a constant
REFERENCE = 3000.0 * 50.0  # rpm times kPa at which k is stated


@dataclass(frozen=True, slots=True)
class Delay:
    """constant_s + k_s * REFERENCE / (rpm * kPa), and its standard uncertainty; `events` fuel cuts told it."""

    constant_s: float
    k_s: float
    u_s: float
    events: int

    @property
    def measured(self) -> bool:
        """Whether the data showed it."""
        return self.events >= LEAST_EVENTS

    def finding(self) -> Finding:
        """What is known of it."""
        values = {
            "constant_s": self.constant_s,
            "k_s": self.k_s,
            "u_s": self.u_s,
            "events": self.events,
            "needed": LEAST_EVENTS,
            "reference": REFERENCE,
        }
        return Finding("lambda-delay", "note" if self.measured else "warning", values)

    def steps(self, rows: EvenRows, pressure: Floats | None) -> Floats:
        """(n,) delay of each row in steps of the clock."""
        if self.k_s == 0 or pressure is None:
            return np.full(len(rows.time_s), self.constant_s / rows.step_s)
        flow = np.maximum(np.nan_to_num(rows.speed_rpm * pressure, nan=REFERENCE), 0.1 * REFERENCE)
        return np.asarray((self.constant_s + self.k_s * REFERENCE / flow) / rows.step_s)


def possible(delay: Delay) -> list[Delay]:
    """Other delays that may be the true one: none where it was measured."""
    return [] if delay.measured else [Delay(seconds, 0.0, delay.u_s, 0) for seconds in POSSIBLE_S]


def cut_ends(rows: EvenRows, lam: Floats, throttle: Floats, pressure: Floats | None) -> tuple[Floats, Floats]:
    """(delay s, 1 / relative flow) of each fuel cut that ended by the throttle opening; flow NaN without pressure."""
    closed = np.nan_to_num(throttle, nan=100.0) < 1.0
    opens = np.flatnonzero(closed[:-1] & ~closed[1:]) + 1
    closes = np.append(np.flatnonzero(~closed[:-1] & closed[1:]) + 1, len(closed))
    delays, flows = [], []
    for start in opens:
        end = min(start + round(LONGEST_S / rows.step_s), int(closes[np.searchsorted(closes, start)]))
        before, after = lam[max(start - 2, 0) : start + 1], lam[start:end]
        if len(after) * rows.step_s < SHORTEST_S or not (before > CUT_LAMBDA).all():
            continue
        half = (float(before.mean()) + float(np.nanmedian(after[len(after) // 2 :]))) / 2
        fallen = np.flatnonzero(after < half)
        if not len(fallen) or fallen[0] == 0 or half < 1.1:
            continue
        row = int(fallen[0])
        part = (after[row - 1] - half) / (after[row - 1] - after[row])
        # the throttle crossed within the step before `start`: half a step, on average
        delays.append((row - 1 + part + 0.5) * rows.step_s)
        level = rows.speed_rpm[start : start + row + 1] * (
            pressure[start : start + row + 1] if pressure is not None else np.nan
        )
        flows.append(REFERENCE / float(np.mean(level)))
    return np.array(delays), np.array(flows)


def fit_delay(delays: Floats, inverse_flow: Floats) -> Delay:
    """The delay from the ends of cuts; k only where flows differ enough and it is resolved above zero."""
    count = len(delays)
    if count < LEAST_EVENTS:
        return Delay(ASSUMED_S, 0.0, ASSUMED_U_S, count)
    middle = float(np.median(delays))
    scatter = 1.4826 * float(np.median(np.abs(delays - middle)))
    kept = np.abs(delays - middle) <= max(4 * scatter, 0.06)
    delays, inverse_flow = delays[kept], inverse_flow[kept]
    resolution = 0.02  # where the cut ended inside a step of the clock
    u_s = float(np.hypot(np.std(delays) / np.sqrt(len(delays)), resolution))
    plain = Delay(float(delays.mean()), 0.0, u_s, len(delays))
    known = np.isfinite(inverse_flow).all() and len(delays) > LEAST_EVENTS
    if not known or inverse_flow.max() < FLOW_SPAN * inverse_flow.min():
        return plain
    away = inverse_flow - inverse_flow.mean()
    k = float(away @ delays / (away @ away))
    residual = delays - delays.mean() - k * away
    free = len(delays) - 2
    error = float(np.sqrt(residual @ residual / free / (away @ away)))
    constant = float(delays.mean() - k * inverse_flow.mean())
    if k <= t_quantile(free) * error or constant < 0:
        return plain
    return Delay(constant, k, u_s, len(delays))
